//! The terminal while the screens have it, on a thread of its own: one that takes no more output (Ctrl-S, a connection
//! that stands still) holds that thread, and nobody else. Whatever becomes of the program, it is given back as it was.

use super::app::App;
use super::draw;
use crate::clock::Stopwatch;
use crossterm::execute;
use crossterm::terminal::{EnterAlternateScreen, LeaveAlternateScreen, disable_raw_mode, enable_raw_mode};
use ratatui::DefaultTerminal;
use ratatui::backend::CrosstermBackend;
use std::io::{Error, IsTerminal, stdin, stdout};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, TryRecvError, channel};
use std::time::Duration;

/// The screens' terminal.
#[derive(Debug)]
pub(super) struct Screen {
    frames: Option<Sender<App>>,
    /// Closed when nothing is drawn any more.
    drawn: Receiver<Frame>,
    /// Whether it still draws what it was handed.
    pending: bool,
}

/// A frame that stands on the screen.
#[derive(Clone, Copy, Debug)]
pub(super) struct Frame {
    /// The number of what asks in it.
    pub(super) asking: u64,
    /// Whether its end is to be seen.
    pub(super) to_the_end: bool,
    /// Since when it stands there.
    pub(super) at: Duration,
}

/// The terminal is gone, or who draws on it has fallen over.
#[derive(Debug)]
pub(super) struct Gone;

impl Screen {
    /// Takes the terminal.
    ///
    /// # Errors
    /// When there is none that could be drawn on.
    pub(super) fn take(watch: Stopwatch) -> Result<Screen, Error> {
        for (is_terminal, name) in [(stdin().is_terminal(), "input"), (stdout().is_terminal(), "output")] {
            if !is_terminal {
                return Err(Error::other(format!("standard {name} is no terminal")));
            }
        }
        enable_raw_mode()?;
        let (frames, handed) = channel();
        let (done, drawn) = channel();
        let screen = std::thread::Builder::new().name("screen".to_owned()).spawn(move || {
            draw_all(&handed, &done, watch);
            // What does not work is in nobody's way.
            let _ = execute!(stdout(), LeaveAlternateScreen, crossterm::cursor::Show);
        });
        // As for every thread: without one there is nothing to be done.
        screen.expect("the system gives a thread");
        Ok(Screen { frames: Some(frames), drawn, pending: false })
    }

    /// What has come to stand on the screen since it was asked last.
    pub(super) fn stands(&mut self) -> Result<Option<Frame>, Gone> {
        match self.drawn.try_recv() {
            Ok(frame) => {
                self.pending = false;
                Ok(Some(frame))
            }
            Err(TryRecvError::Empty) => Ok(None),
            Err(TryRecvError::Disconnected) => Err(Gone),
        }
    }

    /// Draws `app`, unless it still draws: what is held up is overtaken.
    pub(super) fn show(&mut self, app: &App) {
        if let Some(frames) = self.frames.as_ref().filter(|_| !self.pending) {
            self.pending = frames.send(app.clone()).is_ok();
        }
    }

    /// Gives the terminal back. Whether it has left the drawn screen within `wait`: one that takes nothing has not.
    pub(super) fn give_back(&mut self, wait: Duration) -> bool {
        self.frames = None;
        let left = loop {
            match self.drawn.recv_timeout(wait) {
                Ok(_) => {}
                Err(why) => break why == RecvTimeoutError::Disconnected,
            }
        };
        let _ = disable_raw_mode();
        left
    }
}

fn draw_all(frames: &Receiver<App>, done: &Sender<Frame>, watch: Stopwatch) {
    let entered = execute!(stdout(), EnterAlternateScreen)
        .and_then(|()| DefaultTerminal::new(CrosstermBackend::new(stdout())));
    let Ok(mut terminal) = entered else { return };
    // A fall has been noted: whoever hands over frames sees that nobody draws them.
    let _ = catch_unwind(AssertUnwindSafe(|| {
        for app in frames {
            if terminal.draw(|frame| draw::screen(&app, frame)).is_err()
                || done.send(app.frame(watch.elapsed())).is_err()
            {
                return;
            }
        }
    }));
    // A terminal that is gone needs no care; dropping it would insist, and panic.
    std::mem::forget(terminal);
}
