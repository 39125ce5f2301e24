//! Keys, read on a thread of their own: a terminal that has gone can hold its reader for good, and must
//! not hold the screens.
//!
//! The stop key goes from here to the session by itself: a screen that is held up, by a terminal that
//! takes no more words or by a fault of its own, does not hold up the stop.
//!
//! The library that makes keys of bytes reads a terminal that has gone again and again without end; so
//! it is asked only when the terminal is there and has something to say.

use super::keys::{self, Key};
use crossterm::event::{self, Event, KeyEventKind};
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::io::Errno;
use std::fs::File;
use std::io::IsTerminal;
use std::os::fd::{AsFd, BorrowedFd};
use std::sync::mpsc::{Receiver, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use stepwell_session::engine::Operator;
use tokio::sync::mpsc::WeakSender;

/// Whether the window has another size is looked at this often.
const LOOK_EVERY: Timespec = Timespec { tv_sec: 0, tv_nsec: 50_000_000 };

/// The way of the stop key to the session that is under way, if one is.
pub(super) type StopLine = Arc<Mutex<Option<WeakSender<Operator>>>>;

/// What comes from the terminal. The queue is closed when nothing more can be read. The stop key has
/// been said on `stop` by the time it comes out of the queue.
pub(super) fn listen(stop: StopLine) -> Receiver<Event> {
    let (send, events) = channel();
    let keys = std::thread::Builder::new().name("keys".to_owned()).spawn(move || {
        // Where the library reads: from standard input, or from the terminal by its name.
        let named = if std::io::stdin().is_terminal() { None } else { File::open("/dev/tty").ok() };
        let stdin = std::io::stdin();
        let terminal = named.as_ref().map_or(stdin.as_fd(), AsFd::as_fd);
        while is_there(terminal) {
            while let Ok(true) = event::poll(Duration::ZERO) {
                let Ok(event) = event::read() else { return };
                if is_stop(&event) {
                    let line = stop.lock().unwrap_or_else(PoisonError::into_inner);
                    if let Some(session) = line.as_ref().and_then(WeakSender::upgrade) {
                        let _ = session.try_send(Operator::Stop);
                    }
                }
                if send.send(event).is_err() {
                    return;
                }
            }
        }
    });
    // As for every thread: without one there is nothing to be done.
    keys.expect("the system gives a thread");
    events
}

fn is_stop(event: &Event) -> bool {
    matches!(event, Event::Key(key) if key.kind == KeyEventKind::Press
        && keys::meaning(*key) == Some(Key::Stop))
}

/// Waits for something from the terminal, or for the time to look again; `false` when it has gone.
fn is_there(terminal: BorrowedFd<'_>) -> bool {
    let mut ready = [PollFd::from_borrowed_fd(terminal, PollFlags::IN)];
    match poll(&mut ready, Some(&LOOK_EVERY)) {
        Ok(_) => !ready[0].revents().intersects(PollFlags::HUP | PollFlags::ERR | PollFlags::NVAL),
        Err(error) => error == Errno::INTR,
    }
}
