//! Copper's resistance against temperature: the factors of IEC 60028.
//!
//! One rule is used throughout, the linear one of IEC 60028:1925 with 0.00393 per kelvin at
//! 20 degC. The constants 234.5 and 235 of machine standards differ from it by 35 and 410 parts
//! per million at 80 degC; they are not offered, so that two findings never mix rules.

/// Temperature coefficient of annealed copper at 20 degC, 1/K (IEC 60028:1925).
pub const ALPHA_20_PER_K: f64 = 0.00393;

/// Reference temperature of that coefficient, degC.
pub const REFERENCE_CELSIUS: f64 = 20.0;

/// Resistance at `celsius` over resistance at 20 degC: 1 + alpha (t - 20). Positive above
/// -234.45 degC.
#[must_use]
pub fn factor_from_20c(celsius: f64) -> f64 {
    1.0 + ALPHA_20_PER_K * (celsius - REFERENCE_CELSIUS)
}

/// Mean temperature of a winding, degC, from its resistance now and its resistance at 20 degC
/// (same unit, `at_20c_ohm` above zero): the rule of [`factor_from_20c`] turned round.
#[must_use]
pub fn celsius_from_resistance(now_ohm: f64, at_20c_ohm: f64) -> f64 {
    REFERENCE_CELSIUS + (now_ohm / at_20c_ohm - 1.0) / ALPHA_20_PER_K
}
