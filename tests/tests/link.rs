//! The built program over a line that is harmed, cut, put together again and held up, in real time.
//! Bounds are those of [`Event::bound`]; what may be told at the end is what the table of endings in
//! DEVELOPERS.md allows.

use std::io::Read;
use std::path::Path;
use std::process::Child;
use std::time::Duration;
use stepwell_protocol::state::State;
use stepwell_tests::real::bench::{Bench, Seen};
use stepwell_tests::real::line::Handling;
use stepwell_tests::real::stop::{self, AtWork, Event, energised, exit_code};
use stepwell_tests::real::{self, UNDER_PRESSURE, shown};
use stepwell_tests::shipped::Scenario;
use tempfile::TempDir;

/// A run of these tests is over within this.
const RUN_MAX: Duration = Duration::from_secs(25);

fn folder() -> TempDir {
    tempfile::tempdir().expect("a folder for its runs")
}

fn heron(seed: u64) -> Scenario {
    Scenario::healthy("electrical", "heron", seed)
}

/// Everything that a program said on standard error.
fn errors(child: &mut Child) -> String {
    let mut said = String::new();
    child.stderr.take().expect("it was piped").read_to_string(&mut said).expect("it prints text");
    said
}

/// Whether run 1 is kept to its end.
fn sealed(folder: &Path) -> bool {
    let shown = shown(folder);
    shown.contains("Verdict:") && !shown.contains("interrupted")
}

#[test]
fn on_a_line_that_harms_one_piece_in_twenty_a_run_ends_in_words_and_the_bench_at_rest() {
    std::thread::scope(|scope| {
        for seed in 1..=3 {
            scope.spawn(move || {
                let folder = folder();
                let bench = Bench::start(&heron(seed), &folder.path().join("port"), 50);
                let mut program = stop::spoken(folder.path(), &bench, "heron", UNDER_PRESSURE);
                let code = exit_code(&mut program, RUN_MAX);
                let said = errors(&mut program);
                assert!(matches!(code, Some(0 | 3..=6)), "seed {seed}: {code:?}\n{said}");
                assert!(sealed(folder.path()), "seed {seed}: {}", shown(folder.path()));
                bench.wait("at rest", |bench| bench.latest().is_some_and(|seen| !energised(&seen)));
            });
        }
    });
}

#[test]
fn a_cable_pulled_in_a_dwell_is_told_and_the_bench_is_at_rest_by_itself() {
    let folder = folder();
    let AtWork { folder, bench, mut terminal } = AtWork::begin(folder.path(), &heron(1), false);
    let at = bench.handle(Handling::Unplug);
    let pulled = bench.latest().expect("it has ticked").tick;
    let status = terminal.ends_within(Duration::from_secs(5)).expect("it ends");
    let said = terminal.text();
    assert_eq!(status.code(), Some(5), "{said}");
    bench.wait("tripped", |bench| bench.latest().is_some_and(|seen| seen.state == State::Tripped));
    let worked = bench.since(at).into_iter().rfind(Seen::works).map_or(0, |seen| seen.tick - pulled);
    assert!(worked <= 500, "{worked} ms of board time");
    let shown = shown(&folder);
    assert!(shown.contains("link lost: the port is gone: cable pulled") && sealed(&folder), "{shown}");
}

#[test]
fn a_cable_put_back_brings_readings_back_and_nothing_else() {
    let folder = folder();
    let AtWork { folder, bench, mut terminal } = AtWork::begin(folder.path(), &heron(1), true);
    bench.handle(Handling::Unplug);
    terminal.wait_for("LINK LOST");
    terminal.wait_for("Does it read zero?");
    bench.wait("at rest", |bench| bench.latest().is_some_and(|seen| !energised(&seen)));
    let plugged = bench.handle(Handling::Plug);
    terminal.wait_for("LINK BACK, WATCHING ONLY");
    terminal.wait_for("TRIPPED");
    assert!(!terminal.text().contains("Rail pressure                  --"), "{}", terminal.text());
    terminal.rest(Duration::from_secs(2));
    let since = bench.since(plugged);
    assert!(since.len() > 1_000 && !since.iter().any(energised), "it was energised again");
    assert!(terminal.text().contains("Does it read zero?"), "{}", terminal.text());
    terminal.press("\r");
    terminal.wait_for("Verdict: NOT MEASURED");
    terminal.press("q");
    let status = terminal.ends_within(Duration::from_secs(5)).expect("q leaves");
    assert_eq!(status.code(), Some(5), "the run stays a lost one");
    assert!(!bench.since(plugged).iter().any(energised), "it was energised again");
    assert!(shown(&folder).contains("link lost"));
}

#[test]
fn a_port_that_takes_no_more_bytes_holds_up_neither_keys_nor_screen_nor_record() {
    let folder = folder();
    let at_work = AtWork::begin(folder.path(), &heron(1), true);
    let stopped = at_work.let_happen(Event::Stalled);
    assert!(stopped.is_as_it_should(Event::Stalled), "{stopped:?}");
    let AtWork { folder, bench, mut terminal } = at_work;
    terminal.press("h");
    terminal.wait_for("this help");
    terminal.press("h");
    terminal.wait_for("Does it read zero?");
    // The second stop closes the question.
    terminal.press(" ");
    terminal.wait_for("Kept as run 1");
    terminal.press("q");
    assert!(terminal.ends_within(Duration::from_secs(5)).is_some(), "it hangs:\n{}", terminal.text());
    assert!(sealed(&folder), "{}", shown(&folder));
    assert!(!bench.latest().is_some_and(|seen| energised(&seen)));
}

#[test]
fn a_program_that_was_asleep_finds_the_bench_tripped_and_says_so() {
    let folder = folder();
    let at_work = AtWork::begin(folder.path(), &heron(2), false);
    let stopped = at_work.let_happen(Event::Suspended);
    assert!(stopped.is_as_it_should(Event::Suspended), "{stopped:?}");
    let AtWork { folder, bench, mut terminal } = at_work;
    let woken = real::now();
    let status = terminal.ends_within(RUN_MAX).expect("it ends");
    assert_eq!(status.code(), Some(6), "{}", terminal.text());
    assert!(!bench.since(woken).iter().any(energised), "it was energised again");
    let shown = shown(&folder);
    assert!(shown.contains("the host fell silent"), "{shown}");
}

#[test]
fn a_run_that_was_stopped_by_the_end_of_its_program_says_so_and_one_that_the_operator_stopped_before_does_not()
 {
    let _ = real::program();
    let ends = |seed: u64, screens: bool, events: &[Event]| {
        let folder = folder();
        let mut at_work = AtWork::begin(folder.path(), &heron(seed), screens);
        for event in events {
            at_work.let_happen(*event);
        }
        assert!(at_work.terminal.ends_within(RUN_MAX).is_some(), "{events:?}");
        shown(&at_work.folder)
    };
    std::thread::scope(|scope| {
        for (seed, screens, event) in
            [(11, false, Event::Ended), (12, true, Event::Ended), (13, true, Event::WindowClosed)]
        {
            scope.spawn(move || {
                let shown = ends(seed, screens, &[event]);
                assert_eq!(shown.matches("it was ended from outside").count(), 2, "{event:?}: {shown}");
            });
        }
        scope.spawn(move || {
            let shown = ends(14, true, &[Event::Space, Event::Ended]);
            assert!(shown.contains("Ended:   stopped by the operator"), "{shown}");
        });
    });
}

/// Each once; `stop_key` measures their distributions.
#[test]
fn whatever_happens_to_program_key_or_line_the_bench_stops_within_its_bound() {
    let _ = real::program();
    let once = |(seed, event): (u64, Event)| {
        let folder = folder();
        let stopped = stop::once(event, seed, folder.path());
        assert!(stopped.is_as_it_should(event), "{}: {stopped:?}", event.name());
        assert!(stopped.rail_pa > 1e6, "{}: nothing was at stake: {stopped:?}", event.name());
    };
    std::thread::scope(|scope| {
        for (seed, event) in (100..).zip(Event::ALL) {
            scope.spawn(move || once((seed, event)));
        }
    });
}
