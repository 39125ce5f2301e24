//! The watchdog: fed once per tick. Not fed for [`PERIOD_MS`] it raises the non-maskable interrupt, for
//! as long again it resets the processor. Registers: Arm, Cortex-M System Design Kit Technical
//! Reference Manual, APB watchdog, from memory.
#![allow(unsafe_code)]

/// Time to the interrupt and from there to the reset, in ms.
pub(crate) const PERIOD_MS: u16 = 50;

const BASE: usize = 0x4000_8000;
const LOAD: usize = 0x000;
const CONTROL: usize = 0x008;
const CLEAR: usize = 0x00C;
const LOCK: usize = 0xC00;

const CLOCK_HZ: u32 = 25_000_000;
const INTERRUPT_AND_RESET: u32 = 0b11;
const UNLOCK: u32 = 0x1ACC_E551;

fn write(register: usize, value: u32) {
    // SAFETY: a register of the watchdog, which nothing else touches.
    unsafe { core::ptr::write_volatile((BASE + register) as *mut u32, value) }
}

/// Starts it. It cannot be stopped by accident: it is locked again.
pub(crate) fn start() {
    write(LOCK, UNLOCK);
    write(LOAD, CLOCK_HZ / 1_000 * PERIOD_MS as u32);
    write(CONTROL, INTERRUPT_AND_RESET);
    write(LOCK, 0);
}

/// Puts it off for another period.
pub(crate) fn feed() {
    write(LOCK, UNLOCK);
    write(CLEAR, 1);
    write(LOCK, 0);
}
