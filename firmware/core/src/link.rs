//! Bytes from the host: frames become messages, everything else is noise and counted.

use stepwell_protocol::frame::{Deframer, decode};
use stepwell_protocol::message::ToBoard;

/// More broken frames than this within a second are a link that cannot be trusted.
const NOISE_PER_SECOND_MAX: u16 = 20;

/// The second slides in steps of a tenth.
const SLOTS: usize = 10;
const SLOT_MS: u8 = 100;

/// The receiving side of the line.
#[derive(Debug)]
pub(crate) struct Link {
    deframer: Deframer,
    broken: [u16; SLOTS],
    slot: usize,
    slot_ms: u8,
}

impl Link {
    pub(crate) const fn new() -> Link {
        Link { deframer: Deframer::new(), broken: [0; SLOTS], slot: 0, slot_ms: 0 }
    }

    /// The next message in `bytes`, which shrink from the front; `None` when they are used up.
    pub(crate) fn next_message(&mut self, bytes: &mut &[u8]) -> Option<ToBoard> {
        loop {
            let frame = self.deframer.next_body(bytes)?;
            if let Ok(message) = frame.and_then(decode) {
                return Some(message);
            }
            if let Some(broken) = self.broken.get_mut(self.slot) {
                *broken = broken.saturating_add(1);
            }
        }
    }

    /// One tick of the sliding second.
    pub(crate) fn tick(&mut self) {
        self.slot_ms = self.slot_ms.wrapping_add(1);
        if self.slot_ms >= SLOT_MS {
            self.slot_ms = 0;
            self.slot = self.slot.wrapping_add(1) % SLOTS;
            if let Some(broken) = self.broken.get_mut(self.slot) {
                *broken = 0;
            }
        }
    }

    /// Whether too many broken frames came within the latest second.
    pub(crate) fn noisy(&self) -> bool {
        self.broken.iter().fold(0_u16, |sum, &broken| sum.saturating_add(broken)) > NOISE_PER_SECOND_MAX
    }
}
