//! A program that falls over gives the terminal back. The program is this one, started again on a
//! pseudo-terminal, with the product's own guard around screens that fall.

#[path = "../src/tui/guard.rs"]
mod guard;
#[path = "program/process.rs"]
#[allow(dead_code, reason = "shared with the tests of the command line")]
mod process;
#[path = "program/terminal.rs"]
#[allow(dead_code, reason = "shared with the tests of the screens")]
mod terminal;

use ratatui::widgets::Paragraph;
use std::process::Command;
use std::time::Duration;
use terminal::OnTerminal;

/// Which thread falls.
const FALLS: &str = "STEPWELL_TEST_FALLS";

/// Not a test: screens in which a thread falls, as [`FALLS`] says.
#[test]
#[ignore = "started by the test below"]
fn screens_that_fall() {
    let Ok(falls) = std::env::var(FALLS) else { return };
    let done = guard::on_screen(|terminal| {
        terminal.draw(|frame| frame.render_widget(Paragraph::new("drawn"), frame.area())).unwrap();
        assert!(falls != "screens", "the screens fall");
        std::thread::spawn(|| panic!("another thread falls")).join().unwrap_err();
        while !guard::fallen() {
            std::thread::yield_now();
        }
        terminal.draw(|frame| frame.render_widget(Paragraph::new("still whole"), frame.area())).unwrap();
    });
    println!("told afterwards: {}", done.expect("there is a terminal").unwrap_err());
}

#[test]
fn whichever_thread_falls_the_terminal_is_given_back_and_the_reason_is_told() {
    for (falls, words) in [("screens", "the screens fall"), ("another", "another thread falls")] {
        let mut command = Command::new("env");
        command.arg(format!("{FALLS}={falls}")).arg(std::env::current_exe().unwrap());
        command.args(["--ignored", "--exact", "screens_that_fall", "--nocapture"]);
        let mut shown = OnTerminal::start(&command);
        shown.wait_for("told afterwards: ");
        assert!(shown.text().contains(words), "{falls}: {}", shown.text());
        assert!(!shown.text().contains("drawn"), "{falls}: the other screen was left: {}", shown.text());
        assert!(shown.given_back(), "{falls}: alternate screen, hidden cursor or raw mode is left");
        assert!(shown.ends_within(Duration::from_secs(5)).is_some_and(|status| status.success()), "{falls}");
    }
}
