//! Settings of the two PWM timers, and how a duty is changed.

use crate::clocks::{CORE_HZ, PWM_HZ, Period};

/// Period of each coil's timer, inlet first.
pub const PERIODS: [Period; 2] =
    [Period::of(CORE_HZ, PWM_HZ[0] as u32), Period::of(CORE_HZ, PWM_HZ[1] as u32)];

/// Break and lock settings of a PWM timer: the fields of TIMx_BDTR (RM0440, advanced-control timers,
/// from memory).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Break {
    /// LOCK, 0 to 3: how much can no longer be written, until the next reset.
    pub lock: u8,
    /// OSSI: whether a broken timer still drives its pin, to the idle level.
    pub drives_idle_level: bool,
    /// BKE: whether the break input works.
    pub enabled: bool,
    /// BKP: whether high breaks.
    pub active_high: bool,
    /// AOE: whether the outputs come back by themselves.
    pub automatic: bool,
    /// BKF, 0 to 15: filter of the break input.
    pub filter: u8,
}

impl Break {
    /// As used here. The input breaks when high, so that a comparator with an open output and a wire
    /// that is broken or unplugged break alike. A break lasts until software ends it. The pin goes to
    /// its idle level, low, and is held there. Lock level 3 protects these settings, the idle level
    /// and the mode of the output. The filter takes eight samples, 32 cycles of the clock apart:
    /// 1.5 µs.
    pub const USED: Break = Break {
        lock: 3,
        drives_idle_level: true,
        enabled: true,
        active_high: true,
        automatic: false,
        filter: 0b1111,
    };

    /// The word for TIMx_BDTR, with the outputs still off. It must be the first one written: the lock
    /// takes effect with it.
    #[must_use]
    pub const fn word(self) -> u32 {
        (self.lock as u32 & 0b11) << 8
            | (self.drives_idle_level as u32) << 10
            | (self.enabled as u32) << 12
            | (self.active_high as u32) << 13
            | (self.automatic as u32) << 14
            | (self.filter as u32 & 0b1111) << 16
    }
}

/// Main output enable, MOE, in TIMx_BDTR: the one bit that the lock leaves free.
pub const OUTPUTS_ON: u32 = 1 << 15;

/// The output was switched off by its break input.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Broken;

impl embedded_hal::pwm::Error for Broken {
    fn kind(&self) -> embedded_hal::pwm::ErrorKind {
        embedded_hal::pwm::ErrorKind::Other
    }
}

/// When a new compare value takes effect.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Change {
    /// There is nothing to change.
    None,
    /// With the next period, so that none has more than one pulse: up to a period late.
    NextPeriod,
    /// Now, with a new period: switching on, so that a burst sees the edge where it was asked for,
    /// and switching off, which must not wait.
    Now,
}

/// How to go from one compare value to another.
#[must_use]
pub const fn change(from: u16, to: u16) -> Change {
    match (from, to) {
        (from, to) if from == to => Change::None,
        (0, _) | (_, 0) => Change::Now,
        _ => Change::NextPeriod,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use core::convert::Infallible;
    use embedded_hal::pwm::{ErrorType, SetDutyCycle};

    #[test]
    fn the_break_word_has_its_bits_where_the_manual_has_them() {
        let none = Break {
            lock: 0,
            drives_idle_level: false,
            enabled: false,
            active_high: false,
            automatic: false,
            filter: 0,
        };
        assert_eq!(none.word(), 0);
        // RM0440, TIMx_BDTR, from memory.
        assert_eq!(Break { lock: 3, ..none }.word(), 0x0000_0300);
        assert_eq!(Break { drives_idle_level: true, ..none }.word(), 0x0000_0400);
        assert_eq!(Break { enabled: true, ..none }.word(), 0x0000_1000);
        assert_eq!(Break { active_high: true, ..none }.word(), 0x0000_2000);
        assert_eq!(Break { automatic: true, ..none }.word(), 0x0000_4000);
        assert_eq!(Break { filter: 15, ..none }.word(), 0x000f_0000);
        assert_eq!(OUTPUTS_ON, 0x0000_8000);
    }

    #[test]
    fn what_is_used_breaks_for_good_and_does_not_switch_on() {
        assert_eq!(Break::USED.word(), 0x000f_3700);
        assert_eq!(Break::USED.word() & OUTPUTS_ON, 0);
    }

    /// What the glue in core sees of a timer.
    struct Fake(Period, u16);

    impl ErrorType for Fake {
        type Error = Infallible;
    }

    impl SetDutyCycle for Fake {
        fn max_duty_cycle(&self) -> u16 {
            self.0.counts
        }

        fn set_duty_cycle(&mut self, duty: u16) -> Result<(), Infallible> {
            self.1 = duty;
            Ok(())
        }
    }

    #[test]
    fn duty_becomes_a_compare_value_over_its_whole_range() {
        for period in PERIODS {
            let mut timer = Fake(period, 1);
            let mut before = 0;
            for duty_e4 in 0..=10_000 {
                let Ok(()) = timer.set_duty_cycle_fraction(duty_e4, 10_000);
                let exact = f64::from(duty_e4) / 10_000.0 * f64::from(period.counts);
                assert!((f64::from(timer.1) - exact).abs() < 1.0, "{duty_e4}: {}", timer.1);
                assert!(duty_e4 == 0 || timer.1 > before, "every 0.01 % makes a difference");
                before = timer.1;
            }
            let Ok(()) = timer.set_duty_cycle_fraction(0, 10_000);
            assert_eq!(timer.1, 0, "0 % is never on");
            let Ok(()) = timer.set_duty_cycle_fraction(10_000, 10_000);
            assert!(timer.1 > period.arr(), "100 % is never off");
        }
    }

    #[test]
    fn switching_is_immediate_and_anything_else_waits_for_the_period() {
        assert_eq!(change(0, 0), Change::None);
        assert_eq!(change(7, 7), Change::None);
        assert_eq!(change(0, 7), Change::Now);
        assert_eq!(change(7, 0), Change::Now);
        assert_eq!(change(7, 8), Change::NextPeriod);
        assert_eq!(change(8, 7), Change::NextPeriod);
    }
}
