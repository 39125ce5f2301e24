//! When the processor falls: outputs at rest, the cause noted where a reset does not reach, and the
//! watchdog left to start it again.
#![allow(unsafe_code)]

use super::semihosting::Plug;
use super::watchdog;
use core::mem::MaybeUninit;
use core::panic::PanicInfo;
use core::ptr::{addr_of, addr_of_mut, read_volatile, write_volatile};
use cortex_m::peripheral::SCB;
use cortex_m_rt::exception;
use stepwell_emulated::exchange::{FromImage, UpsetKind};
use stepwell_protocol::identity::ResetCause;

/// Notes of a fall, told from what memory holds after power-up.
const HUNG: u32 = 0x5A17_0001;
const FAULT: u32 = 0x5A17_0002;

#[unsafe(link_section = ".uninit.fall")]
static mut NOTE: MaybeUninit<u32> = MaybeUninit::uninit();

fn note(word: u32) {
    // SAFETY: one word that is only ever read and written whole, by one thread and its handlers.
    unsafe { write_volatile(addr_of_mut!(NOTE).cast(), word) }
}

/// What the latest fall was, if the note of one is there; takes the note away.
pub(crate) fn take() -> Option<ResetCause> {
    // SAFETY: as above; any bits make a u32.
    let word: u32 = unsafe { read_volatile(addr_of!(NOTE).cast()) };
    note(0);
    match word {
        HUNG => Some(ResetCause::Watchdog),
        FAULT => Some(ResetCause::Fault),
        _ => None,
    }
}

/// Everything to rest; then nothing more until the watchdog resets the processor.
fn fall(word: u32, held_ms: u16) -> ! {
    note(word);
    Plug::open().say(&FromImage::Fell { held_ms });
    loop {
        cortex_m::asm::nop();
    }
}

#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    give_up()
}

/// The program cannot go on.
pub(crate) fn give_up() -> ! {
    fall(FAULT, 0)
}

/// The watchdog's first call. When a handler waits for its second one already, it is left to wait.
#[exception]
unsafe fn NonMaskableInt() -> ! {
    // SAFETY: as in `take`.
    let word: u32 = unsafe { read_volatile(addr_of!(NOTE).cast()) };
    if word == FAULT {
        loop {
            cortex_m::asm::nop();
        }
    }
    fall(HUNG, watchdog::PERIOD_MS)
}

/// Any fault. Its stack may be what has gone, so a fresh one is taken first.
///
/// # Safety
/// Called by the processor only.
#[unsafe(naked)]
#[unsafe(no_mangle)]
unsafe extern "C" fn HardFault() -> ! {
    core::arch::naked_asm!("ldr r0, =_stack_start", "msr msp, r0", "b {}", sym fault);
}

extern "C" fn fault() -> ! {
    give_up()
}

/// Lets `upset` befall the processor.
pub(crate) fn provoke(upset: UpsetKind) {
    match upset {
        UpsetKind::Hang => loop {
            cortex_m::asm::nop();
        },
        // SAFETY: it is not; that is what it is for.
        UpsetKind::HardFault => unsafe { write_volatile(0xF000_0000 as *mut u32, 1) },
        UpsetKind::StackOverflow => {
            deeper(1);
        }
        UpsetKind::Panic => give_up(),
        UpsetKind::BrownOut => SCB::sys_reset(),
    }
}

/// Never comes to an end, and cannot be turned into a loop: what it calls needs its own words.
#[inline(never)]
#[allow(unconditional_recursion)]
fn deeper(depth: u32) -> u32 {
    let words = core::hint::black_box([depth; 16]);
    deeper(words[3].wrapping_add(1)).wrapping_add(words[7])
}
