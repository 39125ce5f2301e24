//! A run without screens on a terminal that takes no more words (Ctrl-S, a connection that stands still): words
//! hold up nothing.

#[path = "program/process.rs"]
#[allow(dead_code, reason = "shared with the tests of the command line")]
mod process;
#[path = "program/terminal.rs"]
#[allow(dead_code, reason = "shared with other tests of the terminal")]
mod terminal;

use process::{PURGE, Served, folder, stepwell, told};
use std::path::Path;
use std::process::Command;
use std::time::Duration;
use stepwell_store::Store;
use terminal::OnTerminal;

const HOLD: &str = "\x13";

/// A staged stop takes 5 s at most, the tear-down's vent one, the wait for the terminal 5 s; and as much again for a
/// busy computer.
const ENDS_MAX: Duration = Duration::from_secs(22);

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

fn signal(terminal: &OnTerminal, name: &str) {
    // What was started through setsid has become the program.
    let kill = format!("kill -{name} {}", terminal.child.id());
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
    signal(&terminal, "TERM");
    let status = terminal.ends_within(ENDS_MAX).expect("it hangs on its words");
    assert_eq!(status.code(), Some(130));
    bench.wait_for("bench switched off, at rest");
    let shown = shown(&folder);
    assert!(shown.contains("Ended:   stopped by the program: it was ended from outside"), "{shown}");
    assert!(!shown.contains("could not be written down") && !shown.contains("fell silent"), "{shown}");
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
    assert!(more >= held - Duration::from_secs(1), "{more:?} of {held:?}");
}
