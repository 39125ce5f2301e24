//! What the fuzzing engine found worth keeping, replayed with nothing but Rust.

use std::path::{Path, PathBuf};
use stepwell_fuzz::{CHECKS, board};

/// The inputs that are kept for a target, in order of their names.
fn kept(target: &str) -> Vec<(PathBuf, Vec<u8>)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus").join(target);
    let files = std::fs::read_dir(&folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display()));
    let mut inputs: Vec<_> = files
        .map(|file| {
            let path = file.unwrap_or_else(|error| panic!("{error}")).path();
            let bytes = std::fs::read(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
            (path, bytes)
        })
        .collect();
    inputs.sort();
    assert!(!inputs.is_empty(), "nothing is kept for {target}");
    inputs
}

#[test]
fn what_was_kept_still_holds() {
    for (target, check) in CHECKS {
        for (path, bytes) in kept(target) {
            // Shown when it panics: the input to look at.
            println!("{}", path.display());
            check(&bytes);
        }
    }
}

#[test]
fn dwells_run_before_the_witness() {
    let dwelt_ms: u32 = kept("board").iter().map(|(_, bytes)| board::dwelt_ms(bytes, None)).sum();
    assert!(dwelt_ms > 0, "no kept script energises anything");
}
