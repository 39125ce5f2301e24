//! The latch: the first cause stays, with its tick and its readings; later causes are counted.

use crate::causes::Causes;
use stepwell_protocol::channel::Sample;
use stepwell_protocol::message::{TripCause, TripReport};
use stepwell_protocol::time::Tick;

/// The latched trip, if there is one.
#[derive(Debug)]
pub(crate) struct Latch {
    first: Option<(TripCause, Tick, Sample)>,
    seen: Causes,
}

impl Latch {
    pub(crate) const OPEN: Latch = Latch { first: None, seen: Causes::NONE };

    /// Adds the causes of one tick. Returns whether the latch was open before. Each cause counts once.
    pub(crate) fn add(&mut self, causes: Causes, at: Tick, readings: Sample) -> bool {
        self.seen = self.seen.with(causes);
        match (self.first, causes.first()) {
            (None, Some(cause)) => {
                self.first = Some((cause, at, readings));
                true
            }
            _ => false,
        }
    }

    /// The first cause.
    pub(crate) fn cause(&self) -> Option<TripCause> {
        self.first.map(|(cause, ..)| cause)
    }

    /// Every cause since the latch was last open.
    pub(crate) const fn seen(&self) -> Causes {
        self.seen
    }

    /// The trip as it is reported.
    pub(crate) fn report(&self) -> Option<TripReport> {
        let later = self.seen.count().saturating_sub(1);
        self.first.map(|(cause, at, readings)| TripReport { cause, at, readings, later })
    }

    pub(crate) fn clear(&mut self) {
        *self = Latch::OPEN;
    }
}
