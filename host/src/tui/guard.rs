//! The terminal while the screens have it: whatever becomes of the program, it is given back as it was.
//!
//! A panic in the thread of the screens gives it back at once. A panic in any other thread is noted, the
//! screens leave when they next look, and the note is told after that: words printed over a drawn screen
//! are read by nobody, and a terminal taken away from under the screens would be drawn on.

use crossterm::execute;
use crossterm::terminal::{EnterAlternateScreen, LeaveAlternateScreen, disable_raw_mode, enable_raw_mode};
use ratatui::DefaultTerminal;
use ratatui::backend::CrosstermBackend;
use std::io::{Error, stdout};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::OnceLock;

/// Where a thread fell over, and over what.
static FALLEN: OnceLock<String> = OnceLock::new();

/// Whether any thread of the program has fallen over.
pub(crate) fn fallen() -> bool {
    FALLEN.get().is_some()
}

/// Lends the terminal to `work` and takes it back afterwards, whatever comes of the work. The inner
/// error is what a thread of the program fell over, if one did.
///
/// # Errors
/// When there is no terminal that could be drawn on.
pub(crate) fn on_screen<T>(
    work: impl FnOnce(&mut DefaultTerminal) -> T,
) -> Result<Result<T, &'static str>, Error> {
    let screens = std::thread::current().id();
    std::panic::set_hook(Box::new(move |fall| {
        FALLEN.get_or_init(|| fall.to_string());
        if std::thread::current().id() == screens {
            give_back();
        }
    }));
    let taken = enable_raw_mode()
        .and_then(|()| execute!(stdout(), EnterAlternateScreen))
        .and_then(|()| DefaultTerminal::new(CrosstermBackend::new(stdout())));
    let done = taken.map(|mut terminal| {
        let done = catch_unwind(AssertUnwindSafe(|| work(&mut terminal)));
        // A terminal that is gone needs no care; dropping it would insist, and panic.
        std::mem::forget(terminal);
        done
    });
    give_back();
    let _ = std::panic::take_hook();
    let done = done?;
    Ok(match (FALLEN.get(), done) {
        (None, Ok(done)) => Ok(done),
        (Some(fall), _) => Err(fall),
        (None, Err(_)) => Err("it does not say what"),
    })
}

/// Cooked mode, the screen that was there before, a cursor. What does not work is in nobody's way.
fn give_back() {
    let _ = disable_raw_mode();
    let _ = execute!(stdout(), LeaveAlternateScreen, crossterm::cursor::Show);
}
