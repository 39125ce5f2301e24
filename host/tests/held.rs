//! A run without screens on a terminal, or a pipe, that takes no more words (Ctrl-S, a connection that stands still),
//! and with a key held down: words hold up nothing, and no question is answered that was not read.

#[path = "program/process.rs"]
#[allow(dead_code, reason = "shared with the tests of the command line")]
mod process;
#[path = "program/terminal.rs"]
#[allow(dead_code, reason = "shared with other tests of the terminal")]
mod terminal;

use process::{PURGE, Served, folder, stepwell, told};
use rustix::process::Signal;
use std::path::Path;
use std::process::Command;
use std::time::Duration;
use stepwell_store::Store;
use terminal::OnTerminal;

const ENTER: &str = "\r";
const HOLD: &str = "\x13";
const GO_ON: &str = "\x11";

/// Longer than a question wants between two answers.
const A_MOMENT: Duration = Duration::from_millis(900);

/// A staged stop takes 5 s at most, the tear-down's vent one, the wait for the terminal 5 s; and as much again for a
/// busy computer.
const ENDS_MAX: Duration = Duration::from_secs(22);

/// Asks twice before and once after the energy, and drives coils in between.
const SHORT: &str = r#"
stepwell = "procedure"
format = 1
name = "short"
title = "Short"

[[set_up]]
step = "confirm"
name = "first"
title = "The first question"
text = "All tight?"

[[set_up]]
step = "confirm"
name = "second"
title = "The second question"
text = "All shut?"

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

fn run(folder: &Path, procedure: &str) -> Command {
    let file = folder.join("procedure.toml");
    std::fs::write(&file, procedure).expect("the folder is ours");
    let mut command = stepwell(&folder.join("runs"));
    command.arg("run").arg(file);
    command
}

fn shown(folder: &Path) -> String {
    told(stepwell(&folder.join("runs")).args(["show", "1"])).out
}

/// What is stored of the first run.
fn stored(folder: &Path) -> Duration {
    let runs =
        Store::open_to_read(&folder.join("runs")).and_then(|store| store.runs()).expect("it can be read");
    Duration::from_secs_f64(runs.first().and_then(|run| run.duration_s).unwrap_or(0.0))
}

fn say(terminal: &OnTerminal, answer: &str) {
    terminal.rest(A_MOMENT);
    terminal.press(answer);
    terminal.press(ENTER);
}

fn signal(program: u32, name: &str) {
    let kill = format!("kill -{name} {program}");
    assert!(Command::new("sh").args(["-c", &kill]).status().expect("sh is there").success());
}

#[test]
fn a_terminal_that_takes_no_more_words_holds_up_no_stop_and_no_end() {
    let folder = folder("held-term");
    let bench = Served::start(&[]);
    let mut command = run(&folder, PURGE);
    command.args(["--yes", "--port", bench.port(), "--id", "P-8"]);
    let mut terminal = OnTerminal::start(&command);
    bench.wait_for("energised");
    terminal.get_stuck();
    // Longer than the lease, and than the recorder waits for a disk.
    terminal.rest(Duration::from_secs(6));
    terminal.signal(Signal::TERM);
    let status = terminal.ends_within(ENDS_MAX).expect("it hangs on its words");
    assert_eq!(status.code(), Some(130));
    bench.wait_for("bench switched off, at rest");
    let shown = shown(&folder);
    assert!(shown.contains("Ended:   stopped by the program: it was ended from outside"), "{shown}");
    assert!(!shown.contains("could not be written down") && !shown.contains("fell silent"), "{shown}");
}

#[test]
fn a_pipe_that_nobody_reads_holds_up_no_stop_and_no_end() {
    let folder = folder("held-pipe");
    let bench = Served::start(&[]);
    let (_reader, full) = std::io::pipe().expect("there are pipes");
    rustix::io::ioctl_fionbio(&full, true).expect("it can be written without waiting");
    while rustix::io::write(&full, &[b' '; 4_096]).is_ok() {}
    rustix::io::ioctl_fionbio(&full, false).expect("it waits again");
    let mut command = run(&folder, PURGE);
    command.args(["--yes", "--port", bench.port(), "--id", "P-8"]);
    command.stdout(full.try_clone().expect("it is ours")).stderr(full);
    let mut child = command.spawn().expect("the program starts");
    bench.wait_for("energised");
    signal(child.id(), "TERM");
    let (ended, end) = std::sync::mpsc::channel();
    let pid = child.id();
    std::thread::spawn(move || ended.send(child.wait().expect("it is our child")));
    let status =
        end.recv_timeout(ENDS_MAX).inspect_err(|_| signal(pid, "KILL")).expect("it hangs on its words");
    assert_eq!(status.code(), Some(130));
    bench.wait_for("bench switched off, at rest");
}

#[test]
fn a_run_whose_words_nobody_takes_is_on_disk_to_its_last_second_when_it_is_killed() {
    let folder = folder("held-kill");
    let mut command = run(&folder, PURGE);
    command.args(["--yes", "--real-time"]);
    let mut terminal = OnTerminal::start(&command);
    terminal.wait_for("Turn the pump");
    terminal.press(HOLD);
    terminal.rest(Duration::from_secs(1));
    let before = stored(&folder);
    let held = Duration::from_secs(6);
    terminal.rest(held);
    terminal.child.kill().expect("it is our child");
    terminal.child.wait().expect("it is our child");
    let more = stored(&folder).saturating_sub(before);
    // What was stored before was not beyond the run, and what is lost at the end is a second.
    assert!(more + Duration::from_secs(1) >= held, "{more:?} of {held:?}");
}

#[test]
fn a_question_that_nobody_could_see_is_not_answered_and_stands_when_the_terminal_goes_on() {
    let folder = folder("held-question");
    let mut command = run(&folder, SHORT);
    command.arg("--real-time");
    let mut terminal = OnTerminal::start(&command);
    terminal.wait_for("The first question (run 1)");
    say(&terminal, "");
    terminal.wait_for("The second question (run 1)");
    say(&terminal, "");
    terminal.wait_for("y and Enter");
    say(&terminal, "y");
    terminal.press(HOLD);
    for _ in 0..8 {
        terminal.rest(A_MOMENT);
        terminal.press(ENTER);
    }
    assert!(!terminal.text().contains("The last question"), "it was not held:\n{}", terminal.text());
    terminal.press(GO_ON);
    terminal.wait_for("The last question (run 1)");
    assert!(terminal.ends_within(Duration::from_secs(2)).is_none(), "answered unseen:\n{}", terminal.text());
    say(&terminal, "");
    let status = terminal.ends_within(Duration::from_secs(5)).expect("all is answered");
    assert_eq!(status.code(), Some(0), "{}", terminal.text());
    assert_eq!(shown(&folder).matches("answered: done (at the terminal)").count(), 4, "{}", shown(&folder));
}

#[test]
fn questions_that_nobody_could_see_are_not_asked() {
    let folder = folder("held-unseen");
    let run = run(&folder, SHORT);
    let mut command = Command::new("sh");
    command.args(["-c", "exec \"$@\" 2> \"$0\""]).arg(folder.join("words"));
    command.arg(run.get_program()).args(run.get_args());
    let mut terminal = OnTerminal::start(&command);
    let status = terminal.ends_within(Duration::from_secs(5)).expect("it does not begin");
    assert_eq!(status.code(), Some(2));
    let words = std::fs::read_to_string(folder.join("words")).expect("it is there");
    assert!(words.contains("standard error, which is no terminal"), "{words}");
}

#[test]
fn a_held_enter_answers_one_question_and_what_was_typed_before_one_answers_none() {
    let folder = folder("held-enter");
    let mut command = run(&folder, SHORT);
    command.arg("--real-time");
    let mut terminal = OnTerminal::start(&command);
    terminal.press("\r\r\ry");
    terminal.wait_for("The first question (run 1)");
    let asks = |words: &str| terminal.text().contains(words);
    terminal.rest(A_MOMENT);
    assert!(!asks("The second question"), "answered before it was asked:\n{}", terminal.text());
    let (mut second, mut told, mut caution) = (false, false, false);
    for _ in 0..90 {
        terminal.press(ENTER);
        terminal.rest(Duration::from_millis(33));
        second |= asks("The second question (run 1)");
        told |= asks("Too soon, or held down");
        caution |= asks("y and Enter");
    }
    assert!(second && told, "{second}, {told}:\n{}", terminal.text());
    assert!(!caution, "a held key has answered twice:\n{}", terminal.text());
    say(&terminal, "");
    terminal.wait_for("y and Enter");
    say(&terminal, "n");
    terminal.wait_for("The last question (run 1)");
    say(&terminal, "");
    let status = terminal.ends_within(Duration::from_secs(10)).expect("all is answered");
    assert_eq!(status.code(), Some(130), "{}", terminal.text());
}
