//! Keys, read on a thread of their own: a terminal that has gone can hold its reader for good, and must
//! not hold the screens.

use crossterm::event::{self, Event};
use std::sync::mpsc::{Receiver, channel};

/// What comes from the terminal. The queue is closed when nothing more can be read.
pub(super) fn listen() -> Receiver<Event> {
    let (send, events) = channel();
    std::thread::spawn(move || {
        while let Ok(event) = event::read() {
            if send.send(event).is_err() {
                return;
            }
        }
    });
    events
}
