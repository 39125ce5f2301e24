//! A store that goes away in the middle of a run, or stops answering: it is told, and the run is not lost.

use crate::sample::*;
use rusqlite::Connection;
use std::path::Path;
use std::time::Duration;
use stepwell_procedure::record::Entry;
use stepwell_protocol::channel::Channel;
use stepwell_protocol::time::Tick;
use stepwell_store::{Missing, NotSealed, Recorder, Rescued, Store, StoreError};

/// Records three seconds, does something to the store, records three more.
fn through(path: &Path, rescue: &Path, happens: impl Fn()) -> Result<u64, Box<NotSealed>> {
    let (mut recorder, _) = Recorder::start(Store::open(path).unwrap(), &head("a"), rescue).unwrap();
    for second in 0..6 {
        if second == 3 {
            recorder.catch_up();
            happens();
        }
        recorder.record(Entry::Finding(finding("x", stepwell_procedure::finding::Verdict::Pass)));
        recorder.samples_at(
            Tick(second * 1_000),
            u64::from(second) * 1_000_000,
            &samples(second * 1_000, 1_000),
        );
        recorder.commit();
    }
    recorder.catch_up();
    assert!(matches!(recorder.failed(), Some(StoreError::Gone { .. })), "{:?}", recorder.failed());
    recorder.finish(&outcome(), LINK_STATISTICS)
}

fn expect_whole(rescued: &Rescued) {
    let store = Store::open_to_read(&rescued.path).unwrap();
    assert!(store.verify(rescued.number).unwrap().sealed);
    let run = store.run(rescued.number).unwrap();
    assert_eq!((run.head, run.outcome, run.findings.len()), (head("a"), outcome(), 6));
    let note = &run.events.last().unwrap().text;
    assert!(note.starts_with("rescued from run 1 of ") && note.contains("was moved or removed"), "{note}");
    for channel in Channel::ALL {
        let column = store.samples(rescued.number, channel).unwrap();
        assert_eq!((column.pieces.len(), column.samples()), (1, 6_000));
        let counts = column.pieces[0].counts.iter();
        assert!(counts.zip(0..).all(|(&is, tick)| is == count(tick, channel.index())));
    }
    assert_eq!(store.runs().unwrap()[0].ticks, 6_000);
}

#[test]
fn a_run_whose_folder_is_removed_is_rescued_whole() {
    let (folder, rescue) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let path = folder.path().join("bench").join("runs.stepwell");
    std::fs::create_dir(path.parent().unwrap()).unwrap();
    let end = through(&path, rescue.path(), || std::fs::remove_dir_all(path.parent().unwrap()).unwrap());
    let rescued = end.unwrap_err().rescued.unwrap().unwrap();
    assert_eq!(rescued.part, None);
    expect_whole(&rescued);
}

#[test]
fn a_run_whose_journal_is_removed_is_rescued_whole() {
    let ((_folder, path), rescue) = (folder(), tempfile::tempdir().unwrap());
    let journal = path.with_file_name("runs.stepwell-wal");
    let end = through(&path, rescue.path(), || std::fs::remove_file(&journal).unwrap());
    expect_whole(&end.unwrap_err().rescued.unwrap().unwrap());
}

#[test]
fn a_store_that_another_file_was_put_over_is_noticed() {
    let ((folder, path), rescue) = (folder(), tempfile::tempdir().unwrap());
    let other = folder.path().join("other");
    store_of(2, &other);
    let end = through(&path, rescue.path(), || std::fs::rename(&other, &path).unwrap());
    expect_whole(&end.unwrap_err().rescued.unwrap().unwrap());
}

#[test]
fn a_rescue_that_fails_says_why() {
    let (folder, path) = folder();
    let nowhere = folder.path().join("no").join("such");
    let end = through(&path, &nowhere, || std::fs::rename(&path, path.with_extension("old")).unwrap());
    let error = end.unwrap_err().rescued.unwrap().unwrap_err();
    assert!(error.to_string().contains("no/such"), "{error}");
}

#[test]
fn a_store_that_does_not_answer_is_told_and_takes_all_when_it_does() {
    let (_folder, path) = folder();
    let (mut recorder, _) =
        Recorder::start(Store::open(&path).unwrap(), &head("a"), Path::new("nowhere")).unwrap();
    let other = Connection::open(&path).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    for half in 0..10 {
        recorder.samples(Tick(half * 500), &samples(half * 500, 500));
        recorder.commit();
        assert!(recorder.failed().is_none());
    }
    recorder.commit();
    let told = recorder.failed().map(ToString::to_string).unwrap_or_default();
    assert!(told.contains("has not answered for 5 s"), "{told}");
    other.execute_batch("ROLLBACK").unwrap();
    recorder.finish(&outcome(), "{}").unwrap();
    let store = Store::open_to_read(&path).unwrap();
    assert!(store.verify(1).unwrap().sealed);
    assert_eq!(store.samples(1, Channel::Status).unwrap().samples(), 5_000);
}

#[test]
fn what_was_said_before_a_silence_is_committed_in_it() {
    let (_folder, path) = folder();
    let (mut recorder, _) =
        Recorder::start(Store::open(&path).unwrap(), &head("a"), Path::new("nowhere")).unwrap();
    recorder.samples(Tick(0), &samples(0, 10));
    let store = Store::open_to_read(&path).unwrap();
    let seen = (0..200).any(|_| {
        #[expect(clippy::disallowed_methods, reason = "waits for another thread to write")]
        std::thread::park_timeout(Duration::from_millis(50));
        store.samples(1, Channel::Status).unwrap().samples() == 10
    });
    assert!(seen);
}

#[test]
fn what_waits_is_counted() {
    let (_folder, path) = folder();
    let mut store = Store::open(&path).unwrap();
    let mut writer = store.begin(&head("a")).unwrap();
    assert_eq!(writer.missing(), Missing::default());
    writer.samples(Tick(500), &samples(500, 20));
    writer.samples(Tick(700), &samples(700, 30));
    writer.entry(&entries()[0]);
    assert_eq!(writer.missing(), Missing { entries: 1, ticks: 50, from: Some(Tick(500)) });
    writer.commit().unwrap();
    assert_eq!(writer.missing(), Missing::default());
}
