//! Keys, read on a thread of their own: a terminal that has gone can hold its reader for good, and must
//! not hold the screens.
//!
//! The library that makes keys of bytes reads a terminal that has gone again and again without end; so it is asked only
//! when the terminal is there. It must be built to look whether bytes are there (its feature `use-dev-tty`): told only
//! that some came, it forgets those that came with a new size of the window, or beyond the first 1024.

use crate::clock::Stopwatch;
use crossterm::event::{self, Event};
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::io::Errno;
use std::fs::File;
use std::io::IsTerminal;
use std::os::fd::{AsFd, BorrowedFd};
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

/// Whether the window has another size is looked at this often.
const LOOK_EVERY: Timespec = Timespec { tv_sec: 0, tv_nsec: 50_000_000 };

/// The library is given so long for each event: without any time it does not look at all.
const LOOK: Duration = Duration::from_millis(1);

/// What comes from the terminal, and when. The queue is closed when nothing more can be read.
pub(super) fn listen(watch: Stopwatch) -> Receiver<(Duration, Event)> {
    let (send, events) = channel();
    let keys = std::thread::Builder::new().name("keys".to_owned()).spawn(move || {
        // Where the library reads: from standard input, or from the terminal by its name.
        let named = if std::io::stdin().is_terminal() { None } else { File::open("/dev/tty").ok() };
        let stdin = std::io::stdin();
        let terminal = named.as_ref().map_or(stdin.as_fd(), AsFd::as_fd);
        while is_there(terminal) {
            while let Ok(true) = event::poll(LOOK) {
                let Ok(event) = event::read() else { return };
                if send.send((watch.elapsed(), event)).is_err() {
                    return;
                }
            }
        }
    });
    // As for every thread: without one there is nothing to be done.
    keys.expect("the system gives a thread");
    events
}

/// Waits for something from the terminal, or for the time to look again; `false` when it has gone.
fn is_there(terminal: BorrowedFd<'_>) -> bool {
    let mut ready = [PollFd::from_borrowed_fd(terminal, PollFlags::IN)];
    match poll(&mut ready, Some(&LOOK_EVERY)) {
        Ok(_) => !ready[0].revents().intersects(PollFlags::HUP | PollFlags::ERR | PollFlags::NVAL),
        Err(error) => error == Errno::INTR,
    }
}
