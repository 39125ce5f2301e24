//! The emulated board, started for a check.

use crate::shipped::Scenario;
use crate::trace::Traced;
use std::path::{Path, PathBuf};
use stepwell_emulated::{EmulatedBench, Upset};

/// Where `firmware/thumb.sh` puts the image.
#[must_use]
pub fn image() -> PathBuf {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let target = std::env::var_os("CARGO_TARGET_DIR").map_or_else(|| PathBuf::from("target"), PathBuf::from);
    // A relative one counts from where cargo was called: from the root.
    root.join(target).join("thumb/thumbv7em-none-eabihf/firmware/stepwell-emulated")
}

/// The bench of `scenario` with the image as its board.
///
/// # Panics
/// When it cannot be started.
#[must_use]
pub fn bench(scenario: &Scenario, upset: Option<Upset>) -> Traced<EmulatedBench> {
    let bench = EmulatedBench::start(&image(), &scenario.setup(), upset);
    Traced::watching(bench.unwrap_or_else(|error| panic!("the emulated board: {error}")))
}
