//! A line between a program and a bench that can be harmed, cut and put together again: a
//! pseudo-terminal at a path that stays the same, as a cable's name does.

use super::mangle::Mangler;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::sync::mpsc;
use tokio::time::Instant;
use tokio_serial::{SerialPort, SerialStream};

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

/// The ends that a line hangs on, and what it is at the moment.
struct Line<B> {
    board: B,
    path: PathBuf,
    port: Option<SerialStream>,
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
    let (mut said, mut heard) = ([0; 4096], [0; 4096]);
    loop {
        let due = line.under_way.first_key_value().map(|((due, _), _)| *due);
        tokio::select! {
            handled = handling.recv() => match handled {
                Some(handled) => line.handle(handled)?,
                None => return Ok(line.unplug()),
            },
            len = hear(&mut line.port, &mut said) => {
                let pieces = line.to_board.pass(said[..len].to_vec());
                if !line.deaf {
                    line.send(true, pieces);
                }
            }
            len = line.board.read(&mut heard) => {
                let len = len?;
                if len == 0 {
                    return Ok(line.unplug());
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
}

/// Some bytes from the program; waits while nobody has the port open.
async fn hear(port: &mut Option<SerialStream>, bytes: &mut [u8]) -> usize {
    let Some(port) = port else { return std::future::pending().await };
    loop {
        match port.read(bytes).await {
            Ok(len @ 1..) => return len,
            Ok(0) | Err(_) => tokio::time::sleep(NOBODY).await,
        }
    }
}

impl<B: AsyncWrite + Unpin> Line<B> {
    fn plug(&mut self) -> std::io::Result<()> {
        let (port, programs) = SerialStream::pair().map_err(std::io::Error::other)?;
        let name = programs.name().ok_or_else(|| std::io::Error::other("a pseudo-terminal has no name"))?;
        drop(programs);
        let _ = std::fs::remove_file(&self.path);
        std::os::unix::fs::symlink(name, &self.path)?;
        self.port = Some(port);
        Ok(())
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
            Handling::Stall => self.flow(rustix::termios::Action::OOff)?,
            Handling::Whole => {
                (self.deaf, self.mute) = (false, false);
                self.flow(rustix::termios::Action::OOn)?;
            }
        }
        Ok(())
    }

    /// Holds up what the program writes, or lets it go on.
    fn flow(&self, action: rustix::termios::Action) -> std::io::Result<()> {
        let flags = rustix::fs::OFlags::RDWR | rustix::fs::OFlags::NOCTTY;
        let programs = rustix::fs::open(&self.path, flags, rustix::fs::Mode::empty())?;
        Ok(rustix::termios::tcflow(&programs, action)?)
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
        if let Some(port) = &mut self.port {
            // What a program does not take in time, or nobody is there to take, is lost on the way.
            let _ = tokio::time::timeout(NOBODY, port.write_all(&piece)).await;
        }
        Ok(())
    }
}
