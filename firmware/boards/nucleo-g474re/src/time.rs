//! The microsecond clock and the ticks on it.

/// Length of a tick in microseconds.
const TICK_US: u64 = 1_000;

/// Makes 64 bits of a free-running 32-bit count.
#[derive(Clone, Copy, Debug, Default)]
pub struct Microseconds {
    latest: u64,
}

impl Microseconds {
    /// A clock at zero.
    pub const ZERO: Microseconds = Microseconds { latest: 0 };

    /// The time at which the count is `raw`. To be asked at least once per turn of the count: every
    /// 71 minutes at one microsecond.
    pub const fn at(&mut self, raw: u32) -> u64 {
        self.latest += raw.wrapping_sub(self.latest as u32) as u64;
        self.latest
    }
}

/// When the next tick is due.
#[derive(Clone, Copy, Debug)]
pub struct Schedule {
    next_us: u64,
}

impl Schedule {
    /// The first tick is due one tick after `now_us`.
    #[must_use]
    pub const fn from(now_us: u64) -> Schedule {
        Schedule { next_us: now_us + TICK_US }
    }

    /// Whether a tick is due. Ticks that were missed altogether are not made up for: the board's
    /// time stands still while the board does.
    pub const fn due(&mut self, now_us: u64) -> bool {
        if now_us < self.next_us {
            return false;
        }
        self.next_us += (now_us - self.next_us) / TICK_US * TICK_US + TICK_US;
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_clock_goes_on_where_the_count_wraps() {
        let mut clock = Microseconds::ZERO;
        assert_eq!(clock.at(5), 5);
        assert_eq!(clock.at(u32::MAX), u64::from(u32::MAX));
        assert_eq!(clock.at(u32::MAX), u64::from(u32::MAX));
        assert_eq!(clock.at(0), 1 << 32);
        assert_eq!(clock.at(u32::MAX), (1 << 33) - 1);
        assert_eq!(clock.at(9), (1 << 33) + 9);
        // What pulses are timed with is its lower end.
        assert_eq!(clock.at(70_000) as u16, 70_000_u32 as u16);
    }

    #[test]
    fn ticks_come_every_millisecond_however_late_each_is_looked_for() {
        let mut schedule = Schedule::from(10);
        let mut ticks = 0;
        for now in 10..1_000_011 {
            // Look only now and then, up to 0.65 ms apart, and at the very end.
            if now % 701 == 0 || now % 650 == 0 || now == 1_000_010 {
                ticks += u32::from(schedule.due(now));
            }
        }
        assert_eq!(ticks, 1_000);
    }

    #[test]
    fn missed_ticks_are_not_made_up_for_and_the_grid_is_kept() {
        let mut schedule = Schedule::from(0);
        assert!(!schedule.due(999));
        assert!(schedule.due(1_000));
        assert!(schedule.due(5_300));
        assert!(!schedule.due(5_999));
        assert!(schedule.due(6_000));
    }
}
