//! The recorder: the same, from a thread of its own.

use crate::sample::*;
use std::path::Path;
use stepwell_procedure::finding::Verdict;
use stepwell_procedure::record::Entry;
use stepwell_protocol::channel::Channel;
use stepwell_protocol::time::Tick;
use stepwell_store::{Recorder, RunState, Store, StoreError};

fn start(path: &Path) -> (Recorder, u64) {
    Recorder::start(Store::open(path).unwrap(), &head("a"), path.parent().unwrap()).unwrap()
}

#[test]
fn a_recorded_run_is_sealed_with_everything_in_it() {
    let (_folder, path) = folder();
    let (mut recorder, number) = start(&path);
    assert_eq!(number, 1);
    for second in 0..3 {
        for entry in entries() {
            recorder.record(entry);
        }
        recorder.samples_at(
            Tick(second * 1_000),
            u64::from(second) * 1_000_000,
            &samples(second * 1_000, 600),
        );
        recorder.samples(Tick(second * 1_000 + 600), &samples(second * 1_000 + 600, 400));
        recorder.commit();
    }
    assert!(recorder.failed().is_none());
    assert_eq!(recorder.finish(&outcome(), LINK_STATISTICS).unwrap(), 1);
    let store = Store::open_to_read(&path).unwrap();
    let run = store.run(1).unwrap();
    assert_eq!((run.state, run.outcome), (RunState::Sealed, outcome()));
    assert_eq!((run.steps.len(), run.events.len(), run.findings.len(), run.bursts.len()), (3, 6, 6, 3));
    assert_eq!(store.samples(1, Channel::SpeedEdge).unwrap().samples(), 3_000);
    store.verify(1).unwrap();
}

#[test]
fn a_recorder_that_is_dropped_keeps_what_it_was_given() {
    let (_folder, path) = folder();
    let (mut recorder, _) = start(&path);
    recorder.samples(Tick(0), &samples(0, 10));
    drop(recorder);
    let store = Store::open_to_read(&path).unwrap();
    assert_eq!(store.run(1).unwrap().state, RunState::Interrupted);
    assert_eq!(store.samples(1, Channel::Status).unwrap().samples(), 10);
}

#[test]
fn a_run_that_cannot_begin_is_told_at_once() {
    let (_folder, path) = folder();
    store_of(1, &path);
    let store = Store::open_to_read(&path).unwrap();
    let error = Recorder::start(store, &head("a"), &std::env::temp_dir()).unwrap_err();
    assert!(matches!(error, StoreError::NotPermitted { .. }), "{error}");
}

#[test]
fn a_failure_shows_while_recording_goes_on() {
    let (_folder, path) = folder();
    let (mut recorder, _) = start(&path);
    let mut bad = finding("bad", Verdict::Pass);
    bad.value.as_mut().unwrap().coverage_factor = f64::INFINITY;
    recorder.record(Entry::Finding(bad));
    recorder.commit();
    while recorder.failed().is_none() {
        std::thread::yield_now();
    }
    assert!(matches!(recorder.failed(), Some(StoreError::Unwritable { .. })));
    recorder.samples(Tick(0), &samples(0, 10));
    let not_sealed = recorder.finish(&outcome(), "{}").unwrap_err();
    assert!(not_sealed.rescued.is_none(), "all else is written, and it is no more writable elsewhere");
    let store = Store::open_to_read(&path).unwrap();
    assert_eq!(store.run(1).unwrap().state, RunState::Interrupted);
    assert_eq!(store.samples(1, Channel::Status).unwrap().samples(), 10);
}
