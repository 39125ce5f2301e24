//! Errors on demand: each is the error of the real thing, it costs nothing that was taken, and it ends
//! when it is told to. Run with `--features faults`.

#![cfg(feature = "faults")]
#![expect(clippy::unwrap_used, reason = "a test that meets an error it does not expect has failed")]

#[path = "store/sample.rs"]
#[allow(dead_code, reason = "shared with the other tests of the store")]
mod sample;

use sample::{folder, head, outcome, samples};
use stepwell_protocol::channel::Channel;
use stepwell_protocol::time::Tick;
use stepwell_store::{Failing, RunWriter, Store, StoreError};

/// Sets the fault after one committed second, goes on for twenty, takes it away, seals: errors by second.
fn through(fault: impl Fn(&RunWriter<'_>, bool)) -> Vec<StoreError> {
    let (_folder, path) = folder();
    let mut store = Store::open(&path).unwrap();
    let mut writer = store.begin(&head("a")).unwrap();
    writer.samples(Tick(0), &samples(0, 1_000));
    writer.commit().unwrap();
    fault(&writer, true);
    let errors = (1..20)
        .map(|second| {
            writer.samples(Tick(second * 1_000), &samples(second * 1_000, 1_000));
            writer.commit().unwrap_err()
        })
        .collect();
    let kept = Store::open_to_read(&path).unwrap();
    assert_eq!(kept.samples(1, Channel::Status).unwrap().samples(), 1_000, "what was committed stays");
    drop(kept);
    fault(&writer, false);
    writer.seal(&outcome(), "{}").unwrap();
    let column = store.samples(1, Channel::RailPressure).unwrap();
    assert_eq!((column.samples(), column.gaps().count()), (20_000, 0), "nothing that was taken is lost");
    assert!(store.verify(1).unwrap().sealed);
    errors
}

#[test]
fn a_disk_that_fills_and_empties_again() {
    for error in through(|writer, full| writer.disk_full(full).unwrap()) {
        assert!(matches!(error, StoreError::Full { .. }), "{error}");
    }
}

#[test]
fn a_right_to_write_that_is_taken_and_given_back() {
    for error in through(|writer, read_only| writer.read_only(read_only).unwrap()) {
        assert!(matches!(error, StoreError::NotPermitted { .. }), "{error}");
    }
}

#[test]
fn a_disk_that_fails_to_write_or_to_sync_and_recovers() {
    for failing in [Failing::Write, Failing::Sync] {
        for error in through(|writer, fails| writer.disk_fails(fails.then_some(failing))) {
            assert!(
                matches!(&error, StoreError::System { found, .. } if found.contains("disk I/O error")),
                "{failing:?}: {error}"
            );
        }
    }
}
