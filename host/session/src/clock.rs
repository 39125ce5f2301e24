//! What the board's clock shows now, seen from the host.
//!
//! Every telemetry frame says which tick its last one is, and the host knows when the frame arrived. The difference
//! of the two is the clocks' offset plus the time the frame was under way, and that is never negative. So the smallest
//! difference seen lately is the best estimate of the offset: a frame that was held up (USB adapters add up to 16 ms, a
//! busy host more) only makes a larger difference, which is passed over. "Lately" is two spans of ten seconds: at
//! 100 ppm of drift between two quartzes the estimate is off by at most 2 ms, against commands that are valid for
//! hundreds.
//!
//! The microseconds at which a tick was sampled tell nothing of it: their clock may have gone on when a board began anew
//! and its ticks with it.

use crate::time::HostTime;
use stepwell_protocol::time::Tick;

/// Length of one of the two spans, in microseconds.
const SPAN_US: u64 = 10_000_000;

/// The mapping from host time to board time.
#[derive(Clone, Copy, Debug, Default)]
pub struct BoardClock {
    /// The tick from which the others are counted: their numbers wrap.
    first: Option<Tick>,
    this_span: Option<Span>,
    last_span: Option<Span>,
}

#[derive(Clone, Copy, Debug)]
struct Span {
    began: HostTime,
    /// Smallest host time minus the board's time since the first tick, in microseconds.
    offset_us: i64,
}

impl BoardClock {
    /// Something sampled at `tick` has arrived at `now`.
    pub fn observe(&mut self, now: HostTime, tick: Tick) {
        let first = *self.first.get_or_insert(tick);
        let offset_us = now.0 as i64 - 1_000 * i64::from(tick.ms_since(first));
        match &mut self.this_span {
            Some(span) if now.us_since(span.began) < SPAN_US => {
                span.offset_us = span.offset_us.min(offset_us);
            }
            this_span => {
                self.last_span = *this_span;
                *this_span = Some(Span { began: now, offset_us });
            }
        }
    }

    /// The program was held up for `us` by its own clock, which may have been set meanwhile: what the board's did is not
    /// known. It is taken to have stood still; the next frame puts that right, for it is under way for less.
    pub fn held_up(&mut self, us: u64) {
        for span in [&mut self.this_span, &mut self.last_span].into_iter().flatten() {
            span.offset_us += us as i64;
        }
    }

    /// The board's time at `now`, or a little before it; `None` before anything has arrived.
    #[must_use]
    pub fn board_now(&self, now: HostTime) -> Option<Tick> {
        let this = self.this_span?.offset_us;
        let offset_us = self.last_span.map_or(this, |last| last.offset_us.min(this));
        let since_first_ms = (now.0 as i64 - offset_us).div_euclid(1_000);
        self.first.map(|first| first.plus_ms(since_first_ms as u32))
    }
}

#[cfg(test)]
mod tests {
    use super::{BoardClock, HostTime, Tick};

    #[test]
    fn late_frames_do_not_disturb_and_drift_is_followed() {
        let mut clock = BoardClock::default();
        assert_eq!(clock.board_now(HostTime(5)), None);
        // It wraps on the way.
        let first = Tick(u32::MAX - 60_000);
        let drift_ppm = 100;
        // A linear congruential generator is random enough for delays (constants from memory:
        // Knuth's MMIX).
        let mut noise = 1_u64;
        for frame in 0..12_000_u64 {
            let (board_us, tick) = (frame * 10_000, first.plus_ms(frame as u32 * 10));
            noise = noise.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let delay_us = 200 + (noise >> 33) % 16_000;
            let host = HostTime(1_000_000 + board_us + board_us * drift_ppm / 1_000_000 + delay_us);
            clock.observe(host, tick);
            let now_us = 1_000 * i64::from(clock.board_now(host).unwrap().ms_since(first));
            let error_us = now_us - (board_us + delay_us) as i64;
            // 2 ms of drift over two spans, plus the shortest delay seen in ten seconds; at the very
            // beginning as much as one delay; and a tick, which is told whole.
            let bound_us = 1_000 + if frame < 100 { 16_200 } else { 2_000 + 700 };
            assert!(error_us.abs() <= bound_us, "frame {frame}: {error_us}");
        }
    }
}
