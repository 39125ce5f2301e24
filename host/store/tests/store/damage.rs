//! A damaged file says what is wrong with it, or reads as it was written; it never reads as something
//! else while `verify` is content.

use crate::sample::*;
use rusqlite::Connection;
use std::path::Path;
use stepwell_protocol::channel::Channel;
use stepwell_store::{Column, Store, StoreError, StoredRun};

const RUNS: u64 = 2;

type Content = Vec<(StoredRun, Vec<Column>)>;

fn content(store: &Store, number: u64) -> Result<(StoredRun, Vec<Column>), StoreError> {
    let columns = Channel::ALL.iter().map(|&channel| store.samples(number, channel));
    Ok((store.run(number)?, columns.collect::<Result<_, _>>()?))
}

/// A closed store, byte for byte, and what is in it.
fn sound(folder: &Path) -> (Vec<u8>, Content) {
    let path = folder.join("sound");
    store_of(RUNS, &path);
    let store = Store::open_to_read(&path).unwrap();
    let content = (1..=RUNS).map(|number| content(&store, number).unwrap()).collect();
    drop(store);
    (std::fs::read(&path).unwrap(), content)
}

/// Checks one damaged file. Returns whether the damage was noticed.
fn check(path: &Path, bytes: &[u8], sound: &Content, what: &str) -> bool {
    std::fs::write(path, bytes).unwrap();
    let store = match Store::open_to_read(path) {
        Ok(store) => store,
        Err(error) => return expect_clear(&error, what),
    };
    let mut noticed = false;
    for (number, sound) in (1..).zip(sound) {
        match store.verify(number) {
            Err(error) => noticed |= expect_clear(&error, what),
            Ok(verified) => {
                let content = content(&store, number)
                    .unwrap_or_else(|error| panic!("{what}: verified but not readable: {error}"));
                assert!(verified.sealed, "{what}: the seal is gone unnoticed");
                assert!(content == *sound, "{what}: verified but different");
            }
        }
        // Whatever reading without verifying brings, it must not panic.
        let _whatever = (content(&store, number).is_ok(), store.runs().is_ok());
    }
    noticed
}

fn expect_clear(error: &StoreError, what: &str) -> bool {
    assert!(
        matches!(
            error,
            StoreError::NothingStored { .. }
                | StoreError::NotAStore { .. }
                | StoreError::Newer { .. }
                | StoreError::Damaged { .. }
                | StoreError::BadRecord { .. }
                | StoreError::NoSuchRun { .. }
        ),
        "{what}: {error:?}"
    );
    true
}

/// Every `step`th byte, with one bit flipped and with all flipped.
fn flip(step: usize) {
    let (folder, path) = folder();
    let (bytes, sound) = sound(folder.path());
    let mut unnoticed = 0;
    for at in (0..bytes.len()).step_by(step) {
        for flip in [1 << (at % 8), 0xff] {
            let mut bad = bytes.clone();
            bad[at] ^= flip;
            unnoticed += u32::from(!check(&path, &bad, &sound, &format!("byte {at} flipped by {flip:#x}")));
        }
    }
    // Bytes that hold nothing exist (free room in pages, fields of the header), so not all can be noticed.
    println!("{unnoticed} flips changed nothing");
}

#[test]
fn flipped_bytes_are_noticed_or_mean_nothing() {
    flip(499);
}

#[test]
#[ignore = "takes ten minutes in a release build; the test above takes a sample"]
fn each_flipped_byte_is_noticed_or_means_nothing() {
    flip(1);
}

#[test]
fn a_file_cut_off_anywhere_is_noticed() {
    let (folder, path) = folder();
    let (bytes, sound) = sound(folder.path());
    for length in (0..bytes.len()).step_by(509).chain([1, 15, 16, 99, 100, 4_095, 4_096, bytes.len() - 1]) {
        assert!(check(&path, &bytes[..length], &sound, &format!("cut to {length}")), "cut to {length}");
    }
}

#[test]
fn a_file_that_was_cut_says_how_much_of_it_is_there() {
    let (folder, path) = folder();
    let (bytes, _) = sound(folder.path());
    std::fs::write(&path, &bytes[..bytes.len() - 10_000]).unwrap();
    for error in [Store::open(&path).unwrap_err(), Store::open_to_read(&path).unwrap_err()] {
        let expected = format!("cut short: {} of {} bytes are there", bytes.len() - 10_000, bytes.len());
        assert!(error.to_string().contains(&expected), "{error}");
    }
}

/// Changes made with another tool, which leave a perfectly good database.
#[test]
fn the_first_bad_record_is_named() {
    // Records of a run: 0 head; 1 event; 2..=15 chunks of 600 ticks; 16 burst; 17..=30 chunks of 900;
    // 31 finding; 32..=45 chunks of 700; 46 finding; 47 step; 48 event; 49 seal.
    // The last entries and the last chunks are written in one commit, entries first.
    let cases = [
        ("UPDATE runs SET head = replace(head, 'Heron', 'Egret')", 0, "the head"),
        ("UPDATE runs SET digest = zeroblob(32)", 0, "the head"),
        ("UPDATE entries SET body = replace(body, 'pass', 'fail') WHERE kind = 'finding'", 31, "finding"),
        ("UPDATE entries SET kind = 'step' WHERE kind = 'event'", 1, "step"),
        ("UPDATE chunks SET first_tick = first_tick + 1 WHERE seq = 18", 18, "feed_pressure"),
        ("UPDATE chunks SET first_us = NULL WHERE seq = 18", 18, "feed_pressure"),
        ("UPDATE chunks SET channel = 'flow_edge' WHERE seq = 18", 18, "flow_edge"),
        ("UPDATE chunks SET blob = zeroblob(20) WHERE seq IN (5, 18)", 5, "pressure_current"),
        ("DELETE FROM chunks WHERE seq = 20", 20, "missing"),
        ("DELETE FROM entries", 1, "missing"),
        (
            "UPDATE chunks SET seq = -1 WHERE seq = 3; UPDATE chunks SET seq = 3 WHERE seq = 4; \
             UPDATE chunks SET seq = 4 WHERE seq = -1",
            3,
            "inlet_current",
        ),
        ("UPDATE seals SET body = replace(body, 'gated', 'completed')", 49, "the seal"),
        ("INSERT INTO entries VALUES (1, 50, 'event', '{}', zeroblob(32))", 50, "after the seal"),
    ];
    let (folder, path) = folder();
    let (bytes, _) = sound(folder.path());
    for (sql, seq_expected, says) in cases {
        std::fs::write(&path, &bytes).unwrap();
        Connection::open(&path).unwrap().execute_batch(sql).unwrap();
        let error = Store::open_to_read(&path).unwrap().verify(1).unwrap_err();
        let StoreError::BadRecord { run: 1, seq, ref record, .. } = error else { panic!("{sql}: {error}") };
        assert_eq!(seq, seq_expected, "{sql}: {error}");
        assert!(record.contains(says), "{sql}: {error}");
    }
}

/// A seal that has slipped to a run that is not there would otherwise make its run look broken off.
#[test]
fn a_record_that_belongs_to_no_run_is_noticed() {
    let (folder, path) = folder();
    let (bytes, _) = sound(folder.path());
    for table in ["seals", "entries", "chunks"] {
        std::fs::write(&path, &bytes).unwrap();
        let connection = Connection::open(&path).unwrap();
        connection.pragma_update(None, "foreign_keys", false).unwrap();
        connection.execute(&format!("UPDATE {table} SET run = 66 WHERE run = 2"), []).unwrap();
        drop(connection);
        let error = Store::open_to_read(&path).unwrap().verify(1).unwrap_err();
        assert!(matches!(error, StoreError::Damaged { .. }), "{error}");
        assert!(error.to_string().contains(table), "{error}");
    }
}

/// What no digest can show: without its seal a run looks broken off.
#[test]
fn a_removed_seal_makes_an_interrupted_run() {
    let (folder, path) = folder();
    let (bytes, _) = sound(folder.path());
    std::fs::write(&path, &bytes).unwrap();
    Connection::open(&path).unwrap().execute_batch("DELETE FROM seals").unwrap();
    let verified = Store::open_to_read(&path).unwrap().verify(1).unwrap();
    assert!(!verified.sealed);
}
