//! The terminal while the screens have it: whatever becomes of the program, it is given back as it was.
//!
//! A panic in the thread of the screens gives it back at once. A panic in any other thread is noted, the
//! screens leave when they next look, and the note is told after that: words printed over a drawn screen
//! are read by nobody, and a terminal taken away from under the screens would be drawn on.

use crate::fall;
use crossterm::execute;
use crossterm::terminal::{EnterAlternateScreen, LeaveAlternateScreen, disable_raw_mode, enable_raw_mode};
use ratatui::DefaultTerminal;
use ratatui::backend::CrosstermBackend;
use std::io::{Error, stdout};
use std::panic::{AssertUnwindSafe, catch_unwind};

/// Lends the terminal to `work` and takes it back afterwards, whatever comes of the work: nothing, when
/// it falls over.
///
/// # Errors
/// When there is no terminal that could be drawn on.
pub(super) fn on_screen<T>(work: impl FnOnce(&mut DefaultTerminal) -> T) -> Result<Option<T>, Error> {
    let screens = std::thread::current().id();
    fall::note_and(move || {
        if std::thread::current().id() == screens {
            give_back();
        }
    });
    let taken = enable_raw_mode()
        .and_then(|()| execute!(stdout(), EnterAlternateScreen))
        .and_then(|()| DefaultTerminal::new(CrosstermBackend::new(stdout())));
    let done = taken.map(|mut terminal| {
        let done = catch_unwind(AssertUnwindSafe(|| work(&mut terminal)));
        // A terminal that is gone needs no care; dropping it would insist, and panic.
        std::mem::forget(terminal);
        done.ok()
    });
    give_back();
    fall::note_and_print();
    done
}

/// Cooked mode, the screen that was there before, a cursor. What does not work is in nobody's way.
fn give_back() {
    let _ = disable_raw_mode();
    let _ = execute!(stdout(), LeaveAlternateScreen, crossterm::cursor::Show);
}
