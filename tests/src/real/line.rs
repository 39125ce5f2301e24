//! A line between a program and a bench that can be harmed, cut and put together again: a
//! pseudo-terminal at a path that stays the same, as a cable's name does.

use super::mangle::Mangler;
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{Action, OptionalActions, tcflow, tcgetattr, tcsetattr};
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{ErrorKind, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::sync::mpsc;
use tokio::time::Instant;

/// What is done to a line while it is in use.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Handling {
    /// The cable is pulled: the port is gone.
    Unplug,
    /// It is put back.
    Plug,
    /// Nothing that the program says arrives any more, although the port takes it.
    Deaf,
    /// Nothing that the board says arrives any more.
    Mute,
    /// The port takes no more bytes: writing to it blocks.
    Stall,
    /// Both ways work again.
    Whole,
}

/// A program's end that nobody holds open reads as an error; it is looked at again after this long.
const NOBODY: Duration = Duration::from_millis(10);

/// A port that was given up is let go of within this time.
const LOOK_EVERY: Timespec = Timespec { tv_sec: 0, tv_nsec: 20_000_000 };

/// The ends that a line hangs on, and what it is at the moment.
struct Line<B> {
    board: B,
    path: PathBuf,
    port: Option<Port>,
    to_board: Mangler,
    from_board: Mangler,
    deaf: bool,
    mute: bool,
    /// What is on its way: when it is due, in which order, whether to the board.
    under_way: BTreeMap<(Instant, u64), (bool, Vec<u8>)>,
    sent: u64,
}

/// Carries bytes between `board` and whoever opens `path`, until `handling` is closed. `per_mille` of
/// all pieces come to harm, either way.
///
/// # Errors
/// When there is no pseudo-terminal, or the board is gone.
pub async fn carry<B: AsyncRead + AsyncWrite + Unpin>(
    board: B,
    path: &Path,
    (seed, per_mille): (u64, u16),
    mut handling: mpsc::UnboundedReceiver<Handling>,
) -> std::io::Result<()> {
    let mut line = Line {
        board,
        path: path.to_owned(),
        port: None,
        to_board: Mangler::new(seed, per_mille),
        from_board: Mangler::new(seed ^ u64::MAX, per_mille),
        deaf: false,
        mute: false,
        under_way: BTreeMap::new(),
        sent: 0,
    };
    line.plug()?;
    let mut heard = [0; 4096];
    loop {
        let due = line.under_way.first_key_value().map(|((due, _), _)| *due);
        tokio::select! {
            handled = handling.recv() => match handled {
                Some(handled) => line.handle(handled)?,
                None => break,
            },
            said = hear(&mut line.port) => {
                let pieces = line.to_board.pass(said);
                if !line.deaf {
                    line.send(true, pieces);
                }
            }
            len = line.board.read(&mut heard) => {
                let len = len?;
                if len == 0 {
                    break;
                }
                let pieces = line.from_board.pass(heard[..len].to_vec());
                if !line.mute {
                    line.send(false, pieces);
                }
            }
            () = tokio::time::sleep_until(due.unwrap_or_else(super::now_tokio)), if due.is_some() => {
                line.deliver().await?;
            }
        }
    }
    line.unplug();
    Ok(())
}

/// The line's end of a program's port, read on a thread of its own.
struct Port {
    end: Arc<File>,
    said: mpsc::UnboundedReceiver<Vec<u8>>,
}

impl Port {
    fn of(end: File) -> Port {
        let end = Arc::new(end);
        let (send, said) = mpsc::unbounded_channel();
        let reading = Arc::clone(&end);
        std::thread::spawn(move || {
            let mut bytes = [0; 4096];
            // When the port is given up nobody is left to hear, and this was the last to hold it.
            while !send.is_closed() {
                match (&*reading).read(&mut bytes) {
                    Ok(len @ 1..) => drop(send.send(bytes[..len].to_vec())),
                    Err(error) if error.kind() == ErrorKind::WouldBlock => {
                        let _ = poll(&mut [PollFd::new(&reading, PollFlags::IN)], Some(&LOOK_EVERY));
                    }
                    Ok(0) | Err(_) => super::rest(NOBODY),
                }
            }
        });
        Port { end, said }
    }
}

/// Some bytes from the program; waits while there is no port.
async fn hear(port: &mut Option<Port>) -> Vec<u8> {
    if let Some(port) = port
        && let Some(bytes) = port.said.recv().await
    {
        return bytes;
    }
    std::future::pending().await
}

impl<B: AsyncWrite + Unpin> Line<B> {
    fn plug(&mut self) -> std::io::Result<()> {
        // Not to be inherited by a program that this process starts: a port is gone when nobody holds it.
        let port = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
        grantpt(&port)?;
        unlockpt(&port)?;
        let name = ptsname(&port, Vec::new())?;
        rustix::io::ioctl_fionbio(&port, true)?;
        let _ = std::fs::remove_file(&self.path);
        std::os::unix::fs::symlink(name.to_string_lossy().as_ref(), &self.path)?;
        let programs = self.programs_end()?;
        let mut modes = tcgetattr(&programs)?;
        modes.make_raw();
        tcsetattr(&programs, OptionalActions::Now, &modes)?;
        self.port = Some(Port::of(File::from(port)));
        Ok(())
    }

    fn programs_end(&self) -> std::io::Result<rustix::fd::OwnedFd> {
        use rustix::fs::{Mode, OFlags, open};
        Ok(open(&self.path, OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty())?)
    }

    fn unplug(&mut self) {
        self.port = None;
        self.under_way.clear();
        let _ = std::fs::remove_file(&self.path);
    }

    fn handle(&mut self, handling: Handling) -> std::io::Result<()> {
        match handling {
            Handling::Unplug => self.unplug(),
            Handling::Plug => self.plug()?,
            Handling::Deaf => self.deaf = true,
            Handling::Mute => self.mute = true,
            Handling::Stall => self.flow(Action::OOff)?,
            Handling::Whole => {
                (self.deaf, self.mute) = (false, false);
                self.flow(Action::OOn)?;
            }
        }
        Ok(())
    }

    /// Holds up what the program writes, or lets it go on.
    fn flow(&self, action: Action) -> std::io::Result<()> {
        Ok(tcflow(self.programs_end()?, action)?)
    }

    fn send(&mut self, to_board: bool, pieces: Vec<(u64, Vec<u8>)>) {
        for (delay_ms, piece) in pieces {
            self.sent += 1;
            let due = super::now_tokio() + Duration::from_millis(delay_ms);
            self.under_way.insert((due, self.sent), (to_board, piece));
        }
    }

    async fn deliver(&mut self) -> std::io::Result<()> {
        let Some((_, (to_board, piece))) = self.under_way.pop_first() else { return Ok(()) };
        if to_board {
            return self.board.write_all(&piece).await;
        }
        if let Some(port) = &self.port {
            // What a program does not take at once, or nobody is there to take, is lost on the way.
            let _ = (&*port.end).write(&piece);
        }
        Ok(())
    }
}
