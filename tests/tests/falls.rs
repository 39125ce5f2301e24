//! The built program at work on a bench under pressure, and one of its threads falls over.

use std::time::Duration;
use stepwell_protocol::channel::Channel;
use stepwell_protocol::time::Tick;
use stepwell_store::Store;
use stepwell_tests::real::bench::Seen;
use stepwell_tests::real::fall::{self, Fall};
use stepwell_tests::real::stop::{AtWork, Event, energised};
use stepwell_tests::real::{self, shown};
use stepwell_tests::shipped::Scenario;

/// What is left of a run: whoever is left stops it and seals it, or what was written of it is there.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Kept {
    Sealed,
    Interrupted,
}

/// A run is on disk up to its last second (docs/store.md).
const LOST_MS_MAX: i32 = 1_000;

/// A staged stop takes 5 s at most, the tear-down's vent one; and as much again for a busy computer.
const ENDS_MAX: Duration = Duration::from_secs(12);

/// With the session the program has nobody left who could say stop: the lease stops the bench.
fn bound(thread: &str) -> Duration {
    if thread == "session" { Event::Killed.bound() } else { Event::Space.bound() }
}

fn falls(thread: &'static str, screens: bool, kept: Kept) {
    let case = format!("{thread}, {}", if screens { "screens" } else { "run" });
    let folder = tempfile::tempdir().expect("a folder for its runs");
    let fall = Fall::of(thread, folder.path());
    let heron = Scenario::healthy("electrical", "heron", 1);
    let mut at_work = AtWork::prepared(folder.path(), &heron, screens, |command| fall.prepare(command));
    let stood = fall.happen();
    let at_fall = at_work.bench.before(stood).expect("it has ticked");
    assert!(at_fall.rail_pa > 1e6, "{case}: nothing was at stake: {at_fall:?}");
    let worked = at_work.bench.still(stood, Seen::works);
    assert!(worked <= bound(thread), "{case}: worked on for {worked:?}");
    let rested = real::now();
    let status = at_work.terminal.ends_within(ENDS_MAX);
    let terminal = &at_work.terminal;
    assert_eq!(status.and_then(|status| status.code()), Some(1), "{case}: {}", terminal.text());
    terminal.wait_for(&format!("a fault of its own, report it: thread {thread} "));
    terminal.wait_for(fall::WORDS);
    assert!(terminal.given_back(), "{case}: the terminal is not as it was: {}", terminal.text());
    assert!(!at_work.bench.since(rested).iter().any(energised), "{case}: it was energised again");
    let shown = shown(&at_work.folder);
    let ended = match kept {
        Kept::Sealed => "stopped by the program: a part of it fell over",
        Kept::Interrupted => "interrupted: the program ended in the middle of the run",
    };
    assert!(shown.contains(&format!("Ended:   {ended}")), "{case}: {shown}");
    let store = Store::open_to_read(&at_work.folder.join("runs")).expect("it can be read");
    let kept = store.samples(1, Channel::Status).expect("it has samples").pieces;
    let end = kept.last().map(|piece| piece.first.plus_ms(piece.counts.len() as u32));
    let lost_ms = Tick(at_fall.tick).ms_since(end.expect("it has some"));
    assert!(lost_ms <= LOST_MS_MAX, "{case}: {lost_ms} ms before the fall are lost");
}

#[test]
fn whichever_thread_falls_over_the_bench_stops_the_run_is_kept_and_the_terminal_given_back() {
    let _ = real::program();
    std::thread::scope(|scope| {
        for (thread, screens, kept) in [
            ("main", true, Kept::Sealed),
            ("keys", true, Kept::Sealed),
            ("screen", true, Kept::Sealed),
            ("session", true, Kept::Interrupted),
            ("recorder", true, Kept::Interrupted),
            ("main", false, Kept::Interrupted),
            ("session", false, Kept::Interrupted),
            ("recorder", false, Kept::Interrupted),
        ] {
            scope.spawn(move || falls(thread, screens, kept));
        }
    });
}
