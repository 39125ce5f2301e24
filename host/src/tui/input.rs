//! Keys, read on a thread of their own: a terminal that has gone can hold its reader for good, and must
//! not hold the screens.

use super::keys::{Bytes, Key};
use super::screen::is_in_background;
use crate::clock::Stopwatch;
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::io::{Errno, read};
use std::os::fd::AsFd;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::Duration;

/// Whether anybody still wants keys is looked at this often.
const LOOK_EVERY: Timespec = Timespec { tv_sec: 0, tv_nsec: 50_000_000 };

/// What comes from the terminal.
#[derive(Debug)]
pub(super) struct Keys {
    /// Keys, and when they came; closed when nothing more can be read.
    pressed: Receiver<(Duration, Key)>,
    unwanted: Arc<AtomicBool>,
}

impl Keys {
    /// Begins to read standard input.
    pub(super) fn listen(watch: Stopwatch) -> Keys {
        let (press, pressed) = channel();
        let unwanted = Arc::new(AtomicBool::new(false));
        let until = Arc::clone(&unwanted);
        let keys = std::thread::Builder::new().name("keys".to_owned());
        // As for every thread: without one there is nothing to be done.
        keys.spawn(move || read_all(watch, &until, &press)).expect("the system gives a thread");
        Keys { pressed, unwanted }
    }

    /// The keys that are pressed within this time, or wait already, and when each came; none when the terminal has gone.
    pub(super) fn within(&self, time: Duration) -> Option<Vec<(Duration, Key)>> {
        let first = match self.pressed.recv_timeout(time) {
            Err(RecvTimeoutError::Disconnected) => return None,
            first => first.ok(),
        };
        Some(first.into_iter().chain(self.pressed.try_iter()).collect())
    }
}

impl Drop for Keys {
    /// What is typed from now on is for others.
    fn drop(&mut self) {
        self.unwanted.store(true, Ordering::Relaxed);
    }
}

/// Reads until nobody wants keys any more, or the terminal has gone.
fn read_all(watch: Stopwatch, unwanted: &AtomicBool, press: &Sender<(Duration, Key)>) {
    let terminal = std::io::stdin();
    let mut bytes = [0; 1024];
    let mut decoder = Bytes::default();
    while !unwanted.load(Ordering::Relaxed) {
        if is_in_background() {
            let _ = poll(&mut [], Some(&LOOK_EVERY));
            continue;
        }
        let mut ready = [PollFd::from_borrowed_fd(terminal.as_fd(), PollFlags::IN)];
        let waited = poll(&mut ready, Some(&LOOK_EVERY));
        let at = watch.elapsed();
        let read = match waited {
            Ok(0) | Err(Errno::INTR) => continue,
            // What is typed now is for others.
            Ok(_) if unwanted.load(Ordering::Relaxed) => return,
            Ok(_) => read(terminal.as_fd(), &mut bytes),
            Err(_) => return,
        };
        let read = match read {
            Ok(0) => return,
            Ok(len) => &bytes[..len],
            Err(Errno::INTR | Errno::AGAIN) => continue,
            Err(_) => return,
        };
        for key in decoder.keys(read) {
            // Nobody is left to take it: the next look ends this.
            let _ = press.send((at, key));
        }
    }
}
