//! Clocks, and what the chip knows of its last reset and its supply.

use embassy_stm32::Config;
use embassy_stm32::pac::{FLASH, PWR, RCC, SYSCFG};
use embassy_stm32::rcc::{Hse, HseMode, LsConfig, Pll, PllMul, PllPreDiv, PllRDiv, PllSource, Sysclk};
use embassy_stm32::time::Hertz;
use stepwell_nucleo_g474re::clocks::{CORE_HZ, CRYSTAL_HZ};

/// PWR_CR2.PLS: the supply detector's highest level, about 2.9 V (RM0440, PWR, from memory).
const DETECTOR_LEVEL: u8 = 6;

/// The flags of RCC_CSR, which are cleared for the next start.
pub fn reset_flags() -> u32 {
    let flags = RCC.csr().read().0;
    RCC.csr().modify(|w| w.set_rmvf(true));
    flags
}

/// Starts crystal and PLL and what watches over them and over the supply; returns the brown-out level
/// of the option bytes. A crystal that does not start leaves the rest to the watchdog.
#[inline(never)]
pub fn start_clocks() -> u8 {
    let mut config = Config::default();
    config.rcc.hse = Some(Hse { freq: Hertz(CRYSTAL_HZ), mode: HseMode::Oscillator });
    // PLL_DIVIDE, PLL_MULTIPLY, PLL_OUTPUT_DIVIDE in `clocks`.
    config.rcc.pll = Some(Pll {
        source: PllSource::HSE,
        prediv: PllPreDiv::DIV6,
        mul: PllMul::MUL85,
        divp: None,
        divq: None,
        divr: Some(PllRDiv::DIV2),
    });
    config.rcc.sys = Sysclk::PLL1_R;
    config.rcc.boost = true;
    config.rcc.hsi48 = None;
    config.rcc.ls = LsConfig::off();
    // Peripherals are taken by the modules here, each by one; what pins they use, `pinmap` says.
    let _ = embassy_stm32::init(config);
    let _: () = const { assert!(CORE_HZ == 24_000_000 / 6 * 85 / 2) };

    // A crystal that stops breaks both PWM timers in hardware and raises the NMI.
    RCC.cr().modify(|w| w.set_csson(true));
    PWR.cr2().modify(|w| {
        w.set_pls(DETECTOR_LEVEL);
        w.set_pvde(true);
    });
    // So do a processor that has locked up, flash that cannot be corrected and a supply that sinks;
    // these three only break the timers (RM0440, SYSCFG_CFGR2, from memory).
    SYSCFG.cfgr2().modify(|w| {
        w.set_cll(true);
        w.set_eccl(true);
        w.set_pvdl(true);
    });
    FLASH.optr().read().bor_lev()
}
