//! The end of the stack, made inaccessible: what runs over it faults. On the real board there is no
//! memory below the stack; this machine swallows writes there, so the memory protection unit stands in.
//! Registers: Armv7-M Architecture Reference Manual, B3.5, from memory.
#![allow(unsafe_code)]

const CONTROL: usize = 0xE000_ED94;
const REGION: usize = 0xE000_ED98;
const BASE: usize = 0xE000_ED9C;
const ATTRIBUTES: usize = 0xE000_EDA0;

/// The first kilobyte of RAM, which is the last of the stack (memory.x).
const END_OF_STACK: u32 = 0x2000_0000;

/// No execution, no access, 2^(9 + 1) bytes, on.
const NOTHING: u32 = 1 << 28 | 9 << 1 | 1;

/// On, all other memory as without it.
const ON: u32 = 1 << 2 | 1;

fn write(register: usize, value: u32) {
    // SAFETY: a register of the memory protection unit, which nothing else touches.
    unsafe { core::ptr::write_volatile(register as *mut u32, value) }
}

/// Raises the guard.
pub(crate) fn raise() {
    write(REGION, 0);
    write(BASE, END_OF_STACK);
    write(ATTRIBUTES, NOTHING);
    write(CONTROL, ON);
    cortex_m::asm::dsb();
    cortex_m::asm::isb();
}
