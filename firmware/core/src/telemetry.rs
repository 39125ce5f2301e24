//! Telemetry on its way out: every tick into a buffer of ten, a frame when it is full.
//!
//! The work is spread, one piece a tick, so that no tick bears much more than the others: ten ticks
//! fill one of two buffers; on the tick after, they are packed; on the one after that, the packed
//! bytes become a frame. With an answer or a report to make the piece waits, for two ticks at most: one
//! in which a command is carried out, one in which its answer is written. Ten
//! ticks that have not gone out before the next ten are full are lost, and the number of the next
//! frame shows it.

use crate::outbox::Outbox;
use stepwell_protocol::channel::{CHANNELS, Sample};
use stepwell_protocol::message::FromBoard;
use stepwell_protocol::telemetry::{PACKED_MAX, TICKS_PER_FRAME, TelemetryFrame, pack};
use stepwell_protocol::time::Tick;

/// For so many ticks in a row work waits for answers and reports.
const PUT_OFF_MAX: u8 = 2;

/// Ten ticks and what belongs to them.
#[derive(Debug)]
struct Ten {
    number: u32,
    first: Tick,
    first_us: u64,
    rows: [Sample; TICKS_PER_FRAME],
}

impl Ten {
    const EMPTY: Ten = Ten { number: 0, first: Tick(0), first_us: 0, rows: [[0; CHANNELS]; TICKS_PER_FRAME] };
}

/// How far the ten full ticks have come.
#[derive(Clone, Copy, Debug)]
enum Progress {
    Gone,
    Full,
    /// Packed into this many bytes.
    Packed(usize),
}

/// The buffers and the frame on its way.
#[derive(Debug)]
pub(crate) struct Telemetry {
    filling: Ten,
    filled: usize,
    full: Ten,
    progress: Progress,
    put_off: u8,
    packed: [u8; PACKED_MAX],
}

impl Telemetry {
    pub(crate) const EMPTY: Telemetry = Telemetry {
        filling: Ten::EMPTY,
        filled: 0,
        full: Ten::EMPTY,
        progress: Progress::Gone,
        put_off: 0,
        packed: [0; PACKED_MAX],
    };

    /// Takes one tick's row.
    pub(crate) fn record(&mut self, tick: Tick, us: u64, row: Sample) {
        if self.filled == 0 {
            self.filling.first = tick;
            self.filling.first_us = us;
        }
        if let Some(slot) = self.filling.rows.get_mut(self.filled) {
            *slot = row;
        }
        self.filled = self.filled.saturating_add(1);
        if self.filled >= TICKS_PER_FRAME {
            core::mem::swap(&mut self.filling, &mut self.full);
            self.filling.number = self.full.number.wrapping_add(1);
            self.filled = 0;
            self.progress = Progress::Full;
        }
    }

    /// Does the next piece of work on the ten full ticks, if there is one.
    pub(crate) fn work(&mut self, outbox: &mut Outbox) {
        if outbox.spoke() && self.put_off < PUT_OFF_MAX {
            self.put_off = self.put_off.saturating_add(1);
            return;
        }
        self.put_off = 0;
        self.progress = match self.progress {
            Progress::Gone => Progress::Gone,
            Progress::Full => match pack(&self.full.rows, &mut self.packed) {
                Ok(len) => Progress::Packed(len),
                Err(_) => Progress::Gone,
            },
            Progress::Packed(len) => {
                outbox.send_telemetry(&FromBoard::Telemetry(TelemetryFrame {
                    number: self.full.number,
                    first: self.full.first,
                    first_us: self.full.first_us,
                    ticks: TICKS_PER_FRAME as u8,
                    packed: self.packed.get(..len).unwrap_or_default(),
                }));
                Progress::Gone
            }
        };
    }
}
