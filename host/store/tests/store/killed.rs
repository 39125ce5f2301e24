//! A run that is broken off: everything up to the last commit is there, and it never passes.

use crate::sample::*;
use std::io::{BufRead, BufReader, Read};
use std::process::{Command, Stdio};
use stepwell_procedure::finding::Verdict;
use stepwell_procedure::record::{Ended, Entry};
use stepwell_protocol::channel::Channel;
use stepwell_protocol::time::Tick;
use stepwell_store::{RunState, Store};

#[test]
fn a_run_dropped_without_a_seal_is_interrupted_with_data_to_the_last_commit() {
    let (folder, path) = folder();
    let mut store = Store::open(&path).unwrap();
    let mut writer = store.begin(&head("a")).unwrap();
    writer.samples(Tick(0), &samples(0, 1_000));
    writer.entry(&Entry::Finding(finding("x", Verdict::Pass)));
    writer.commit().unwrap();
    writer.samples(Tick(1_000), &samples(1_000, 500));
    writer.entry(&Entry::Finding(finding("y", Verdict::Pass)));

    let reader = Store::open_to_read(&path).unwrap();
    assert_eq!(reader.runs().unwrap()[0].state, RunState::Running);
    assert_eq!(reader.run(1).unwrap().state, RunState::Running);
    drop(writer);
    let run = reader.run(1).unwrap();
    assert_eq!((run.state, run.findings.len()), (RunState::Interrupted, 1));
    assert_eq!(run.outcome.ended, Ended::Interrupted);
    assert_eq!(run.outcome.verdict, Verdict::NotMeasured, "never a pass");
    let summary = &reader.runs().unwrap()[0];
    assert_eq!(
        (summary.state, summary.ticks, summary.duration_s),
        (RunState::Interrupted, 1_000, Some(0.999))
    );
    assert_eq!(reader.samples(1, Channel::Status).unwrap().samples(), 1_000);
    assert!(!reader.verify(1).unwrap().sealed);
    // The last to close tidies up, and a reader may not.
    drop(reader);
    drop(store);
    let left: Vec<_> =
        std::fs::read_dir(folder.path()).unwrap().map(|file| file.unwrap().file_name()).collect();
    assert_eq!(left, ["runs.stepwell"], "nothing else is left lying about");
}

const STORE: &str = "STEPWELL_STORE_TO_BE_KILLED_IN";

/// The program that gets killed: writes and commits until it is. Started by the test below.
#[test]
#[ignore = "only to be started by the test that kills it"]
fn writes_until_killed() {
    let path = std::env::var_os(STORE).unwrap();
    let mut store = Store::open(path.as_ref()).unwrap();
    let mut writer = store.begin(&head("killed")).unwrap();
    for second in 0.. {
        writer.samples(Tick(second * 1_000), &samples(second * 1_000, 1_000));
        writer.commit().unwrap();
        eprintln!("committed {}", second + 1);
    }
}

#[test]
fn a_killed_program_leaves_every_committed_second() {
    let (folder, path) = folder();
    let mut child = Command::new(std::env::current_exe().unwrap())
        .args(["killed::writes_until_killed", "--exact", "--ignored", "--nocapture"])
        .env(STORE, &path)
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut said = BufReader::new(child.stderr.take().unwrap());
    let mut line = String::new();
    while !line.starts_with("committed 3") {
        line.clear();
        assert_ne!(said.read_line(&mut line).unwrap(), 0, "ended by itself");
    }
    assert_eq!(Store::open_to_read(&path).unwrap().run(1).unwrap().state, RunState::Running);
    child.kill().unwrap();
    child.wait().unwrap();
    let mut rest = String::new();
    said.read_to_string(&mut rest).unwrap();
    let committed: u64 = 3 + rest.lines().filter(|line| line.starts_with("committed")).count() as u64;

    let store = Store::open_to_read(&path).unwrap();
    assert_eq!(store.run(1).unwrap().state, RunState::Interrupted);
    store.verify(1).unwrap();
    let column = store.samples(1, Channel::RailPressure).unwrap();
    // The last commit may have been made and not yet told.
    assert!([committed * 1_000, (committed + 1) * 1_000].contains(&column.samples()));
    assert!(column.pieces[0].counts.iter().zip(0..).all(|(&counts, tick)| counts == count(tick, 0)));
    drop(store);

    // The next run goes on as if nothing had been, and sweeps up the lock file.
    assert!(folder.path().join("runs.stepwell-run-1").exists());
    let mut store = Store::open(&path).unwrap();
    assert_eq!(write_run(&mut store, "next"), 2);
    assert!(!folder.path().join("runs.stepwell-run-1").exists());
    assert_eq!(store.run(1).unwrap().state, RunState::Interrupted);
    store.verify(2).unwrap();
}
