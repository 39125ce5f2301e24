//! What the fuzzing engine found worth keeping, replayed with nothing but Rust.

use std::path::Path;
use stepwell_fuzz::CHECKS;

#[test]
fn what_was_kept_still_holds() {
    for (target, check) in CHECKS {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus").join(target);
        let files =
            std::fs::read_dir(&folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display()));
        let mut replayed = 0;
        for file in files {
            let path = file.unwrap_or_else(|error| panic!("{error}")).path();
            let bytes = std::fs::read(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
            println!("{target}: {}", path.display());
            check(&bytes);
            replayed += 1;
        }
        assert!(replayed > 0, "nothing is kept for {target}");
    }
}
