//! Constants of nature and of the air we breathe, in SI units.
//!
//! Pressures in this crate are absolute unless a name says `gauge`.

/// Atmospheric pressure, Pa (standard atmosphere, ISO 2533).
pub const P_ATMOSPHERE_PA: f64 = 101_325.0;
/// Specific gas constant of dry air, J/(kg K) (ISO 2533 gives 287.053).
pub const AIR_J_PER_KG_K: f64 = 287.05;
/// Pressure below which the oil is taken to boil, Pa (from memory: a few kPa for diesel-like oils).
pub const P_VAPOUR_PA: f64 = 2_000.0;
/// 0 degC, K.
pub const ZERO_CELSIUS_K: f64 = 273.15;
/// Standard gravity, m/s2.
pub const GRAVITY_M_PER_S2: f64 = 9.806_65;
/// 1 bar, Pa.
pub const BAR_PA: f64 = 1.0e5;
/// 1 rpm, rad/s.
pub const RPM_RAD_PER_S: f64 = core::f64::consts::PI / 30.0;
