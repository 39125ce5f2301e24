//! What the operator did by hand, waiting for the tick at which a simulated rig shall move.

use heapless::Vec;
use stepwell_protocol::message::HandWork;
use stepwell_protocol::time::Tick;

/// How many pieces of hand work can wait.
const WAITING_MAX: usize = 8;

/// Hand work that waits for its tick.
#[derive(Debug)]
pub(crate) struct HandWaiting {
    waiting: Vec<(Tick, HandWork), WAITING_MAX>,
}

impl HandWaiting {
    pub(crate) const NONE: HandWaiting = HandWaiting { waiting: Vec::new() };

    /// Whether there was room.
    pub(crate) fn add(&mut self, at: Tick, work: HandWork) -> bool {
        self.waiting.push((at, work)).is_ok()
    }

    /// The oldest piece whose tick has come; one per tick, so two for the same tick come one after
    /// the other.
    pub(crate) fn due(&mut self, now: Tick) -> Option<HandWork> {
        let index = self.waiting.iter().position(|&(at, _)| !at.is_after(now))?;
        let (_, work) = (index < self.waiting.len()).then(|| self.waiting.remove(index))?;
        Some(work)
    }
}
