//! The analog-to-digital converter and the order of its channels.
//!
//! 12 bits over 3.3 V behind a divider of 0.66, so that 5.0 V in is full scale. The sensors' 5 V supply is also
//! the converter's reference, so ratiometric channels do not see it move.

/// Number of analog channels.
pub const ANALOG_CHANNELS: usize = 7;
/// Bits of the converter.
pub const ADC_BITS: u32 = 12;
/// Largest code.
pub const ADC_FULL_SCALE: u16 = 4_095;
/// Reference of the converter, V.
pub const ADC_REFERENCE_V: f64 = 3.3;
/// Divider in front of it, 1.
pub const ADC_DIVIDER: f64 = 0.66;
/// Input voltage at full scale, V.
pub const ADC_FULL_SCALE_V: f64 = ADC_REFERENCE_V / ADC_DIVIDER;
/// Input voltage per count, V.
pub const ADC_V_PER_COUNT: f64 = ADC_FULL_SCALE_V / ADC_FULL_SCALE as f64;
/// Peak integral nonlinearity, counts (common practice for such converters, no source).
pub const ADC_NONLINEARITY_COUNTS: f64 = 1.0;

/// The analog channels, in the order of a conversion.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum AnalogChannel {
    /// Rail pressure.
    RailPressure,
    /// Feed pressure behind the filter.
    FeedPressure,
    /// Current of the inlet channel.
    InletCurrent,
    /// Current of the pressure channel.
    PressureCurrent,
    /// Supply voltage.
    SupplyVoltage,
    /// Oil temperature.
    FluidTemperature,
    /// Temperature of the coil bodies.
    BodyTemperature,
}

impl AnalogChannel {
    /// All of them, in order.
    pub const ALL: [Self; ANALOG_CHANNELS] = [
        Self::RailPressure,
        Self::FeedPressure,
        Self::InletCurrent,
        Self::PressureCurrent,
        Self::SupplyVoltage,
        Self::FluidTemperature,
        Self::BodyTemperature,
    ];

    /// Place in a conversion, 0..7.
    pub const fn index(self) -> usize {
        self as usize
    }
}

/// The code for `input_v`, with an S-shaped integral nonlinearity (a cubic close to one sine period) and clipping.
pub fn code(input_v: f64) -> u16 {
    /// One over the peak of `x (1 - x) (1 - 2 x)`, `18/sqrt(3)`.
    const PER_PEAK: f64 = 10.392_304_845_413_264;
    let x = (input_v / ADC_FULL_SCALE_V).clamp(0.0, 1.0);
    let bow = ADC_NONLINEARITY_COUNTS * PER_PEAK * x * (1.0 - x) * (1.0 - 2.0 * x);
    let counts = x * f64::from(ADC_FULL_SCALE) + bow + 0.5;
    (counts as u16).min(ADC_FULL_SCALE)
}
