//! When nothing can be trusted any more: everything off, leave a mark, wait for the watchdog.
#![allow(unsafe_code)] // exception handlers are entered by the processor

use super::mark;
use embassy_stm32::pac::gpio::regs::Bsrr;
use embassy_stm32::pac::timer::regs::BdtrAdv;
use embassy_stm32::pac::{DAC1, GPIOC, TIM1, TIM8};
use stepwell_nucleo_g474re::pinmap::RELAYS_ON_PORT_C;
use stepwell_nucleo_g474re::reset::Mark;

/// Puts every output to rest, unstaged, by plain writes that need neither stack nor state, and waits
/// for the watchdog to restart the board.
pub fn fall() -> ! {
    cortex_m::interrupt::disable();
    // Of the locked fields writing zero changes nothing; it clears the main output enable.
    TIM1.bdtr().write_value(BdtrAdv(0));
    TIM8.bdtr().write_value(BdtrAdv(0));
    GPIOC.bsrr().write_value(Bsrr(u32::from(RELAYS_ON_PORT_C) << 16));
    DAC1.dhr12r(0).write(|w| w.set_dhr(0));
    mark::set(Mark::Fault);
    loop {
        cortex_m::asm::nop();
    }
}

#[panic_handler]
fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
    fall()
}

/// Every fault ends here. The stack may be what is broken, so it is started anew before anything is
/// pushed on it.
// SAFETY: the name is the one that the vector table expects; nothing else defines it.
#[unsafe(export_name = "HardFault")]
#[unsafe(naked)]
extern "C" fn hard_fault() -> ! {
    core::arch::naked_asm!(
        "ldr r0, =_stack_start",
        "msr msp, r0",
        "b {fall}",
        fall = sym fall,
    )
}

#[cortex_m_rt::exception]
unsafe fn NonMaskableInt() -> ! {
    fall()
}

#[cortex_m_rt::exception]
unsafe fn DefaultHandler(_: i16) -> ! {
    fall()
}
