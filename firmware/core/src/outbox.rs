//! Bytes on their way to the host: a ring of bounded size that holds whole frames only.
//!
//! When it is nearly full, telemetry is dropped, a whole frame at a time; the frames are numbered,
//! so the gap shows. Answers and reports may use the reserved rest. When even that is full they are
//! dropped too: the host repeats a command that was not answered, and can ask for every report.

use stepwell_protocol::frame::{FRAME_MAX, encode};
use stepwell_protocol::message::{Ack, FromBoard};

/// Size of the ring, in bytes.
pub const OUTBOX_BYTES: usize = 2_048;

/// The part of it that telemetry leaves free, in bytes: room for answers and reports while telemetry
/// waits for the line.
pub const RESERVED_BYTES: usize = 768;

/// The ring.
#[derive(Debug)]
pub(crate) struct Outbox {
    ring: [u8; OUTBOX_BYTES],
    /// Where a frame is made; here, because the stack is small.
    frame: [u8; FRAME_MAX],
    read: usize,
    used: usize,
    /// The latest answer, until it is written into the ring.
    answer: Option<Ack>,
    spoke: bool,
}

impl Outbox {
    pub(crate) const EMPTY: Outbox = Outbox {
        ring: [0; OUTBOX_BYTES],
        frame: [0; FRAME_MAX],
        read: 0,
        used: 0,
        answer: None,
        spoke: false,
    };

    /// Queues the answer to a command if it fits at all. It is written when bytes are next taken: by a
    /// board that takes bytes before it hears new ones, one tick after the command was carried out.
    pub(crate) fn answer(&mut self, ack: Ack) {
        self.spoke = true;
        if let Some(before) = self.answer.replace(ack) {
            self.queue(&FromBoard::Ack(before), 0);
        }
    }

    fn write_answer(&mut self) {
        if let Some(ack) = self.answer.take() {
            self.spoke = true;
            self.queue(&FromBoard::Ack(ack), 0);
        }
    }

    /// Queues any other answer or a report if it fits at all, after what was answered before.
    pub(crate) fn send(&mut self, message: &FromBoard<'_>) {
        self.write_answer();
        self.spoke = true;
        self.queue(message, 0);
    }

    /// Whether an answer or a report was queued since this was asked last. The tick in which one was
    /// has little time for telemetry.
    pub(crate) const fn spoke(&mut self) -> bool {
        core::mem::replace(&mut self.spoke, false)
    }

    /// Queues telemetry if it leaves the reserve free.
    pub(crate) fn send_telemetry(&mut self, message: &FromBoard<'_>) {
        if OUTBOX_BYTES.saturating_sub(self.used) > RESERVED_BYTES {
            self.queue(message, RESERVED_BYTES);
        }
    }

    fn queue(&mut self, message: &FromBoard<'_>, leave_free: usize) {
        let Ok(len) = encode(message, &mut self.frame) else { return };
        let free = OUTBOX_BYTES.saturating_sub(self.used).saturating_sub(leave_free);
        if len > free {
            return;
        }
        let write = self.read.wrapping_add(self.used) % OUTBOX_BYTES;
        let (before, after) = self.ring.split_at_mut_checked(write).unwrap_or_default();
        let (to_the_end, from_the_start) = split(self.frame.get(..len).unwrap_or_default(), after.len());
        copy(after, to_the_end);
        copy(before, from_the_start);
        self.used = self.used.saturating_add(len);
    }

    /// Moves as many bytes to `out` as there are and as fit; returns how many.
    pub(crate) fn take(&mut self, out: &mut [u8]) -> usize {
        self.write_answer();
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
    let len = to.len().min(from.len());
    if let (Some(to), Some(from)) = (to.get_mut(..len), from.get(..len)) {
        to.copy_from_slice(from);
    }
}
