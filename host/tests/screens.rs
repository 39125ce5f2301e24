//! The screens as a process on a pseudo-terminal: the end of a run, a window that is closed, a program
//! that is ended while it asks, a key that is held down.

#[path = "program/process.rs"]
#[allow(dead_code, reason = "shared with the tests of the command line")]
mod process;
#[path = "program/terminal.rs"]
#[allow(dead_code, reason = "shared with other tests of the terminal")]
mod terminal;

use process::{PURGE, Served, folder, silent_port, stepwell, told};
use rustix::process::{Signal, kill_process_group};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;
use terminal::OnTerminal;

const ENTER: &str = "\r";

/// Longer than the screens want between two keys.
const A_MOMENT: Duration = Duration::from_millis(900);

/// A staged stop takes 5 s at most, the tear-down's vent one, the wait for the terminal 5 s; and as much again for a
/// busy computer.
const ENDS_MAX: Duration = Duration::from_secs(22);

/// Asks once before and once after the energy, and drives coils in between.
const SHORT: &str = r#"
stepwell = "procedure"
format = 1
name = "short"
title = "Short"

[[main]]
step = "electrical"
name = "coils"
title = "Coils"
dwell = "0.5 s"

[[tear_down]]
step = "confirm"
name = "last"
title = "The last question"
text = "All put away?"
"#;

fn screens(folder: &Path, procedure: &str) -> Command {
    let file = folder.join("procedure.toml");
    std::fs::write(&file, procedure).expect("the folder is ours");
    let mut command = stepwell(&folder.join("runs"));
    command.arg("--procedure").arg(file);
    command
}

fn press_after_a_moment(screens: &OnTerminal, key: &str) {
    screens.rest(A_MOMENT);
    screens.press(key);
}

fn begin(screens: &OnTerminal) {
    screens.wait_for("Enter start");
    press_after_a_moment(screens, ENTER);
    screens.wait_for("CAUTION");
    press_after_a_moment(screens, "y");
}

/// Screens whose run has energised something on a bench of its own, and the folder of its runs.
fn at_work(name: &str) -> (PathBuf, Served, OnTerminal) {
    at_work_under("exec \"$@\"", name)
}

/// The same under a shell that carries out this script.
fn at_work_under(script: &str, name: &str) -> (PathBuf, Served, OnTerminal) {
    let folder = folder(name);
    let bench = Served::start(&[]);
    let mut run = screens(&folder, PURGE);
    run.args(["--port", bench.port(), "--id", "P-5"]);
    let mut command = Command::new("sh");
    command.args(["-c", script, "sh"]).arg(run.get_program()).args(run.get_args());
    let screens = OnTerminal::start(&command);
    begin(&screens);
    bench.wait_for("energised");
    (folder, bench, screens)
}

fn q_leaves(screens: &mut OnTerminal, code: i32) {
    screens.press("q");
    let status = screens.ends_within(Duration::from_secs(5)).expect("q leaves");
    assert_eq!(status.code(), Some(code));
}

fn ended(folder: &Path) -> String {
    told(stepwell(&folder.join("runs")).args(["show", "1"])).out
}

#[test]
fn a_run_ends_with_its_findings_on_the_screen_and_q_leaves() {
    let folder = folder("screens-end");
    let mut screens = OnTerminal::start(&screens(&folder, SHORT));
    // Again and again: what was lost was lost most of the time, not always.
    for run in 1..=3 {
        begin(&screens);
        screens.wait_for("The last question");
        press_after_a_moment(&screens, ENTER);
        screens.wait_for("Verdict: PASS");
        screens.wait_for(&format!("Kept as run {run}"));
        screens.wait_for("Inlet coil resistance");
        if run < 3 {
            press_after_a_moment(&screens, ENTER);
        }
    }
    q_leaves(&mut screens, 0);
}

#[test]
fn a_lost_link_is_said_and_leaves_no_reading_behind() {
    let folder = folder("screens-lost");
    let bench = Served::start(&[]);
    let mut command = screens(&folder, SHORT);
    command.args(["--port", bench.port(), "--id", "P-5"]);
    let screens = OnTerminal::start(&command);
    screens.wait_for("P-5");
    press_after_a_moment(&screens, ENTER);
    screens.wait_for("CAUTION");
    drop(bench);
    screens.wait_for("LINK LOST");
    assert!(screens.text().contains("PRESSURE NOT PROVEN ZERO"), "{}", screens.text());
    // The tear-down's questions are asked all the same.
    screens.wait_for("under pressure");
    while !screens.text().contains("NOT MEASURED") {
        press_after_a_moment(&screens, ENTER);
    }
    assert!(screens.text().contains("PRESSURE NOT PROVEN ZERO"), "{}", screens.text());
}

#[test]
fn a_stop_while_a_board_is_greeted_ends_the_run_and_is_called_a_stop() {
    let folder = folder("screens-greeting");
    let (_silent, port) = silent_port();
    let mut command = screens(&folder, SHORT);
    command.args(["--port", port.as_str(), "--id", "P-5"]);
    let mut screens = OnTerminal::start(&command);
    screens.wait_for("Enter start");
    press_after_a_moment(&screens, ENTER);
    screens.wait_for("waiting for the board");
    screens.press(" ");
    screens.wait_for("Ended: stopped by the operator");
    assert!(
        !screens.text().contains("LINK LOST") && !screens.text().contains("Kept as"),
        "{}",
        screens.text()
    );
    q_leaves(&mut screens, 130);
}

#[test]
fn closing_the_window_stops_the_bench_seals_the_run_and_ends_the_program() {
    let (folder, bench, mut screens) = at_work("screens-closed");
    screens.close();
    assert!(screens.ends_within(Duration::from_secs(15)).is_some(), "it goes on without a window");
    bench.wait_for("program gone");
    bench.wait_for("bench switched off, at rest");
    let shown = ended(&folder);
    assert!(shown.contains("Ended:   stopped"), "{shown}");
}

#[test]
fn a_program_that_is_ended_while_a_tear_down_question_stands_ends() {
    let folder = folder("screens-term");
    let mut screens = OnTerminal::start(&screens(&folder, SHORT));
    begin(&screens);
    screens.wait_for("The last question");
    screens.signal(Signal::TERM);
    assert!(screens.ends_within(Duration::from_secs(10)).is_some(), "it hangs:\n{}", screens.text());
    let shown = ended(&folder);
    assert!(shown.contains("Verdict:") && !shown.contains("interrupted"), "sealed: {shown}");
    assert!(shown.contains("nobody was there to answer: taken as no"), "{shown}");
    assert!(!shown.contains("answered: no"), "nobody has said it: {shown}");
}

#[test]
fn a_program_whose_terminal_takes_no_more_output_ends_when_it_is_told_to() {
    let (folder, bench, mut screens) = at_work("screens-stuck");
    screens.get_stuck();
    screens.signal(Signal::TERM);
    let status = screens.ends_within(ENDS_MAX).expect("it hangs on its terminal");
    assert_eq!(status.code(), Some(130));
    bench.wait_for("bench switched off, at rest");
    let shown = ended(&folder);
    // On a busy computer its lease may have run out before.
    assert!(shown.contains("Verdict:") && !shown.contains("interrupted"), "{shown}");
}

#[test]
fn the_stop_key_stops_in_the_instant_of_a_new_size_and_behind_any_number_of_keys() {
    for keys in [" ".to_owned(), "x".repeat(3_000) + " "] {
        let (_folder, _bench, screens) = at_work("screens-burst");
        screens.resize(90);
        screens.rest(Duration::from_millis(5));
        screens.press(&keys);
        screens.wait_for("Ended: stopped by the operator");
    }
}

#[test]
fn a_terminal_that_somebody_else_had_stops_the_run_and_keys_work_again() {
    let (_folder, _bench, mut screens) = at_work("screens-spoilt");
    screens.take_raw_mode_away();
    screens.wait_for("Ended: stopped by the program: its terminal was taken away");
    q_leaves(&mut screens, 130);
    assert!(screens.given_back(), "{}", screens.text());
}

#[test]
fn a_program_in_the_background_stops_its_run_and_leaves_the_terminal_to_the_shell() {
    let (_folder, bench, mut screens) =
        at_work_under("set -m; \"$@\"; bg; read -r _; fg", "screens-background");
    let job = screens.foreground();
    kill_process_group(job, Signal::STOP).expect("it is ours");
    while screens.foreground() == job {
        screens.rest(Duration::from_millis(10));
    }
    screens.take_raw_mode_away();
    bench.wait_for("at rest");
    // Whoever sets or reads the terminal from there is put to sleep again.
    screens.rest(Duration::from_millis(500));
    let told = std::fs::read_to_string(format!("/proc/{}/stat", job.as_raw_nonzero())).expect("it is there");
    let state = told.rsplit(") ").next().and_then(|rest| rest.chars().next());
    assert_ne!(state, Some('T'), "{told}");
    assert!(screens.takes_lines(), "the shell has its terminal");
    screens.press("\n");
    screens.wait_for("Ended: stopped by the program: its terminal was taken away");
    assert!(!screens.takes_lines(), "keys come one by one");
    q_leaves(&mut screens, 130);
    assert!(screens.given_back(), "{}", screens.text());
}

#[test]
fn a_terminal_on_which_nothing_can_be_seen_any_more_stops_the_run() {
    for size in [(0, 0), (u16::MAX, u16::MAX)] {
        let (_folder, bench, screens) = at_work("screens-no-size");
        screens.claim(size);
        bench.wait_for("at rest");
        screens.rest(A_MOMENT);
        screens.claim((80, 24));
        screens.wait_for("Ended: stopped by the program: its terminal was taken away");
    }
}

#[test]
fn the_terminal_that_somebody_sits_at_is_no_port() {
    let folder = folder("screens-own-port");
    let mut run = stepwell(&folder.join("runs"));
    run.args(["run", "electrical", "--id", "P-5", "--port", "/dev/tty"]);
    let mut terminal = OnTerminal::start(&run);
    let status = terminal.ends_within(Duration::from_secs(5)).expect("it does not begin");
    assert_eq!(status.code(), Some(5), "{}", terminal.text());
    terminal.wait_for("this is the terminal that the program sits on");
    assert!(terminal.given_back(), "{}", terminal.text());
}

#[test]
fn screens_that_nobody_could_see_are_not_opened() {
    let folder = folder("screens-unseen");
    let run = screens(&folder, SHORT);
    let mut command = Command::new("sh");
    command.args(["-c", "exec \"$@\" > \"$0\""]).arg(folder.join("words"));
    command.arg(run.get_program()).args(run.get_args());
    let mut screens = OnTerminal::start(&command);
    let status = screens.ends_within(Duration::from_secs(5)).expect("it does not begin");
    assert_eq!(status.code(), Some(2), "{}", screens.text());
    screens.wait_for("standard output is no terminal; use a terminal");
    assert_eq!(std::fs::read(folder.join("words")).expect("it is there"), b"");
}

#[test]
fn screens_that_a_log_would_be_written_over_are_not_opened() {
    let folder = folder("screens-log");
    let run = screens(&folder, SHORT);
    let mut command = Command::new("env");
    command.arg("STEPWELL_LOG=debug").arg(run.get_program()).args(run.get_args());
    let mut screens = OnTerminal::start(&command);
    let status = screens.ends_within(Duration::from_secs(5)).expect("it does not begin");
    assert_eq!(status.code(), Some(2), "{}", screens.text());
    screens.wait_for("send it into a file with 2> FILE");
}

#[test]
fn a_program_that_begins_on_a_terminal_that_takes_nothing_ends_when_it_is_told_to() {
    let folder = folder("screens-dumb");
    let run = screens(&folder, SHORT);
    let mut command = Command::new("sh");
    command.args(["-c", "sleep 0.5; exec \"$@\"", "sh"]).arg(run.get_program()).args(run.get_args());
    let mut screens = OnTerminal::start(&command);
    screens.get_stuck();
    let name = format!("/proc/{}/comm", screens.child.id());
    let begun = || std::fs::read_to_string(&name).is_ok_and(|name| name.trim() == "stepwell");
    assert!(!begun(), "it was stuck too late");
    while !begun() {
        screens.rest(Duration::from_millis(50));
    }
    screens.rest(Duration::from_secs(2));
    screens.signal(Signal::TERM);
    let status = screens.ends_within(ENDS_MAX).expect("it hangs on its terminal");
    assert_eq!(status.code(), Some(130));
}

#[test]
fn a_held_enter_answers_nothing_but_the_first_question() {
    let folder = folder("screens-held");
    let screens = OnTerminal::start(&screens(&folder, SHORT));
    screens.wait_for("Enter start");
    screens.rest(A_MOMENT);
    for _ in 0..200 {
        screens.press(ENTER);
        screens.rest(Duration::from_millis(33));
    }
    screens.wait_for("CAUTION");
    assert!(screens.text().contains("press y for yes"), "{}", screens.text());
}

#[test]
fn a_store_that_goes_away_is_said_at_once_and_the_run_is_put_elsewhere() {
    let folder = folder("screens-gone");
    let (bench, passing) = (folder.join("bench"), folder.join("passing"));
    std::fs::create_dir(&bench).expect("the folder is ours");
    std::fs::create_dir(&passing).expect("the folder is ours");
    let run = screens(&bench, SHORT);
    // A terminal's command inherits its surroundings.
    let mut command = Command::new("env");
    command.arg(format!("TMPDIR={}", passing.display())).arg(run.get_program()).args(run.get_args());
    let mut screens = OnTerminal::start(&command);
    begin(&screens);
    std::fs::remove_dir_all(&bench).expect("the folder is ours");
    screens.wait_for("cannot be written down");
    screens.wait_for("The last question");
    press_after_a_moment(&screens, ENTER);
    screens.wait_for("NOT KEPT");
    screens.wait_for("All of it was put");
    q_leaves(&mut screens, 1);
    let rescued = std::fs::read_dir(&passing).expect("it is there").next().expect("a file").expect("a name");
    let verified = told(stepwell(&rescued.path()).arg("verify"));
    assert!(verified.code == 0 && verified.out.contains("sealed"), "{}{}", verified.out, verified.err);
}
