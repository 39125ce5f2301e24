//! PWM of both valves: TIM1 and TIM8, each with its own break input (RM0440, advanced-control timers,
//! from memory).
//!
//! After a break the output stays low until [`mend`] is called, which happens when the board itself
//! asks for rest, and until then every setting of it fails.

use super::pins;
use embassy_stm32::pac::timer::TimAdv;
use embassy_stm32::pac::timer::regs::BdtrAdv;
use embassy_stm32::pac::timer::vals::{Bkinp, Ocm};
use embassy_stm32::pac::{TIM1, TIM8};
use embassy_stm32::{peripherals, rcc};
use embedded_hal::pwm::{ErrorType, SetDutyCycle};
use stepwell_nucleo_g474re::clocks::Period;
use stepwell_nucleo_g474re::pinmap::{self, Pin};
use stepwell_nucleo_g474re::pwm::{Break, Broken, Change, OUTPUTS_ON, PERIODS, change};

const INLET: Period = PERIODS[0];
const PRESSURE: Period = PERIODS[1];

/// The inlet valve, on TIM1.
#[derive(Debug)]
pub struct InletValve;

/// The pressure valve, on TIM8.
#[derive(Debug)]
pub struct PressureValve;

impl InletValve {
    /// Starts its timer with the output off.
    pub fn start() -> InletValve {
        rcc::enable_and_reset::<peripherals::TIM1>();
        start(TIM1, INLET, &pinmap::INLET_BREAK, &pinmap::INLET_VALVE);
        InletValve
    }
}

impl PressureValve {
    /// Starts its timer with the output off.
    pub fn start() -> PressureValve {
        rcc::enable_and_reset::<peripherals::TIM8>();
        start(TIM8, PRESSURE, &pinmap::PRESSURE_BREAK, &pinmap::PRESSURE_VALVE);
        PressureValve
    }
}

impl ErrorType for InletValve {
    type Error = Broken;
}

impl ErrorType for PressureValve {
    type Error = Broken;
}

impl SetDutyCycle for InletValve {
    fn max_duty_cycle(&self) -> u16 {
        INLET.counts
    }

    fn set_duty_cycle(&mut self, compare: u16) -> Result<(), Broken> {
        set(TIM1, compare)
    }
}

impl SetDutyCycle for PressureValve {
    fn max_duty_cycle(&self) -> u16 {
        PRESSURE.counts
    }

    fn set_duty_cycle(&mut self, compare: u16) -> Result<(), Broken> {
        set(TIM8, compare)
    }
}

/// Ends a break of either timer, at 0 %. As long as the break input is active, hardware does not let
/// it end. To be called only when the board asks for rest.
pub fn mend() {
    for timer in [TIM1, TIM8] {
        if !is_on(timer) {
            timer.ccr(0).write(|w| w.set_ccr(0));
            timer.egr().write(|w| w.set_ug(true));
            timer.sr().write(|w| w.0 = 0);
            timer.bdtr().modify(|w| w.0 |= OUTPUTS_ON);
        }
    }
}

/// Sets everything, locks it, and only then connects the pin, which rests low on its resistor until
/// then. The outputs are switched on by the first [`mend`].
fn start(timer: TimAdv, period: Period, break_pin: &Pin, output: &Pin) {
    pins::connect(break_pin);
    timer.psc().write_value(period.psc());
    timer.arr().write(|w| w.set_arr(period.arr()));
    timer.ccr(0).write(|w| w.set_ccr(0));
    timer.ccmr_output(0).write(|w| {
        w.set_ocm(0, Ocm::PWM_MODE1);
        w.set_ocpe(0, true);
    });
    timer.ccer().write(|w| w.set_cce(0, true));
    timer.af1().write(|w| {
        w.set_bkine(true);
        w.set_bkinp(Bkinp::NOT_INVERTED);
    });
    timer.bdtr().write_value(BdtrAdv(Break::USED.word()));
    timer.egr().write(|w| w.set_ug(true)); // takes prescaler and compare value over
    timer.cr1().write(|w| {
        w.set_arpe(true);
        w.set_cen(true);
    });
    pins::connect(output);
}

fn is_on(timer: TimAdv) -> bool {
    timer.bdtr().read().0 & OUTPUTS_ON != 0
}

fn set(timer: TimAdv, compare: u16) -> Result<(), Broken> {
    match change(timer.ccr(0).read().ccr(), compare) {
        Change::None => {}
        Change::NextPeriod => timer.ccr(0).write(|w| w.set_ccr(compare)),
        Change::Now => {
            timer.ccr(0).write(|w| w.set_ccr(compare));
            timer.egr().write(|w| w.set_ug(true));
        }
    }
    if is_on(timer) { Ok(()) } else { Err(Broken) }
}
