//! A store written by layout version 1, which must be readable forever.

use crate::round_trip::expect_run;
use crate::sample::*;
use std::path::{Path, PathBuf};
use stepwell_procedure::finding::Verdict;
use stepwell_procedure::record::Entry;
use stepwell_protocol::channel::Channel;
use stepwell_protocol::time::Tick;
use stepwell_store::{RunState, Store};

fn kept() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/data/store/v1.stepwell")
}

/// Of the sealed run and of the interrupted one. Computed by the script in docs/store.md, which shares
/// nothing with this crate but the file (Python 3.11: `sqlite3`, `hashlib`).
const DIGESTS: [&str; 2] = [
    "c3b869fdf7187a879fb9a5b4caf285b8f026d0ce91cbfbe76354fc0b12b5e2cc",
    "4632fa6967e40d5f150b50053b598b05db6416a839587b6f053f9c6a4c286f1b",
];

#[test]
fn a_store_of_version_1_reads_as_it_was_written() {
    let (_folder, path) = folder();
    // A copy, so that bringing it up to date never touches the original.
    std::fs::copy(kept(), &path).unwrap();
    let store = Store::open_to_read(&path).unwrap();
    assert_eq!(store.runs().unwrap().len(), 2);

    expect_run(&store, 1, "sealed");
    let verified = store.verify(1).unwrap();
    assert_eq!((verified.records, verified.sealed, verified.digest.as_str()), (50, true, DIGESTS[0]));

    let run = store.run(2).unwrap();
    assert_eq!((run.head, run.state), (head("interrupted"), RunState::Interrupted));
    assert_eq!(run.findings, [finding("inlet-resistance", Verdict::ConditionalFail)]);
    assert_eq!(run.outcome.verdict, Verdict::ConditionalFail);
    let column = store.samples(2, Channel::PressureDuty).unwrap();
    assert!(
        (50..1_250)
            .map(|tick| count(tick, Channel::PressureDuty.index()))
            .eq(column.pieces[0].counts.iter().copied())
    );
    let verified = store.verify(2).unwrap();
    assert_eq!((verified.records, verified.sealed, verified.digest.as_str()), (30, false, DIGESTS[1]));
}

#[test]
fn an_old_store_can_be_written_on() {
    let (_folder, path) = folder();
    std::fs::copy(kept(), &path).unwrap();
    let mut store = Store::open(&path).unwrap();
    assert_eq!(write_run(&mut store, "new"), 3);
    expect_run(&store, 3, "new");
    expect_run(&store, 1, "sealed");
    for number in 1..=3 {
        store.verify(number).unwrap();
    }
}

/// How the file was made. Never to be made again once the layout has been released: what is kept is what
/// a program of that time wrote.
#[test]
#[ignore = "writes the kept file anew"]
fn write_the_kept_file() {
    std::fs::create_dir_all(kept().parent().unwrap()).unwrap();
    let _ = std::fs::remove_file(kept());
    let mut store = Store::open(&kept()).unwrap();
    write_run(&mut store, "sealed");
    let mut writer = store.begin(&head("interrupted")).unwrap();
    writer.entry(&Entry::Finding(finding("inlet-resistance", Verdict::ConditionalFail)));
    writer.samples(Tick(50), &samples(50, 1_200));
    writer.commit().unwrap();
}
