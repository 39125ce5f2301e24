//! The word that outlives a reset.
#![allow(unsafe_code)] // RAM that starting does not clear has no safe access

use core::cell::UnsafeCell;
use core::mem::MaybeUninit;
use stepwell_nucleo_g474re::reset::Mark;

struct Word(UnsafeCell<MaybeUninit<u32>>);

// SAFETY: there is one processor, no interrupt is enabled, and fatal exceptions do not return: no two
// accesses overlap. Each one is a single volatile word.
unsafe impl Sync for Word {}

// SAFETY: the section is plain RAM that nothing else is placed in or written to by the start-up code.
#[unsafe(link_section = ".uninit.mark")]
static WORD: Word = Word(UnsafeCell::new(MaybeUninit::uninit()));

/// What was left before the reset; from now on there is nothing to tell.
pub fn take() -> Mark {
    // SAFETY: the address is valid and aligned. RAM holds some value even if nobody has written it,
    // and a volatile read takes it as it is.
    let word = unsafe { WORD.0.get().cast::<u32>().read_volatile() };
    set(Mark::None);
    Mark::from_word(word)
}

/// Leaves a mark.
pub fn set(mark: Mark) {
    // SAFETY: the address is valid and aligned; see `Word` for why nothing else writes it meanwhile.
    unsafe { WORD.0.get().cast::<u32>().write_volatile(mark.word()) }
}
