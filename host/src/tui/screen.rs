//! The terminal while the screens have it, on a thread of its own: one that takes no more output (Ctrl-S, a connection
//! that stands still) holds that thread, and nobody else. Whatever becomes of the program, it is given back as it was.

use super::app::App;
use super::draw;
use crate::clock::Stopwatch;
use crossterm::execute;
use crossterm::terminal::{Clear, ClearType, EnterAlternateScreen, LeaveAlternateScreen};
use ratatui::Terminal;
use ratatui::backend::CrosstermBackend;
use rustix::event::{PollFd, PollFlags, poll};
use rustix::process::getpgrp;
use rustix::termios::{LocalModes, OptionalActions, Termios, Winsize};
use rustix::termios::{tcgetattr, tcgetpgrp, tcgetwinsize, tcsetattr};
use std::io::{Error, ErrorKind, IsTerminal, Stdout, Write, stdin, stdout};
use std::os::fd::AsFd;
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
        let size @ Winsize { ws_col, ws_row, .. } = tcgetwinsize(stdout())?;
        if !can_be_seen(size) {
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
            let _ = execute!(Patient(stdout()), LeaveAlternateScreen, crossterm::cursor::Show);
        });
        if let Err(error) = screen {
            let _ = tcsetattr(stdin(), OptionalActions::Now, &before);
            return Err(error);
        }
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

    /// Whether nobody can see it or keys do not come one by one: it has no size any more, or a shell or somebody else has
    /// it, or had it.
    pub(super) fn is_lost(&mut self) -> bool {
        let lines = || tcgetattr(stdin()).is_ok_and(|now| now.local_modes.contains(LocalModes::ICANON));
        let lost = !is_ours() || lines();
        self.spoilt |= lost;
        lost
    }

    /// Draws `app`, unless it still draws: what is held up is overtaken. A terminal that was lost is taken again and drawn
    /// anew, but for as long as somebody else has it or nobody can see it.
    pub(super) fn show(&mut self, app: &App) {
        if self.pending || !is_ours() {
            return;
        }
        if self.spoilt {
            // A terminal that is gone is noticed by who reads keys.
            let _ = take_keys(&self.before);
        }
        if let Some(frames) = &self.frames {
            let work = Work { app: app.clone(), anew: std::mem::take(&mut self.spoilt) };
            self.pending = frames.send(work).is_ok();
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
        if !is_in_background() {
            let _ = tcsetattr(stdin(), OptionalActions::Now, &self.before);
        }
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

/// Whether the terminal is one to draw on now.
fn is_ours() -> bool {
    !is_in_background() && tcgetwinsize(stdout()).is_ok_and(can_be_seen)
}

/// No screen has more columns or rows than this; the drawing is kept in memory.
const LENGTH_MAX: u16 = 1_000;

/// Whether a terminal of this size is one that somebody sits before.
fn can_be_seen(size: Winsize) -> bool {
    [size.ws_col, size.ws_row].iter().all(|length| (1..=LENGTH_MAX).contains(length))
}

/// Whether a shell has put the program behind another one: who reads the terminal then or sets it is put to sleep.
pub(super) fn is_in_background() -> bool {
    tcgetpgrp(stdin()).is_ok_and(|group| group != getpgrp())
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
fn blank() -> Result<Terminal<CrosstermBackend<Patient<Stdout>>>, Error> {
    execute!(Patient(stdout()), EnterAlternateScreen, Clear(ClearType::All))?;
    Terminal::new(CrosstermBackend::new(Patient(stdout())))
}

/// An output that is waited for also when somebody has set it not to be.
struct Patient<W>(W);

impl<W: AsFd> Patient<W> {
    fn patiently<T>(&mut self, mut act: impl FnMut(&mut W) -> Result<T, Error>) -> Result<T, Error> {
        loop {
            match act(&mut self.0) {
                Err(error) if error.kind() == ErrorKind::WouldBlock => {
                    let _ = poll(&mut [PollFd::new(&self.0, PollFlags::OUT)], None);
                }
                done => return done,
            }
        }
    }
}

impl<W: Write + AsFd> Write for Patient<W> {
    fn write(&mut self, bytes: &[u8]) -> Result<usize, Error> {
        self.patiently(|out| out.write(bytes))
    }

    fn flush(&mut self) -> Result<(), Error> {
        self.patiently(Write::flush)
    }
}

#[cfg(test)]
mod tests {
    use super::Patient;
    use std::io::{Read, Write};

    #[test]
    fn an_output_that_does_not_wait_is_waited_for() {
        let (mut reader, writer) = std::io::pipe().unwrap();
        rustix::io::ioctl_fionbio(&writer, true).unwrap();
        // More than any pipe holds.
        let words = vec![7; 4 << 20];
        let many = words.clone();
        let writing = std::thread::spawn(move || {
            let mut patient = Patient(writer);
            patient.write_all(&many).and_then(|()| patient.flush()).unwrap();
        });
        let mut read = Vec::new();
        reader.read_to_end(&mut read).unwrap();
        writing.join().unwrap();
        assert!(read == words);
    }
}
