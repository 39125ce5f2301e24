//! From two rings of conversions to what the board reads in a tick.
//!
//! One trigger at [`SAMPLE_HZ`] starts both converters: the slow one goes through pressures, supply
//! and temperatures, the fast one through the two coil currents. A tick's word is the sum of the
//! latest [`PER_TICK`] conversions, halved: on the scale of [`CONVERSIONS_PER_TICK`] conversions,
//! with the noise of all of them averaged.

use crate::clocks::{SAMPLE_HZ, TICK_HZ};
use crate::facts::CONVERSIONS_PER_TICK;
use crate::ring::Ring;
use core::sync::atomic::{AtomicU16, Ordering};
use stepwell_core::pins::Frame;
use stepwell_protocol::channel::{ANALOG_CHANNELS, Channel, Coil};

/// Conversions of every channel in one tick.
pub const PER_TICK: u16 = (SAMPLE_HZ / TICK_HZ) as u16;

/// Conversions that make one on the wire.
const SHARE: u32 = PER_TICK as u32 / CONVERSIONS_PER_TICK as u32;

/// Slots of each ring: four ticks.
pub const SLOTS: u16 = 4 * PER_TICK;

/// What the slow converter converts, in its order.
pub const SLOW: [Channel; 5] = [
    Channel::RailPressure,
    Channel::FeedPressure,
    Channel::SupplyVoltage,
    Channel::FluidTemperature,
    Channel::BodyTemperature,
];

/// What the fast converter converts, in its order: the order of [`Coil::BOTH`].
pub const FAST: [Channel; 2] = [Channel::InletCurrent, Channel::PressureCurrent];

/// Memory of the slow ring.
pub type SlowRing = [AtomicU16; SLOTS as usize * SLOW.len()];

/// Memory of the fast ring.
pub type FastRing = [AtomicU16; SLOTS as usize * FAST.len()];

/// A converter or its transfer has delivered nothing since the latest look.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stopped;

/// A burst that is being taken.
#[derive(Clone, Copy, Debug)]
struct Taking {
    coil: Coil,
    /// Next slot to take.
    from: u16,
}

/// The reader of both rings.
#[derive(Debug)]
pub struct Samples<'a> {
    slow_ring: &'a SlowRing,
    fast_ring: &'a FastRing,
    slow: Ring,
    fast: Ring,
    taken: u16,
    /// Conversions since start, up to a tick's.
    filled: u16,
    taking: Option<Taking>,
    burst: [u16; SLOTS as usize],
}

impl<'a> Samples<'a> {
    /// A reader of two rings that are about to be filled.
    #[must_use]
    pub const fn new(slow_ring: &'a SlowRing, fast_ring: &'a FastRing) -> Samples<'a> {
        Samples {
            slow_ring,
            fast_ring,
            slow: Ring::new(SLOTS, SLOW.len() as u16),
            fast: Ring::new(SLOTS, FAST.len() as u16),
            taken: 0,
            filled: 0,
            taking: None,
            burst: [0; SLOTS as usize],
        }
    }

    /// What has come since the latest call, given how many entries each transfer has left before its
    /// ring starts again.
    ///
    /// # Errors
    /// When one of the converters has delivered nothing, or not yet a tick's worth since start.
    pub fn frame(&mut self, slow_left: u16, fast_left: u16) -> Result<Frame<'_>, Stopped> {
        let new = self.slow.unread(slow_left).min(self.fast.unread(fast_left));
        self.slow.advance(self.slow.unread(slow_left));
        self.fast.advance(self.fast.unread(fast_left));
        self.taken = self.taken.wrapping_add(new);
        self.filled = self.filled.saturating_add(new).min(PER_TICK);
        if new == 0 || self.filled < PER_TICK {
            return Err(Stopped);
        }
        let mut sums = [0; ANALOG_CHANNELS];
        add(&mut sums, self.slow_ring, &SLOW, self.slow);
        add(&mut sums, self.fast_ring, &FAST, self.fast);
        let burst = self.take_burst();
        Ok(Frame { sums, conversions_taken: self.taken, burst: self.burst.get(..burst).unwrap_or(&[]) })
    }

    /// Selects the coil whose single conversions are kept, from the next one on.
    pub fn select_burst(&mut self, coil: Option<Coil>, fast_left: u16) {
        if self.taking.map(|taking| taking.coil) != coil {
            self.taking = coil.map(|coil| Taking { coil, from: self.fast.head(fast_left) });
        }
    }

    /// Copies what the burst has gained; returns how much.
    fn take_burst(&mut self) -> usize {
        let Some(taking) = &mut self.taking else { return 0 };
        let mut gained = 0;
        for place in &mut self.burst {
            if taking.from == self.fast.next() {
                break;
            }
            *place = entry(self.fast_ring, taking.from, FAST.len(), taking.coil.index());
            taking.from = self.fast.after(taking.from);
            gained += 1;
        }
        gained
    }
}

/// Adds a tick's worth of a ring's latest slots to the columns of its channels.
fn add(sums: &mut [u16; ANALOG_CHANNELS], memory: &[AtomicU16], channels: &[Channel], ring: Ring) {
    for (place, channel) in channels.iter().enumerate() {
        let mut sum = 0;
        let mut slot = ring.before(ring.next(), PER_TICK);
        for _ in 0..PER_TICK {
            sum += u32::from(entry(memory, slot, channels.len(), place));
            slot = ring.after(slot);
        }
        if let Some(column) = sums.get_mut(channel.index()) {
            *column = (sum / SHARE) as u16;
        }
    }
}

fn entry(memory: &[AtomicU16], slot: u16, width: usize, place: usize) -> u16 {
    memory.get(usize::from(slot) * width + place).map_or(0, |entry| entry.load(Ordering::Relaxed))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two converters and their transfers: conversion `n` of column `c` is what `value` says.
    struct Converters<'a> {
        slow_ring: &'a SlowRing,
        fast_ring: &'a FastRing,
        slow_moved: usize,
        fast_moved: usize,
    }

    fn value(column: usize, n: usize) -> u16 {
        ((n * 7 + column * 501) % 4_096) as u16
    }

    impl Converters<'_> {
        fn run(&mut self, slow: usize, fast: usize) {
            for _ in 0..slow {
                let (n, place) = (self.slow_moved / SLOW.len(), self.slow_moved % SLOW.len());
                self.slow_ring[self.slow_moved % self.slow_ring.len()]
                    .store(value(SLOW[place].index(), n), Ordering::Relaxed);
                self.slow_moved += 1;
            }
            for _ in 0..fast {
                let (n, place) = (self.fast_moved / FAST.len(), self.fast_moved % FAST.len());
                self.fast_ring[self.fast_moved % self.fast_ring.len()]
                    .store(value(FAST[place].index(), n), Ordering::Relaxed);
                self.fast_moved += 1;
            }
        }

        fn sequences(&mut self, n: usize) {
            self.run(n * SLOW.len(), n * FAST.len());
        }

        fn slow_left(&self) -> u16 {
            (self.slow_ring.len() - self.slow_moved % self.slow_ring.len()) as u16
        }

        fn fast_left(&self) -> u16 {
            (self.fast_ring.len() - self.fast_moved % self.fast_ring.len()) as u16
        }
    }

    fn with<R>(test: impl FnOnce(Samples<'_>, Converters<'_>) -> R) -> R {
        let slow_ring = [const { AtomicU16::new(0) }; SLOTS as usize * SLOW.len()];
        let fast_ring = [const { AtomicU16::new(0) }; SLOTS as usize * FAST.len()];
        test(
            Samples::new(&slow_ring, &fast_ring),
            Converters { slow_ring: &slow_ring, fast_ring: &fast_ring, slow_moved: 0, fast_moved: 0 },
        )
    }

    /// The word of a column after `n` conversions.
    fn word(column: usize, n: usize) -> u16 {
        ((n - 20..n).map(|n| u32::from(value(column, n))).sum::<u32>() / 2) as u16
    }

    #[test]
    fn every_column_is_the_halved_sum_of_its_own_latest_twenty() {
        with(|mut samples, mut converters| {
            let mut taken = 0_u16;
            for tick in 0..200 {
                let new = 18 + tick % 5; // the tick jitters, 18 to 22
                converters.sequences(if tick == 0 { 20 } else { new });
                taken += if tick == 0 { 20 } else { new as u16 };
                let n = converters.slow_moved / SLOW.len();
                let frame = samples.frame(converters.slow_left(), converters.fast_left()).expect("running");
                for column in 0..ANALOG_CHANNELS {
                    assert_eq!(frame.sums[column], word(column, n), "tick {tick}, column {column}");
                }
                assert_eq!(frame.conversions_taken, taken);
                assert!(frame.burst.is_empty());
            }
        });
    }

    #[test]
    fn full_scale_fits_a_word() {
        with(|mut samples, mut converters| {
            converters.sequences(20);
            for entry in converters.slow_ring.iter().chain(converters.fast_ring) {
                entry.store(4_095, Ordering::Relaxed);
            }
            let frame = samples.frame(converters.slow_left(), converters.fast_left()).expect("running");
            assert_eq!(frame.sums, [40_950; ANALOG_CHANNELS]);
        });
    }

    #[test]
    fn either_converter_standing_still_is_noticed_at_once() {
        for (slow, fast) in [(0, 20), (20, 0), (0, 0)] {
            with(|mut samples, mut converters| {
                converters.sequences(20);
                let before = samples
                    .frame(converters.slow_left(), converters.fast_left())
                    .expect("running")
                    .conversions_taken;
                converters.run(slow * SLOW.len(), fast * FAST.len());
                let stopped = samples.frame(converters.slow_left(), converters.fast_left());
                assert!(stopped.is_err(), "{slow} {fast}");
                // Running again, the count goes on from where it stood.
                converters.sequences(20);
                let after = samples.frame(converters.slow_left(), converters.fast_left()).expect("running");
                assert_eq!(after.conversions_taken, before + 20);
            });
        }
    }

    #[test]
    fn less_than_a_ticks_worth_since_start_is_no_frame() {
        with(|mut samples, mut converters| {
            converters.sequences(19);
            assert!(samples.frame(converters.slow_left(), converters.fast_left()).is_err());
            converters.sequences(1);
            assert!(samples.frame(converters.slow_left(), converters.fast_left()).is_ok());
        });
    }

    #[test]
    fn a_burst_begins_with_the_first_conversion_after_it_was_selected_and_has_no_gap() {
        for coil in Coil::BOTH {
            with(|mut samples, mut converters| {
                converters.sequences(20);
                assert!(samples.frame(converters.slow_left(), converters.fast_left()).is_ok());
                converters.sequences(3); // between reading and writing of the tick
                samples.select_burst(Some(coil), converters.fast_left());
                let first = converters.fast_moved / FAST.len();
                let mut got = 0;
                for tick in 0..40 {
                    converters.sequences(17 + tick % 7);
                    let frame =
                        samples.frame(converters.slow_left(), converters.fast_left()).expect("running");
                    for &sample in frame.burst {
                        assert_eq!(sample, value(coil.current().index(), first + got));
                        got += 1;
                    }
                    assert_eq!(first + got, converters.fast_moved / FAST.len());
                    converters.sequences(2);
                    samples.select_burst(Some(coil), converters.fast_left());
                }
                samples.select_burst(None, converters.fast_left());
                converters.sequences(20);
                let frame = samples.frame(converters.slow_left(), converters.fast_left()).expect("running");
                assert!(frame.burst.is_empty());
            });
        }
    }
}
