//! The drive's set-point as a voltage.

use crate::facts::CEILINGS;

/// Largest code of the 12-bit DAC: 3.3 V.
pub const DAC_MAX: u16 = 4_095;

/// Code for a set-point: 0 V at standstill, full scale at the fastest that the ceilings allow; what
/// exceeds that gives full scale.
#[must_use]
pub const fn code(rpm: u16) -> u16 {
    let max = CEILINGS.drive_rpm_max as u32;
    let rpm = if (rpm as u32) < max { rpm as u32 } else { max };
    ((rpm * DAC_MAX as u32 + max / 2) / max) as u16
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn standstill_is_zero_and_the_ceiling_is_full_scale() {
        assert_eq!(code(0), 0);
        assert_eq!(code(CEILINGS.drive_rpm_max), DAC_MAX);
        assert_eq!(code(u16::MAX), DAC_MAX);
    }

    #[test]
    fn every_speed_is_within_half_a_step() {
        for rpm in 0..=CEILINGS.drive_rpm_max {
            let exact = f64::from(rpm) / f64::from(CEILINGS.drive_rpm_max) * f64::from(DAC_MAX);
            assert!((f64::from(code(rpm)) - exact).abs() <= 0.5, "{rpm} rpm");
        }
    }
}
