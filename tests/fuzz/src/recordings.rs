//! Recordings made elsewhere: the program's own reader of them, and the estimators behind it.
//!
//! The program is no library, so `lib.rs` takes its files over where they stand.

use crate::analyse::analyse;
use crate::cli::{AnalyseArgs, AnalyseKind, JsonArgs};
use crate::failure::Failure;
use std::path::PathBuf;
use std::sync::LazyLock;
use tempfile::TempDir;

const KINDS: [AnalyseKind; 6] = [
    AnalyseKind::Coil,
    AnalyseKind::Step,
    AnalyseKind::Air,
    AnalyseKind::LeakDown,
    AnalyseKind::Sweep,
    AnalyseKind::Flow,
];

/// Where the recording lies, and its picture.
static FOLDER: LazyLock<TempDir> =
    LazyLock::new(|| tempfile::tempdir().unwrap_or_else(|error| panic!("making a folder: {error}")));

/// The first line is `kind|coil temperature|volume|modulus|k-factor|instant|what to write`; the rest is the
/// file. Everything is measured, or says why not.
pub fn check(data: &[u8]) {
    let end = data.iter().position(|&byte| byte == b'\n').unwrap_or(data.len());
    let (head, file) = data.split_at(end);
    let head = String::from_utf8_lossy(head);
    let mut given = head.split('|');
    let Some(kind) = given.next().and_then(|kind| KINDS.get(kind.bytes().next()? as usize % KINDS.len()))
    else {
        return;
    };
    let mut option = || given.next().filter(|text| !text.is_empty()).map(str::to_owned);
    let mut args = AnalyseArgs {
        kind: *kind,
        file: path("recording.csv"),
        coil_temperature: option(),
        volume: option(),
        liquid_modulus: option(),
        k_factor: option(),
        at: option(),
        plot: None,
        json: JsonArgs { json: false },
    };
    let write = option().unwrap_or_default();
    args.json.json = write.contains('j');
    args.plot = write.contains('p').then(|| path("picture.svg"));
    std::fs::write(&args.file, file.get(1..).unwrap_or_default()).unwrap_or_else(|error| panic!("{error}"));
    match analyse(&args) {
        Ok(code) => assert!(code == 0 || code == 4, "exit code {code}"),
        Err(Failure::Usage(words)) => assert!(!words.is_empty()),
        Err(other) => panic!("{other:?}"),
    }
}

fn path(name: &str) -> PathBuf {
    FOLDER.path().join(name)
}
