//! The independent watchdog: once started, only a reset ends it (RM0440, IWDG, from memory).

use embassy_stm32::pac::IWDG;
use embassy_stm32::pac::iwdg::vals::{Key, Pr};
use stepwell_nucleo_g474re::clocks::{WATCHDOG_PRESCALER, WATCHDOG_RELOAD};

/// Starts it.
pub fn start() {
    let _: () = const { assert!(WATCHDOG_PRESCALER == 4) };
    IWDG.kr().write(|w| w.set_key(Key::START));
    IWDG.kr().write(|w| w.set_key(Key::ENABLE));
    IWDG.pr().write(|w| w.set_pr(Pr::DIVIDE_BY4));
    IWDG.rlr().write(|w| w.set_rl(WATCHDOG_RELOAD));
    while IWDG.sr().read().0 != 0 {}
    feed();
}

/// Gives the loop its time anew.
pub fn feed() {
    IWDG.kr().write(|w| w.set_key(Key::RESET));
}
