//! The drive budget: how long the drive may still turn, and how long it must rest first.
//!
//! A drive rated "at most A on, then at least B off" holds a budget of A. Turning spends it one for
//! one; resting refills it in B from empty. Both sides keep the same account from the same ticks:
//! the board enforces it, the host plans with it. Integers only; the unit of the account is
//! milliseconds on times the rest time, so that both rates are whole numbers.

use core::num::NonZeroU32;

/// An account of drive time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DriveBudget {
    on_ms_max: NonZeroU32,
    rest_ms_min: NonZeroU32,
    left: u64,
}

impl DriveBudget {
    /// An empty account of a drive that may turn `on_ms_max` at most and then must rest
    /// `rest_ms_min`: a board that has just started cannot know what the drive did before.
    /// Zero is taken as one millisecond in both places.
    #[must_use]
    pub const fn empty(on_ms_max: u32, rest_ms_min: u32) -> DriveBudget {
        DriveBudget { on_ms_max: at_least_one(on_ms_max), rest_ms_min: at_least_one(rest_ms_min), left: 0 }
    }

    /// The same account under another rating. What was left stays left, as far as it fits.
    #[must_use]
    pub const fn rated(self, on_ms_max: u32, rest_ms_min: u32) -> DriveBudget {
        DriveBudget::empty(on_ms_max, rest_ms_min).with_left_ms(self.left_ms())
    }

    /// The same account with `left_ms` of drive time in it, as far as it fits.
    #[must_use]
    pub const fn with_left_ms(self, left_ms: u32) -> DriveBudget {
        DriveBudget { left: least(left_ms as u64 * self.rest_ms_min.get() as u64, self.full()), ..self }
    }

    /// One tick with the drive on or off.
    pub const fn tick(&mut self, drive_on: bool) {
        if drive_on {
            self.left = self.left.saturating_sub(self.rest_ms_min.get() as u64);
        } else {
            self.left = least(self.left + self.on_ms_max.get() as u64, self.full());
        }
    }

    /// The account after `ms` ticks with the drive on, or off, all the while: for planning ahead.
    #[must_use]
    pub const fn after_ms(self, drive_on: bool, ms: u32) -> DriveBudget {
        let left = if drive_on {
            self.left.saturating_sub(self.rest_ms_min.get() as u64 * ms as u64)
        } else {
            self.left.saturating_add(self.on_ms_max.get() as u64 * ms as u64)
        };
        DriveBudget { left: least(left, self.full()), ..self }
    }

    const fn full(self) -> u64 {
        self.on_ms_max.get() as u64 * self.rest_ms_min.get() as u64
    }

    /// Drive time left, in milliseconds.
    #[must_use]
    pub const fn left_ms(self) -> u32 {
        (self.left / self.rest_ms_min.get() as u64) as u32
    }

    /// How long the drive must rest before it may turn for `on_ms`, in milliseconds; 0 when it may
    /// at once; `None` when it never may because the rating is shorter.
    #[must_use]
    pub const fn rest_ms_before(self, on_ms: u32) -> Option<u32> {
        if on_ms > self.on_ms_max.get() {
            return None;
        }
        let need = on_ms as u64 * self.rest_ms_min.get() as u64;
        let missing = need.saturating_sub(self.left);
        Some(missing.div_ceil(self.on_ms_max.get() as u64) as u32)
    }
}

const fn least(a: u64, b: u64) -> u64 {
    if a < b { a } else { b }
}

const fn at_least_one(ms: u32) -> NonZeroU32 {
    match NonZeroU32::new(ms) {
        Some(ms) => ms,
        None => NonZeroU32::MIN,
    }
}

#[cfg(test)]
mod tests {
    use super::DriveBudget;

    #[test]
    fn ten_seconds_on_then_a_minute_off() {
        let mut budget = DriveBudget::empty(10_000, 60_000);
        assert_eq!(budget.rest_ms_before(10_000), Some(60_000));
        assert_eq!(budget.rest_ms_before(10_001), None);
        for _ in 0..59_999 {
            budget.tick(false);
        }
        assert_eq!(budget.rest_ms_before(10_000), Some(1));
        budget.tick(false);
        assert_eq!(budget.rest_ms_before(10_000), Some(0));
        for _ in 0..10_000 {
            budget.tick(true);
        }
        assert_eq!(budget.left_ms(), 0);
        budget.tick(true);
        assert_eq!(budget.left_ms(), 0);
    }

    #[test]
    fn planning_ahead_is_ticking_ahead() {
        let mut ticked = DriveBudget::empty(7, 13);
        for (drive_on, ms) in [(false, 5), (true, 2), (false, 11), (true, 3), (false, 40), (true, 9)] {
            let planned = ticked.after_ms(drive_on, ms);
            for _ in 0..ms {
                ticked.tick(drive_on);
            }
            assert_eq!(planned, ticked);
        }
        assert_eq!(ticked.after_ms(false, u32::MAX).left_ms(), 7);
        assert_eq!(ticked.after_ms(true, u32::MAX).left_ms(), 0);
    }

    #[test]
    fn an_account_is_set_to_what_fits() {
        let set = |left_ms| DriveBudget::empty(7, 13).with_left_ms(left_ms);
        assert_eq!([0, 3, 7, 8, u32::MAX].map(|left_ms| set(left_ms).left_ms()), [0, 3, 7, 7, 7]);
        assert_eq!(set(3).rest_ms_before(7), Some(8), "4 ms at 13 of rest for 7 on");
        let mut ticked = set(3);
        ticked.tick(true);
        assert_eq!(ticked, set(2));
    }

    #[test]
    fn a_new_rating_never_adds_drive_time() {
        let mut budget = DriveBudget::empty(30_000, 20_000);
        for _ in 0..10_000 {
            budget.tick(false);
        }
        assert_eq!(budget.left_ms(), 15_000);
        assert_eq!(budget.rated(10_000, 60_000).left_ms(), 10_000);
        assert_eq!(budget.rated(60_000, 1).left_ms(), 15_000);
    }
}
