//! What this board knows of itself: everything that makes it different from another one.

use crate::clocks::{PWM_HZ, SAMPLE_HZ};
use stepwell_core::BoardFacts;
use stepwell_protocol::guards::Ceilings;
use stepwell_protocol::identity::ResetCause;

/// Conversions that make up an analogue word, as far as its scale goes; see [`crate::samples`].
pub const CONVERSIONS_PER_TICK: u8 = 10;

/// Count of one 12-bit conversion at full scale.
const CONVERSION_FULL_SCALE: u16 = 4_095;

/// Nominal full scale in millivolts: the Nucleo board's 3.3 V regulator.
pub const FULL_SCALE_MV: u16 = 3_300;

/// How far full scale may be from nominal, millivolts: 5 %.
const FULL_SCALE_OFF_MV: u16 = 165;

/// Supply at which the factory read the internal reference, millivolts (DS12288, from memory).
const CALIBRATED_AT_MV: u32 = 3_000;

/// Counts of an analogue word at `mv` millivolts at the pin.
const fn counts(mv: u32) -> u16 {
    (mv * CONVERSIONS_PER_TICK as u32 * CONVERSION_FULL_SCALE as u32 / FULL_SCALE_MV as u32) as u16
}

/// Millivolts at the pin for `mv` millivolts of a 5 V sensor: a divider leaves two thirds.
const fn at_pin(mv: u32) -> u32 {
    mv * 2 / 3
}

/// Limits compiled into this board: those of the built-in bench, behind this board's dividers. The
/// rail sensor gives 0.5 V to 4.5 V over 200 MPa, and 160 MPa is the ceiling; the current channels
/// give 1 V/A, and 4.8 A is the ceiling.
pub const CEILINGS: Ceilings = Ceilings {
    rail_max: counts(at_pin(500 + 4_000 * 160 / 200)),
    current_max: counts(at_pin(4_800)),
    duty_max_e4: 10_000,
    drive_rpm_max: 1_500,
    drive_on_ms_max: 30_000,
    drive_rest_ms_min: 20_000,
    dwell_ms_max: 60_000,
};

/// What only the chip itself can tell.
#[derive(Clone, Copy, Debug)]
pub struct Chip {
    /// Its 96-bit number.
    pub uid: [u8; 12],
    /// Why it started.
    pub reset: ResetCause,
    /// Its brown-out level, 0 to 4, from the option bytes.
    pub brown_out_level: u8,
    /// Full scale of its converters, in millivolts.
    pub full_scale_mv: u16,
}

/// The brown-out level to set in the option bytes: 4, 2.8 V. As delivered it is 0, 1.7 V, at which
/// the converters' reference is long gone.
pub const BROWN_OUT_LEVEL: u8 = 4;

/// The facts of a board with this chip. A brown-out level below [`BROWN_OUT_LEVEL`] shows in the name.
#[must_use]
pub const fn facts(chip: &Chip) -> BoardFacts {
    BoardFacts {
        board: if chip.brown_out_level < BROWN_OUT_LEVEL {
            "Nucleo-G474RE, BOR level low"
        } else {
            "Nucleo-G474RE"
        },
        firmware: env!("CARGO_PKG_VERSION"),
        serial: serial(&chip.uid),
        simulated: false,
        reset: chip.reset,
        conversions_per_tick: CONVERSIONS_PER_TICK,
        conversion_full_scale: CONVERSION_FULL_SCALE,
        full_scale_mv: chip.full_scale_mv,
        burst_hz: SAMPLE_HZ,
        pwm_hz: PWM_HZ,
        ceilings: CEILINGS,
    }
}

/// 64 bits of the chip's 96: FNV-1a (the parameters of Fowler, Noll and Vo).
const fn serial(uid: &[u8; 12]) -> u64 {
    let mut hash = 0xcbf2_9ce4_8422_2325_u64;
    let mut rest: &[u8] = uid;
    while let [byte, more @ ..] = rest {
        hash = (hash ^ *byte as u64).wrapping_mul(0x0000_0100_0000_01b3);
        rest = more;
    }
    hash
}

/// Full scale in millivolts, from a conversion of the internal reference and what the factory read
/// of it at 3.0 V: `V = 3000 mV × calibration / reading` (RM0440, ADC, from memory).
/// `None` when it is not within 5 % of nominal: then the converters, their reference or the supply
/// are not sound.
#[must_use]
pub const fn full_scale_mv(calibration: u16, reading: u16) -> Option<u16> {
    if reading == 0 {
        return None;
    }
    let reading = reading as u32;
    let mv = (CALIBRATED_AT_MV * calibration as u32 + reading / 2) / reading;
    if mv.abs_diff(FULL_SCALE_MV as u32) <= FULL_SCALE_OFF_MV as u32 { Some(mv as u16) } else { None }
}

#[cfg(test)]
mod tests {
    use super::*;

    const CHIP: Chip = Chip {
        uid: [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12],
        reset: ResetCause::PowerOn,
        brown_out_level: 4,
        full_scale_mv: 3_300,
    };

    #[test]
    fn ceilings_stand_for_160_megapascal_and_4_8_ampere() {
        let volts = |counts: u16| f64::from(counts) / 40_950.0 * 3.3 * 1.5;
        let one_count_and_a_millivolt = 0.002;
        assert!((volts(CEILINGS.rail_max) - 3.7).abs() < one_count_and_a_millivolt);
        assert!((volts(CEILINGS.current_max) - 4.8).abs() < one_count_and_a_millivolt);
    }

    #[test]
    fn a_low_brown_out_level_shows_in_the_name_which_fits() {
        let low = facts(&Chip { brown_out_level: 3, ..CHIP });
        assert!(low.board.contains("BOR") && low.board.len() <= 32);
        assert_eq!(facts(&CHIP).board, "Nucleo-G474RE");
        assert!(!low.simulated);
        assert!(low.firmware.len() <= 16);
    }

    #[test]
    fn the_serial_depends_on_every_byte_of_the_chips_number() {
        for byte in 0..12 {
            let mut uid = CHIP.uid;
            uid[byte] ^= 0x80;
            assert_ne!(serial(&uid), serial(&CHIP.uid));
        }
        // FNV-1a of nothing but zeros is not zero.
        assert_ne!(serial(&[0; 12]), 0);
    }

    #[test]
    fn full_scale_follows_the_reference_and_is_refused_where_it_cannot_be() {
        // 1.212 V against 3.0 V is 1654; against 3.3 V 1504.
        assert_eq!(full_scale_mv(1_654, 1_504), Some(3_299));
        assert_eq!(full_scale_mv(1_654, 1_654), None);
        assert_eq!(full_scale_mv(1_654, 1_300), None);
        assert_eq!(full_scale_mv(1_654, 0), None);
        assert_eq!(full_scale_mv(0, 1_504), None);
        assert_eq!(full_scale_mv(u16::MAX, 1), None);
    }
}
