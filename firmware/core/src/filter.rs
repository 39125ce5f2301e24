//! The filters in front of the checks: a median that no single wrong sample passes, counters that
//! ask a fault to last, and the running sums of one coil.

use stepwell_protocol::channel::ANALOG_CHANNELS;

/// Median of the latest three samples of every analogue column: one wrong sample never shows,
/// a real change shows one tick late.
#[derive(Debug)]
pub(crate) struct Medians {
    before: Option<[[u16; ANALOG_CHANNELS]; 2]>,
    now: [u16; ANALOG_CHANNELS],
}

impl Medians {
    pub(crate) const EMPTY: Medians = Medians { before: None, now: [0; ANALOG_CHANNELS] };

    /// Takes the next samples. Before three have come, the first stands in for the missing ones.
    pub(crate) fn take(&mut self, latest: &[u16; ANALOG_CHANNELS]) {
        let [older, old] = self.before.unwrap_or([*latest; 2]);
        let samples = older.iter().zip(&old).zip(latest);
        for (slot, ((&a, &b), &c)) in self.now.iter_mut().zip(samples) {
            *slot = median(a, b, c);
        }
        self.before = Some([old, *latest]);
    }

    pub(crate) const fn now(&self) -> &[u16; ANALOG_CHANNELS] {
        &self.now
    }
}

fn median(a: u16, b: u16, c: u16) -> u16 {
    a.min(b).max(a.max(b).min(c))
}

/// Counts for how long something has been so without a break.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Lasting {
    ms: u16,
}

impl Lasting {
    pub(crate) const NONE: Lasting = Lasting { ms: 0 };

    /// One tick. Returns for how many ticks in a row it has been so, this one included.
    pub(crate) fn tick(&mut self, so: bool) -> u16 {
        self.ms = if so { self.ms.saturating_add(1) } else { 0 };
        self.ms
    }

    pub(crate) const fn ms(self) -> u16 {
        self.ms
    }
}

/// Ticks over which a coil's mean current is compared with what its duty should draw: four periods
/// of a 200 Hz PWM, so that the mean does not depend on where in the period it begins.
const MEAN_MS: usize = 20;

/// Ticks over which over-current is judged: one period of a 200 Hz PWM.
const PERIOD_MS: usize = 5;

/// Running sums of one coil's current and duty.
#[derive(Debug)]
pub(crate) struct CoilSums {
    current: [u16; MEAN_MS],
    duty_e4: [u16; MEAN_MS],
    at: usize,
    current_sum: u32,
    period_sum: u32,
    duty_sum_e4: u32,
}

impl CoilSums {
    pub(crate) const EMPTY: CoilSums = CoilSums {
        current: [0; MEAN_MS],
        duty_e4: [0; MEAN_MS],
        at: 0,
        current_sum: 0,
        period_sum: 0,
        duty_sum_e4: 0,
    };

    /// Takes one tick's current, in counts, and the duty applied during it.
    pub(crate) fn take(&mut self, current: u16, duty_e4: u16) {
        let leaving_period = self.at.wrapping_add(MEAN_MS - PERIOD_MS) % MEAN_MS;
        let left_period = self.current.get(leaving_period).copied().unwrap_or(0);
        self.period_sum = replaced(self.period_sum, left_period, current);
        if let Some(slot) = self.current.get_mut(self.at) {
            self.current_sum = replaced(self.current_sum, core::mem::replace(slot, current), current);
        }
        if let Some(slot) = self.duty_e4.get_mut(self.at) {
            self.duty_sum_e4 = replaced(self.duty_sum_e4, core::mem::replace(slot, duty_e4), duty_e4);
        }
        self.at = self.at.wrapping_add(1) % MEAN_MS;
    }

    /// Whether the mean over one PWM period is above `counts`.
    pub(crate) const fn period_mean_above(&self, counts: u16) -> bool {
        self.period_sum > (counts as u32).saturating_mul(PERIOD_MS as u32)
    }

    /// Whether the mean current above `zero` is less than a tenth of what the mean duty should draw
    /// when 100 % draws `full_duty` counts.
    pub(crate) const fn draws_less_than_a_tenth(&self, zero: u16, full_duty: u16) -> bool {
        let drawn = self.current_sum.saturating_sub((zero as u32).saturating_mul(MEAN_MS as u32));
        let expected_e4 = (self.duty_sum_e4 as u64).saturating_mul(full_duty as u64);
        (drawn as u64).saturating_mul(10 * 10_000) < expected_e4
    }
}

/// A running sum with one value replaced by another.
const fn replaced(sum: u32, leaves: u16, comes: u16) -> u32 {
    sum.saturating_sub(leaves as u32).saturating_add(comes as u32)
}

#[cfg(test)]
mod tests {
    use super::{CoilSums, MEAN_MS, Medians, PERIOD_MS, median};
    use stepwell_protocol::channel::ANALOG_CHANNELS;

    #[test]
    fn the_median_is_the_middle_one_in_every_order() {
        for [a, b, c] in [[1, 2, 3], [1, 3, 2], [2, 1, 3], [2, 3, 1], [3, 1, 2], [3, 2, 1]] {
            assert_eq!(median(a, b, c), 2);
        }
        assert_eq!(median(5, 5, 9), 5);
        assert_eq!(median(9, 5, 9), 9);
    }

    #[test]
    fn one_wrong_sample_never_shows_and_a_change_shows_one_tick_late() {
        let mut medians = Medians::EMPTY;
        for (sample, shown) in [(10, 10), (9_000, 10), (10, 10), (10, 10), (50, 10), (50, 50)] {
            medians.take(&[sample; ANALOG_CHANNELS]);
            assert_eq!(medians.now(), &[shown; ANALOG_CHANNELS]);
        }
    }

    #[test]
    fn the_running_sums_are_the_sums_of_their_windows() {
        let mut sums = CoilSums::EMPTY;
        let currents: Vec<u16> = (0..200_u32).map(|i| (i * 7_919 % 65_536) as u16).collect();
        for (i, &current) in currents.iter().enumerate() {
            sums.take(current, (i % 10) as u16);
            let last =
                |n: usize| currents.iter().take(i + 1).rev().take(n).map(|&x| u32::from(x)).sum::<u32>();
            assert_eq!(sums.current_sum, last(MEAN_MS));
            assert_eq!(sums.period_sum, last(PERIOD_MS));
        }
        assert_eq!(sums.duty_sum_e4, 2 * 45);
    }
    extern crate std;
    use std::vec::Vec;
}
