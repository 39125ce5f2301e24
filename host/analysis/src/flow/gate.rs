//! Flow from pulses counted over a gate whose ends fall anywhere between pulses, and repeats of it.

use super::Meter;
use crate::reason::Unmeasured;
use crate::series::{check_count, check_finite, check_positive};
use crate::stats::{mean, standard_deviation};
use crate::uncertainty::{Input, Measured};

/// Fewest repeats for a repeatability.
pub const REPEATS_MIN: usize = 3;

/// Volume that passed in a gate, m3, from the pulses counted in it. The count may be wrong by one
/// pulse either way: each end of the gate cuts off anything from nothing to a pulse, the two
/// together a triangle of half-width one pulse (JCGM 100, 4.3.9).
///
/// # Errors
/// [`Unmeasured::Impossible`] for a K-factor that is not above zero.
pub fn gated_volume(pulses: u64, meter: &Meter) -> Result<Measured, Unmeasured> {
    let k = meter.k_factor_per_m3;
    check_positive("the K-factor in pulses per m3", k.value)?;
    let volume_m3 = pulses as f64 / k.value;
    Ok(Measured::new(volume_m3)
        .with_given("one pulse either way", 1.0 / k.value, 1.0 / 6.0_f64.sqrt())
        .with_given("K-factor", volume_m3, k.relative_uncertainty()))
}

/// Flow over a gate of a known length, m3/s.
///
/// # Errors
/// As [`gated_volume`], and [`Unmeasured::Impossible`] for a gate that has no length.
pub fn gated_flow(pulses: u64, gate_s: Input, meter: &Meter) -> Result<Measured, Unmeasured> {
    check_positive("the length of the gate in s", gate_s.value)?;
    let volume = gated_volume(pulses, meter)?;
    let length =
        Measured::new(gate_s.value).with_given("length of the gate", 1.0, gate_s.standard_uncertainty);
    Ok(volume.over(&length))
}

/// Several gates of one flow.
#[derive(Clone, Debug, PartialEq)]
pub struct Repeats {
    /// Their mean, with what they share in its budget once, m3/s.
    pub mean: Measured,
    /// Standard deviation of a single one, m3/s (repeatability, ISO 5725-2, from memory).
    pub repeatability: f64,
}

/// Takes repeats together: flows of single gates, m3/s, and the meter's relative standard
/// uncertainty, which they share.
///
/// # Errors
/// [`Unmeasured::TooFewSamples`] below [`REPEATS_MIN`], [`Unmeasured::NotANumber`].
pub fn repeats(flows_m3_per_s: &[f64], meter_relative_u: f64) -> Result<Repeats, Unmeasured> {
    check_finite(flows_m3_per_s)?;
    check_count(flows_m3_per_s.len(), REPEATS_MIN)?;
    let n = flows_m3_per_s.len() as f64;
    let (middle, repeatability) = (mean(flows_m3_per_s), standard_deviation(flows_m3_per_s));
    Ok(Repeats {
        mean: Measured::new(middle)
            .with_scatter("repeatability", repeatability / n.sqrt(), n - 1.0)
            .with_given("K-factor", middle, meter_relative_u),
        repeatability,
    })
}
