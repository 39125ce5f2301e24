//! Host time: microseconds since the program began, never wrapping, never set back.
//!
//! A monotonic clock keeps that promise, unless whoever runs the machine moves it to another one or the clock is
//! broken. Without a guard a program would then wait until the old time comes round again: nothing repeated, no silence
//! noticed, no end. `Onward` is that guard.

/// An instant of the host's monotonic clock, in microseconds since the program began.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct HostTime(pub u64);

impl HostTime {
    /// The instant `ms` milliseconds later.
    #[must_use]
    pub const fn plus_ms(self, ms: u64) -> HostTime {
        HostTime(self.0 + ms * 1_000)
    }

    /// Microseconds since `earlier`; 0 when that lies ahead.
    #[must_use]
    pub const fn us_since(self, earlier: HostTime) -> u64 {
        self.0.saturating_sub(earlier.0)
    }
}

/// Time that goes on from where it was when the clock behind it is set back.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Onward {
    latest: HostTime,
    ahead_us: u64,
}

impl Onward {
    /// Begins at `now`.
    pub(crate) const fn from(now: HostTime) -> Onward {
        Onward { latest: now, ahead_us: 0 }
    }

    /// The clock shows `clock`: what time that is.
    pub(crate) fn at(&mut self, clock: HostTime) -> HostTime {
        self.ahead_us = self.ahead_us.max(self.latest.us_since(clock));
        self.latest = self.peek(clock);
        self.latest
    }

    /// What time it was when the clock was last looked at.
    pub(crate) const fn latest(&self) -> HostTime {
        self.latest
    }

    /// The same, by the clock as it was last known.
    pub(crate) const fn peek(&self, clock: HostTime) -> HostTime {
        HostTime(clock.0.saturating_add(self.ahead_us))
    }

    /// What the clock shows at this time.
    pub(crate) const fn clock(&self, time: HostTime) -> HostTime {
        HostTime(time.0.saturating_sub(self.ahead_us))
    }
}

#[cfg(test)]
mod tests {
    use super::{HostTime, Onward};

    #[test]
    fn a_clock_that_is_set_back_goes_on_from_where_it_was() {
        let mut time = Onward::from(HostTime(5_000_000));
        let shown = [5_000_000, 5_000_100, 1_000_000, 1_000_300, 500_000, 500_001];
        let times = shown.map(|clock| time.at(HostTime(clock)).0);
        assert_eq!(times, [5_000_000, 5_000_100, 5_000_100, 5_000_400, 5_000_400, 5_000_401]);
        assert_eq!(time.clock(HostTime(5_000_401)), HostTime(500_001));
        assert_eq!(time.peek(HostTime(500_002)), HostTime(5_000_402));
    }
}
