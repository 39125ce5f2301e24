//! Why the board started: from the flags of RCC_CSR and a word that outlives a reset.

use stepwell_protocol::identity::ResetCause;

/// What the board leaves behind in RAM, in a word that starting does not clear. After a long time
/// without power it is anything.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mark {
    /// Nothing to tell.
    None,
    /// Something was energised.
    Energised,
    /// A fault or panic was caught.
    Fault,
}

impl Mark {
    const ENERGISED: u32 = 0x5ce9_e2a6;
    const FAULT: u32 = 0xa31d_4f58;

    /// As it stands in RAM.
    #[must_use]
    pub const fn word(self) -> u32 {
        match self {
            Mark::None => 0,
            Mark::Energised => Mark::ENERGISED,
            Mark::Fault => Mark::FAULT,
        }
    }

    /// From what stands in RAM; anything unknown is nothing.
    #[must_use]
    pub const fn from_word(word: u32) -> Mark {
        match word {
            Mark::ENERGISED => Mark::Energised,
            Mark::FAULT => Mark::Fault,
            _ => Mark::None,
        }
    }
}

// RCC_CSR (RM0440, RCC registers, from memory).
const BROWN_OUT: u32 = 1 << 27;
const INDEPENDENT_WATCHDOG: u32 = 1 << 29;
const WINDOW_WATCHDOG: u32 = 1 << 30;
const LOW_POWER: u32 = 1 << 31;

/// The cause of a start. `csr` is RCC_CSR, whose flags were cleared at the start before.
///
/// The pin's flag comes with every reset and so decides nothing. Power coming on and the supply
/// falling too low set the same flag: it was a brown-out if something was energised, and otherwise
/// somebody switched the board off. A reset by software or for new option bytes is somebody with a
/// debugger, who might as well have pulled the pin.
#[must_use]
pub const fn cause(csr: u32, mark: Mark) -> ResetCause {
    match mark {
        Mark::Fault => ResetCause::Fault,
        _ if csr & (INDEPENDENT_WATCHDOG | WINDOW_WATCHDOG) != 0 => ResetCause::Watchdog,
        _ if csr & LOW_POWER != 0 => ResetCause::Fault,
        Mark::Energised if csr & BROWN_OUT != 0 => ResetCause::BrownOut,
        Mark::None if csr & BROWN_OUT != 0 => ResetCause::PowerOn,
        _ => ResetCause::Pin,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const OPTION_BYTES: u32 = 1 << 25;
    const PIN: u32 = 1 << 26;
    const SOFTWARE: u32 = 1 << 28;

    #[test]
    fn every_flag_has_its_cause_whether_or_not_the_pin_shows_it_too() {
        for (csr, mark, expected) in [
            (BROWN_OUT, Mark::None, ResetCause::PowerOn),
            (BROWN_OUT, Mark::Energised, ResetCause::BrownOut),
            (0, Mark::None, ResetCause::Pin),
            (0, Mark::Energised, ResetCause::Pin),
            (SOFTWARE, Mark::None, ResetCause::Pin),
            (OPTION_BYTES, Mark::None, ResetCause::Pin),
            (INDEPENDENT_WATCHDOG, Mark::None, ResetCause::Watchdog),
            (INDEPENDENT_WATCHDOG, Mark::Energised, ResetCause::Watchdog),
            (WINDOW_WATCHDOG, Mark::None, ResetCause::Watchdog),
            (LOW_POWER, Mark::None, ResetCause::Fault),
            (INDEPENDENT_WATCHDOG, Mark::Fault, ResetCause::Fault),
            (BROWN_OUT, Mark::Fault, ResetCause::Fault),
        ] {
            assert_eq!(cause(csr, mark), expected, "{csr:#x} {mark:?}");
            assert_eq!(cause(csr | PIN, mark), expected, "{csr:#x} with the pin, {mark:?}");
        }
    }

    #[test]
    fn marks_survive_as_words_and_noise_is_none() {
        for mark in [Mark::None, Mark::Energised, Mark::Fault] {
            assert_eq!(Mark::from_word(mark.word()), mark);
            for bit in 0..32 {
                assert_eq!(Mark::from_word(mark.word() ^ 1 << bit), Mark::None);
            }
        }
        assert_eq!(Mark::from_word(u32::MAX), Mark::None);
    }
}
