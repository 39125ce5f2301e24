//! The microsecond clock: TIM2, which also times the pulses.

use super::pins;
use embassy_stm32::pac::TIM2;
use embassy_stm32::pac::timer::vals::{CcmrInputCcs, Ckd, FilterValue};
use embassy_stm32::{peripherals, rcc};
use stepwell_nucleo_g474re::clocks::CORE_HZ;
use stepwell_nucleo_g474re::pinmap;
use stepwell_nucleo_g474re::time::Microseconds;

/// The running clock.
#[derive(Debug)]
pub struct Clock {
    time: Microseconds,
}

impl Clock {
    /// Starts it, with channel 1 noting the rising edges of the flow meter and channel 3 those of the
    /// shaft sensor, and asking for DMA at each. An edge must have lasted 8 samples, 128 cycles of
    /// the clock apart: 6 µs.
    pub fn start() -> Clock {
        rcc::enable_and_reset::<peripherals::TIM2>();
        pins::connect(&pinmap::FLOW);
        pins::connect(&pinmap::SHAFT);
        TIM2.psc().write_value((CORE_HZ / 1_000_000 - 1) as u16);
        TIM2.arr().write_value(u32::MAX);
        for pair in [0, 1] {
            TIM2.ccmr_input(pair).write(|w| {
                w.set_ccs(0, CcmrInputCcs::TI4); // the channel's own pin
                w.set_icf(0, FilterValue::FDTS_DIV32_N8);
            });
        }
        for channel in [0, 2] {
            TIM2.ccer().modify(|w| w.set_cce(channel, true));
            TIM2.dier().modify(|w| w.set_ccde(channel, true));
        }
        TIM2.cr1().write(|w| w.set_ckd(Ckd::DIV4));
        TIM2.egr().write(|w| w.set_ug(true)); // takes the prescaler over
        TIM2.cr1().modify(|w| w.set_cen(true));
        Clock { time: Microseconds::ZERO }
    }

    /// Microseconds since start.
    pub fn now_us(&mut self) -> u64 {
        self.time.at(TIM2.cnt().read())
    }
}
