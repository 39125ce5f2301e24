//! A connector's contact, sound or loose: a loose one is open half of the time, at random.

use crate::noise::{Purpose, Stream};

/// A contact that may be loose.
#[derive(Clone, Debug)]
pub(crate) struct LooseContact {
    stream: Stream,
    /// Whether it is open now.
    pub open: bool,
    next_us: u64,
}

impl LooseContact {
    /// A sound contact of the channel with this index.
    pub(crate) fn sound(seed: u64, channel: usize) -> Self {
        Self { stream: Stream::new(seed, Purpose::Contact(channel)), open: false, next_us: u64::MAX }
    }

    /// Sets it right (or loose) at `time_us`.
    pub(crate) fn set(&mut self, time_us: u64, breaks_hz: f64) {
        if breaks_hz <= 0.0 {
            self.open = false;
            self.next_us = u64::MAX;
        } else if self.next_us == u64::MAX {
            self.next_us = self.later(time_us, breaks_hz);
        }
    }

    fn later(&mut self, time_us: u64, breaks_hz: f64) -> u64 {
        time_us + 1 + (self.stream.waiting_s(0.5 / breaks_hz) * 1e6) as u64
    }

    /// Opens and closes as due at `time_us`; true if it did.
    pub(crate) fn toggle(&mut self, time_us: u64, breaks_hz: f64) -> bool {
        let before = self.open;
        while time_us >= self.next_us {
            self.open = !self.open;
            self.next_us = self.later(self.next_us, breaks_hz);
        }
        before != self.open
    }
}
