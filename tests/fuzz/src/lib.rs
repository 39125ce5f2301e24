//! What must hold whatever bytes come: one module and one function `check` for each reader of bytes.
//!
//! `fuzz_targets/` hands them to the fuzzing engine; `tests/corpus.rs` replays what `corpus/` keeps, with
//! ordinary cargo. A check panics when something does not hold. `docs/testing.md` says how it is run and how
//! far it got.

pub mod board;
pub mod frames;
pub mod link;
pub mod recordings;
pub mod sheets;
pub mod store;
pub mod telemetry;

// What the checkers of whole runs go by too, for `board`.
#[path = "../../src/chain.rs"]
mod chain;
#[path = "../../src/promised.rs"]
#[allow(dead_code, reason = "the witness asks for times only")]
mod promised;

// The program's own files, for `recordings`. They expect to stand at the root of their crate.
#[path = "../../../host/src/analyse/mod.rs"]
mod analyse;
#[allow(dead_code)]
#[path = "../../../host/src/cli.rs"]
mod cli;
#[allow(dead_code)]
#[path = "../../../host/src/failure.rs"]
mod failure;
mod print;
#[allow(dead_code)]
#[path = "../../../host/src/render.rs"]
mod render;

/// Given any bytes, it panics when something does not hold.
pub type Check = fn(&[u8]);

/// Every check by the name of its target.
pub const CHECKS: [(&str, Check); 7] = [
    ("board", board::check),
    ("frames", frames::check),
    ("link", link::check),
    ("recordings", recordings::check),
    ("sheets", sheets::check),
    ("store", store::check),
    ("telemetry", telemetry::check),
];
