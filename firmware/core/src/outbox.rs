//! Bytes on their way to the host: a ring of bounded size that holds whole frames only.
//!
//! When it is nearly full, telemetry is dropped, a whole frame at a time; the frames are numbered,
//! so the gap shows. Answers and reports may use the reserved rest. When even that is full they are
//! dropped too: the host repeats a command that was not answered, and can ask for every report.

use stepwell_protocol::frame::{FRAME_MAX, encode};
use stepwell_protocol::message::FromBoard;

/// Size of the ring, in bytes.
pub const OUTBOX_BYTES: usize = 2_048;

/// The part of it that telemetry leaves free, in bytes: room for the four answers of one tick.
pub const RESERVED_BYTES: usize = 768;

/// The ring.
#[derive(Debug)]
pub(crate) struct Outbox {
    ring: [u8; OUTBOX_BYTES],
    read: usize,
    used: usize,
    reports: u32,
}

impl Outbox {
    pub(crate) const EMPTY: Outbox = Outbox { ring: [0; OUTBOX_BYTES], read: 0, used: 0, reports: 0 };

    /// Queues an answer if it fits at all.
    pub(crate) fn send(&mut self, message: &FromBoard<'_>) {
        self.queue(message, 0);
    }

    /// Queues a report if it fits at all.
    pub(crate) fn report(&mut self, message: &FromBoard<'_>) {
        self.reports = self.reports.wrapping_add(1);
        self.queue(message, 0);
    }

    /// How many reports were made; the tick that makes one has no time for telemetry.
    pub(crate) const fn reports(&self) -> u32 {
        self.reports
    }

    /// Queues telemetry if it leaves the reserve free.
    pub(crate) fn send_telemetry(&mut self, message: &FromBoard<'_>) {
        if OUTBOX_BYTES.saturating_sub(self.used) > RESERVED_BYTES {
            self.queue(message, RESERVED_BYTES);
        }
    }

    fn queue(&mut self, message: &FromBoard<'_>, leave_free: usize) {
        let mut frame = [0_u8; FRAME_MAX];
        let Ok(len) = encode(message, &mut frame) else { return };
        let free = OUTBOX_BYTES.saturating_sub(self.used).saturating_sub(leave_free);
        if len > free {
            return;
        }
        let write = self.read.wrapping_add(self.used) % OUTBOX_BYTES;
        let (before, after) = self.ring.split_at_mut_checked(write).unwrap_or_default();
        let (to_the_end, from_the_start) = split(frame.get(..len).unwrap_or_default(), after.len());
        copy(after, to_the_end);
        copy(before, from_the_start);
        self.used = self.used.saturating_add(len);
    }

    /// Moves as many bytes to `out` as there are and as fit; returns how many.
    pub(crate) fn take(&mut self, out: &mut [u8]) -> usize {
        let len = self.used.min(out.len());
        let (before, after) = self.ring.split_at_checked(self.read).unwrap_or_default();
        let (to_the_end, _) = split(after, len);
        let (first, second) = out.split_at_mut_checked(to_the_end.len()).unwrap_or_default();
        copy(first, to_the_end);
        copy(second, split(before, len.saturating_sub(to_the_end.len())).0);
        self.read = self.read.wrapping_add(len) % OUTBOX_BYTES;
        self.used = self.used.saturating_sub(len);
        len
    }
}

/// The first `len` bytes, or all of them, and the rest.
fn split(bytes: &[u8], len: usize) -> (&[u8], &[u8]) {
    bytes.split_at_checked(len).unwrap_or((bytes, &[]))
}

/// Copies as much as both hold.
fn copy(to: &mut [u8], from: &[u8]) {
    for (slot, &byte) in to.iter_mut().zip(from) {
        *slot = byte;
    }
}
