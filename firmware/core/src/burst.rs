//! The burst: one coil's current at the burst rate around a duty edge, kept until the next one.
//!
//! Sample 0 is the first conversion after the outputs of the dwell's first tick were set. Capturing
//! goes on to the last sample whatever becomes of the dwell: a trip in the middle is worth seeing.

use heapless::Vec;
use stepwell_protocol::channel::Coil;
use stepwell_protocol::message::{BURST_PIECE, BurstPiece};

/// Samples in a whole burst.
pub const BURST_SAMPLES: usize = 600;

/// A board that cannot deliver a burst within this time delivers none, or what it has.
const CAPTURE_MS_MAX: u16 = 200;

/// The latest burst.
#[derive(Debug)]
pub(crate) struct Burst {
    serial: u16,
    coil: Coil,
    samples: Vec<u16, BURST_SAMPLES>,
    /// Ticks left to capture in; 0 when nothing is being captured.
    left_ms: u16,
}

impl Burst {
    pub(crate) const EMPTY: Burst = Burst { serial: 0, coil: Coil::Inlet, samples: Vec::new(), left_ms: 0 };

    /// Starts capturing; what was captured before is gone.
    pub(crate) fn start(&mut self, serial: u16, coil: Coil) {
        self.serial = serial;
        self.coil = coil;
        self.samples.clear();
        self.left_ms = CAPTURE_MS_MAX;
    }

    /// The coil to sample until the next tick.
    pub(crate) const fn wants(&self) -> Option<Coil> {
        if self.left_ms > 0 { Some(self.coil) } else { None }
    }

    /// Takes the samples of the latest tick.
    pub(crate) fn take(&mut self, latest: &[u16]) {
        if self.left_ms == 0 {
            return;
        }
        self.left_ms = self.left_ms.saturating_sub(1);
        for &sample in latest {
            if self.samples.push(sample).is_err() {
                break;
            }
        }
        if self.samples.is_full() {
            self.left_ms = 0;
        }
    }

    /// Whether a burst waits to be read.
    pub(crate) fn ready(&self) -> bool {
        self.left_ms == 0 && !self.samples.is_empty()
    }

    /// The piece that begins at `offset`; `None` when there is none.
    pub(crate) fn piece(&self, offset: u16) -> Option<BurstPiece> {
        if !self.ready() {
            return None;
        }
        let rest = self.samples.get(usize::from(offset)..)?;
        if rest.is_empty() {
            return None;
        }
        let counts = Vec::from_slice(rest.get(..rest.len().min(BURST_PIECE))?).ok()?;
        Some(BurstPiece {
            serial: self.serial,
            coil: self.coil,
            offset,
            total: self.samples.len() as u16,
            counts,
        })
    }
}
