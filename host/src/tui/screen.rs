//! The terminal while the screens have it, on a thread of its own: one that takes no more output (Ctrl-S, a connection
//! that stands still) holds that thread, and nobody else. Whatever becomes of the program, it is given back as it was.

use super::app::App;
use super::draw;
use crate::clock::Stopwatch;
use crossterm::execute;
use crossterm::terminal::{Clear, ClearType, EnterAlternateScreen, LeaveAlternateScreen};
use ratatui::DefaultTerminal;
use ratatui::backend::CrosstermBackend;
use rustix::termios::{LocalModes, OptionalActions, Termios, Winsize, tcgetattr, tcgetwinsize, tcsetattr};
use std::io::{Error, IsTerminal, stdin, stdout};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, TryRecvError, channel};
use std::time::Duration;

/// The screens' terminal.
#[derive(Debug)]
pub(super) struct Screen {
    frames: Option<Sender<Work>>,
    /// Closed when nothing is drawn any more.
    drawn: Receiver<Frame>,
    /// Whether it still draws what it was handed.
    pending: bool,
    /// Whether somebody else may have written on it.
    spoilt: bool,
    /// How its lines and keys were handled before.
    before: Termios,
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
        let Winsize { ws_col, ws_row, .. } = tcgetwinsize(stdout())?;
        if ws_col == 0 || ws_row == 0 {
            let what = format!("the terminal says that it is {ws_col} × {ws_row} characters large");
            return Err(Error::other(format!("{what}: say how large it is with `stty cols 80 rows 24`")));
        }
        let before = tcgetattr(stdin())?;
        take_keys(&before)?;
        let (frames, handed) = channel();
        let (done, drawn) = channel();
        let screen = std::thread::Builder::new().name("screen".to_owned()).spawn(move || {
            draw_all(&handed, &done, watch);
            // What does not work is in nobody's way.
            let _ = execute!(stdout(), LeaveAlternateScreen, crossterm::cursor::Show);
        });
        // As for every thread: without one there is nothing to be done.
        screen.expect("the system gives a thread");
        Ok(Screen { frames: Some(frames), drawn, pending: false, spoilt: false, before })
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
            let work = Work { app: app.clone(), anew: std::mem::take(&mut self.spoilt) };
            self.pending = frames.send(work).is_ok();
        }
    }

    /// Takes the terminal again when keys no longer come one by one, because a shell or somebody else had it meanwhile, and
    /// draws all anew; whether that was so.
    pub(super) fn took_again(&mut self) -> bool {
        let lost = tcgetattr(stdin()).is_ok_and(|now| now.local_modes.contains(LocalModes::ICANON));
        if lost {
            // A terminal that is gone is noticed by who reads keys.
            let _ = take_keys(&self.before);
            self.spoilt = true;
        }
        lost
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
        let _ = tcsetattr(stdin(), OptionalActions::Now, &self.before);
        left
    }
}

/// A frame to draw.
#[derive(Debug)]
struct Work {
    app: App,
    /// Whether nothing of what was drawn stands any more.
    anew: bool,
}

/// Keys come one by one, and are not shown.
fn take_keys(before: &Termios) -> Result<(), Error> {
    let mut modes = before.clone();
    modes.make_raw();
    Ok(tcsetattr(stdin(), OptionalActions::Now, &modes)?)
}

fn draw_all(frames: &Receiver<Work>, done: &Sender<Frame>, watch: Stopwatch) {
    let Ok(mut terminal) = blank() else { return };
    // A fall has been noted: whoever hands over frames sees that nobody draws them.
    let _ = catch_unwind(AssertUnwindSafe(|| {
        for Work { app, anew } in frames {
            if anew {
                let Ok(blank) = blank() else { return };
                std::mem::forget(std::mem::replace(&mut terminal, blank));
            }
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

/// The screen of the screens, with nothing on it.
fn blank() -> Result<DefaultTerminal, Error> {
    execute!(stdout(), EnterAlternateScreen, Clear(ClearType::All))?;
    DefaultTerminal::new(CrosstermBackend::new(stdout()))
}
