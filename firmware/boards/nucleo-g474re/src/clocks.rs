//! All frequencies, from the crystal to the last divider.

/// Crystal on the Nucleo board, hertz.
pub const CRYSTAL_HZ: u32 = 24_000_000;

/// The PLL: crystal / 6 × 85 / 2. Its input may be 2.66 to 16 MHz, its oscillator 96 to 344 MHz
/// (data sheet DS12288, PLL characteristics, from memory).
pub const PLL_DIVIDE: u32 = 6;
/// See [`PLL_DIVIDE`].
pub const PLL_MULTIPLY: u32 = 85;
/// See [`PLL_DIVIDE`].
pub const PLL_OUTPUT_DIVIDE: u32 = 2;

/// Processor, both buses and all timers, hertz. 170 MHz is the most the part allows.
pub const CORE_HZ: u32 = CRYSTAL_HZ / PLL_DIVIDE * PLL_MULTIPLY / PLL_OUTPUT_DIVIDE;

/// Ticks of the board, hertz.
pub const TICK_HZ: u32 = 1_000;

/// PWM of each coil, inlet first, hertz: as on the built-in bench.
pub const PWM_HZ: [u16; 2] = [200, 1_000];

/// Every analogue channel is converted this often, hertz; bursts keep every conversion.
pub const SAMPLE_HZ: u32 = 20_000;

/// Line to the debugger on the Nucleo board, baud.
pub const BAUD: u32 = 921_600;

/// Most bytes that the line carries in a tick: ten bits make a byte.
pub const LINE_BYTES_PER_TICK: usize = BAUD.div_ceil(10 * TICK_HZ) as usize;

/// Divider of the line (USART_BRR with 16 samples a bit; RM0440, USART baud rate generation, from
/// memory).
pub const BAUD_DIVIDER: u16 = ((CORE_HZ + BAUD / 2) / BAUD) as u16;

/// The watchdog's own oscillator, hertz; it may be off by some 10 %.
pub const WATCHDOG_HZ: u32 = 32_000;

/// The watchdog's prescaler.
pub const WATCHDOG_PRESCALER: u32 = 4;

/// After this long without being fed the watchdog restarts the board, milliseconds.
pub const WATCHDOG_MS: u32 = 50;

/// Value of IWDG_RLR for [`WATCHDOG_MS`].
pub const WATCHDOG_RELOAD: u16 = (WATCHDOG_HZ / WATCHDOG_PRESCALER * WATCHDOG_MS / 1_000 - 1) as u16;

/// How a timer divides its clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Period {
    /// Cycles of the clock in one count, 1 to 65 536.
    pub prescaler: u32,
    /// Counts in one period, 1 to 65 535, so that a compare value can lie beyond the last one.
    pub counts: u16,
}

impl Period {
    /// The finest division of `clock_hz` that gives exactly `hz`.
    ///
    /// # Panics
    /// If there is none. All uses are constants, so that this ends the build and not the board.
    #[must_use]
    pub const fn of(clock_hz: u32, hz: u32) -> Period {
        let cycles = clock_hz / hz;
        assert!(cycles * hz == clock_hz, "the frequency does not divide the clock");
        let mut prescaler = 1;
        while prescaler <= 65_536 {
            let counts = cycles / prescaler;
            if counts <= u16::MAX as u32 && counts * prescaler == cycles {
                return Period { prescaler, counts: counts as u16 };
            }
            prescaler += 1;
        }
        panic!("no prescaler fits");
    }

    /// Value of TIMx_PSC.
    #[must_use]
    pub const fn psc(self) -> u16 {
        (self.prescaler - 1) as u16
    }

    /// Value of TIMx_ARR.
    #[must_use]
    pub const fn arr(self) -> u16 {
        self.counts - 1
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_pll_stays_within_its_limits() {
        assert_eq!(CORE_HZ, 170_000_000);
        let input = CRYSTAL_HZ / PLL_DIVIDE;
        assert!((2_660_000..=16_000_000).contains(&input));
        assert!((96_000_000..=344_000_000).contains(&(input * PLL_MULTIPLY)));
    }

    #[test]
    fn a_period_is_exact_fine_and_leaves_room_for_full_duty() {
        for hz in [PWM_HZ[0].into(), PWM_HZ[1].into(), SAMPLE_HZ] {
            let period = Period::of(CORE_HZ, hz);
            assert_eq!(period.prescaler * u32::from(period.counts) * hz, CORE_HZ, "{hz} Hz");
            assert_eq!(u32::from(period.psc()) + 1, period.prescaler);
            assert_eq!(u32::from(period.arr()) + 1, u32::from(period.counts));
        }
        for hz in PWM_HZ {
            // Finer than the 0.01 % of the wire.
            assert!(Period::of(CORE_HZ, hz.into()).counts > 10_000);
        }
    }

    #[test]
    fn a_period_takes_the_smallest_prescaler_that_fits() {
        assert_eq!(Period::of(65_535, 1), Period { prescaler: 1, counts: 65_535 });
        assert_eq!(Period::of(65_536, 1), Period { prescaler: 2, counts: 32_768 });
        // 850 000 cycles: 13 would do for size, 16 is the first that divides.
        assert_eq!(Period::of(170_000_000, 200), Period { prescaler: 16, counts: 53_125 });
    }

    #[test]
    #[should_panic(expected = "does not divide")]
    fn a_period_that_is_not_exact_is_refused() {
        let _ = Period::of(170_000_000, 3_000);
    }

    #[test]
    fn the_line_is_within_half_a_percent() {
        let baud = f64::from(CORE_HZ) / f64::from(BAUD_DIVIDER);
        assert!((baud / f64::from(BAUD) - 1.0).abs() < 0.005, "{baud}");
        assert_eq!(LINE_BYTES_PER_TICK, 93);
    }

    #[test]
    fn ticks_and_conversions_keep_step() {
        assert_eq!(SAMPLE_HZ % TICK_HZ, 0);
        // Whole PWM periods fit a whole number of ticks or the other way round: no beat.
        for hz in PWM_HZ {
            assert!(TICK_HZ.is_multiple_of(hz.into()) || u32::from(hz).is_multiple_of(TICK_HZ));
        }
    }

    #[test]
    fn the_watchdog_waits_fifty_milliseconds() {
        let counts = u32::from(WATCHDOG_RELOAD) + 1;
        assert_eq!(counts * WATCHDOG_PRESCALER * 1_000 / WATCHDOG_HZ, 50);
        assert!(counts <= 4_096);
    }
}
