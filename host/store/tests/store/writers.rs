//! Several programs at one store. Connections of one program behave to each other as those of several.

use crate::round_trip::expect_run;
use crate::sample::*;
use rusqlite::Connection;
use std::sync::Barrier;
use stepwell_protocol::time::Tick;
use stepwell_store::{RunState, Store};

#[test]
fn two_runs_written_at_once_do_not_touch_each_other() {
    let (_folder, path) = folder();
    let (mut one, mut two) = (Store::open(&path).unwrap(), Store::open(&path).unwrap());
    let mut first = one.begin(&head("first")).unwrap();
    let mut second = two.begin(&head("second")).unwrap();
    assert_eq!((first.number(), second.number()), (1, 2));
    for second_s in 0..5 {
        first.samples(Tick(second_s * 1_000), &samples(second_s * 1_000, 1_000));
        first.commit().unwrap();
        second.samples(Tick(second_s * 1_000 + 7), &samples(second_s * 1_000 + 7, 1_000));
        second.commit().unwrap();
    }
    second.seal(&outcome(), "{}").unwrap();
    let reader = Store::open_to_read(&path).unwrap();
    let states: Vec<_> = reader.runs().unwrap().into_iter().map(|run| run.state).collect();
    assert_eq!(states, [RunState::Running, RunState::Sealed]);
    first.seal(&outcome(), "{}").unwrap();
    for number in [1, 2] {
        assert!(reader.verify(number).unwrap().sealed);
        assert_eq!(reader.runs().unwrap()[number as usize - 1].ticks, 5_000);
    }
}

#[test]
fn programs_that_start_together_on_a_new_file_get_one_run_each() {
    let (_folder, path) = folder();
    let programs = 6;
    let start = Barrier::new(programs);
    let mut numbers: Vec<u64> = std::thread::scope(|scope| {
        let programs: Vec<_> = (0..programs)
            .map(|_| {
                scope.spawn(|| {
                    start.wait();
                    write_run(&mut Store::open(&path).unwrap(), "together")
                })
            })
            .collect();
        programs.into_iter().map(|program| program.join().unwrap()).collect()
    });
    numbers.sort_unstable();
    assert_eq!(numbers, [1, 2, 3, 4, 5, 6]);
    let store = Store::open_to_read(&path).unwrap();
    for number in numbers {
        store.verify(number).unwrap();
        expect_run(&store, number, "together");
    }
}

/// Each is refused at once by SQLite when it meets another at the instant at which a new file gets its journal,
/// so it takes many new files to meet that instant.
#[test]
fn nobody_who_starts_on_a_new_file_is_sent_away() {
    let programs = 6;
    for _ in 0..40 {
        let (_folder, path) = folder();
        let start = Barrier::new(programs);
        std::thread::scope(|scope| {
            for _ in 0..programs {
                scope.spawn(|| {
                    start.wait();
                    Store::open(&path).unwrap();
                });
            }
        });
    }
}

#[test]
fn a_reader_sees_one_instant_and_holds_nobody_up() {
    let (_folder, path) = folder();
    store_of(1, &path);
    let reader = Connection::open(&path).unwrap();
    reader.execute_batch("BEGIN; SELECT count(*) FROM runs").unwrap();
    let mut store = Store::open(&path).unwrap();
    assert_eq!(write_run(&mut store, "second"), 2);
    let seen: i64 = reader.query_row("SELECT count(*) FROM runs", [], |row| row.get(0)).unwrap();
    assert_eq!(seen, 1);
    assert_eq!(Store::open_to_read(&path).unwrap().runs().unwrap().len(), 2);
}
