//! Flow and speed from the instants of pulses, and the volumetric efficiency of both.
//!
//! Counting is reciprocal: whole periods between the first and the last pulse over the time they
//! took. That is the exact mean over the gate whatever the flow did in between; a straight line
//! through all instants would weigh the middle of the gate half as much again as its mean.
//! How sure that mean is depends on what makes the periods scatter: see `waver`.

pub mod gate;
pub mod meter;
mod pulses;
mod waver;

use crate::reason::{Signal, Unmeasured};
use crate::series::{
    check_columns, check_finite, check_not_clipped, check_positive, check_rising, noise_sd, resolution,
    spacing_without_gaps_s,
};
use crate::stats::{line, mean, standard_deviation};
use crate::uncertainty::{Input, Measured};
use pulses::{Mended, mended};

/// Fewest pulses for a flow. With fewer, the steadiness of the flow cannot be stated.
pub const PULSES_MIN: usize = 200;

/// Fewest whole revolutions for a speed.
pub const REVOLUTIONS_MIN: usize = 4;

/// The gate is cut into this many equal parts to see how steady the rate is. Parts are long, so
/// neighbours are nearly independent even when the flow wavers slowly; more parts would not be.
const PARTS_MAX: usize = 6;

/// A volumetric flow meter.
#[derive(Clone, Copy, Debug)]
pub struct Meter {
    /// Pulses per cubic metre at about the measured flow, with everything its calibration leaves
    /// uncertain (slip, linearity, viscosity) in the standard uncertainty.
    pub k_factor_per_m3: Input,
}

/// A measured flow.
#[derive(Clone, Debug, PartialEq)]
pub struct Flow {
    /// Volume per time at the meter, m3/s.
    pub rate_m3_per_s: Measured,
    /// Pulses that were counted: those that arrived, less `doubled`, and `missing`.
    pub pulses: usize,
    /// Pulses that followed the one before too closely to be real, and were left out.
    pub doubled: usize,
    /// Pulses that were missing, and were put in.
    pub missing: usize,
    /// Time from the first to the last of them, s.
    pub gate_s: f64,
    /// Standard deviation of single pulse periods over their mean. Gas and slugs in the line show
    /// here long before they move the mean.
    pub period_spread: f64,
}

/// Flow from the instants of meter pulses, s, in rising order. A few pulses that came twice or are missing are
/// mended; that all of this was wrong is then the half-width of a rectangle in the budget.
///
/// # Errors
/// [`Unmeasured::TooFewPulses`] below [`PULSES_MIN`]; [`Unmeasured::FalsePulses`] when many of them are wrong; [`Unmeasured::Gap`] when the pulses pause;
/// [`Unmeasured::OutOfOrder`], [`Unmeasured::NotANumber`], [`Unmeasured::Impossible`] for a
/// K-factor that is not above zero; [`Unmeasured::NotSettled`] when the flow drifts by more than its wavering
/// explains.
pub fn flow(pulse_instants_s: &[f64], meter: &Meter) -> Result<Flow, Unmeasured> {
    let Mended { instants_s: pulse_instants_s, doubled, missing } = counted(pulse_instants_s)?;
    let signal = Signal::FlowPulses;
    let k_factor = meter.k_factor_per_m3;
    check_positive("the K-factor in pulses per m3", k_factor.value)?;
    let last = pulse_instants_s.len() - 1;
    let gate_s = pulse_instants_s[last] - pulse_instants_s[0];
    let period_s = gate_s / last as f64;
    let periods_s: Vec<f64> = pulse_instants_s.windows(2).map(|pair| pair[1] - pair[0]).collect();
    check_settled(&periods_s, signal)?;
    let sure = waver::of_period(&pulse_instants_s);
    let per_s = 1.0 / period_s / k_factor.value;
    Ok(Flow {
        rate_m3_per_s: Measured::new(per_s)
            .with_scatter(
                "steadiness of the flow",
                per_s * sure.standard_uncertainty / period_s,
                sure.degrees_of_freedom,
            )
            .with_given(
                "pulses doubled or missing",
                per_s / last as f64,
                (doubled + missing) as f64 / 3.0_f64.sqrt(),
            )
            .with_given("K-factor", per_s, k_factor.relative_uncertainty()),
        pulses: pulse_instants_s.len(),
        doubled,
        missing,
        gate_s,
        period_spread: standard_deviation(&periods_s) / mean(&periods_s),
    })
}

/// Flow from pulse instants, s, by a meter whose K-factor depends on how fast and how viscous the
/// liquid is; `viscosity_m2_per_s` is the kinematic viscosity at the meter.
///
/// # Errors
/// As [`flow`] and [`meter::KCurve::k_factor_per_m3`].
pub fn flow_by_curve(
    pulse_instants_s: &[f64],
    curve: &meter::KCurve,
    viscosity_m2_per_s: Input,
) -> Result<Flow, Unmeasured> {
    let pulses_s = counted(pulse_instants_s)?.instants_s;
    let last = pulses_s.len() - 1;
    let frequency_hz = last as f64 / (pulses_s[last] - pulses_s[0]);
    let k_factor_per_m3 = curve.k_factor_per_m3(frequency_hz, viscosity_m2_per_s)?;
    flow(pulse_instants_s, &Meter { k_factor_per_m3 })
}

/// Fewest samples of a flow column.
pub const SAMPLES_MIN: usize = 30;

/// Largest significant drift of a flow that still counts as steady, in per cent of the flow.
pub const DRIFT_PERCENT_MAX: f64 = 5.0;

/// Mean of a column of flow readings, m3/s, taken at even times, s. `gain` is true flow over
/// reported flow, about 1, with the recorder's calibration.
///
/// # Errors
/// [`Unmeasured::Unpaired`], [`Unmeasured::NotANumber`], [`Unmeasured::TooFewSamples`] below
/// [`SAMPLES_MIN`], [`Unmeasured::OutOfOrder`], [`Unmeasured::Gap`], [`Unmeasured::Clipped`],
/// [`Unmeasured::NotSettled`] when the flow drifts by more than its wavering explains.
pub fn flow_column(time_s: &[f64], flow_m3_per_s: &[f64], gain: Input) -> Result<Measured, Unmeasured> {
    check_columns(time_s, flow_m3_per_s, SAMPLES_MIN)?;
    spacing_without_gaps_s(time_s, Signal::Flow)?;
    check_not_clipped(time_s, flow_m3_per_s, Signal::Flow)?;
    check_positive("the gain of the flow channel", gain.value)?;
    let reported = mean(flow_m3_per_s);
    let sure = waver::of_mean(flow_m3_per_s);
    check_settled(flow_m3_per_s, Signal::Flow)?;
    let step = resolution(flow_m3_per_s);
    let rounding = if noise_sd(flow_m3_per_s) < 0.5 * step { step / 12.0_f64.sqrt() } else { 0.0 };
    let value = reported * gain.value;
    Ok(Measured::new(value)
        .with_scatter(
            "steadiness of the flow",
            sure.standard_uncertainty * gain.value,
            sure.degrees_of_freedom,
        )
        .with_given("resolution of the recorder", gain.value, rounding)
        .with_given("gain of the flow channel", value, gain.relative_uncertainty()))
}

/// Refuses what drifts from its first to its last value, readings or periods, by more than chance gives it.
fn check_settled(values: &[f64], signal: Signal) -> Result<(), Unmeasured> {
    let n = values.len();
    let index: Vec<f64> = (0..n).map(|i| i as f64 / n as f64).collect();
    let trend = line(&index, values)?;
    let drift_percent = 100.0 * (trend.slope / mean(values)).abs();
    if drift_percent <= DRIFT_PERCENT_MAX {
        return Ok(());
    }
    // A drift over the recording that wavering gives by chance scatters sqrt 12 times as much as the mean.
    let about: Vec<f64> = index.iter().zip(values).map(|(i, q)| q - trend.at(*i)).collect();
    let by_chance = 3.0 * 12.0_f64.sqrt() * waver::of_mean(&about).standard_uncertainty;
    if trend.slope.abs() <= by_chance {
        return Ok(());
    }
    Err(Unmeasured::NotSettled { signal, drift_percent, allowed_percent: DRIFT_PERCENT_MAX })
}

/// Speed, revolutions per second, from the instants of pick-up pulses, s, in rising order. Only
/// whole revolutions count, so uneven teeth cancel.
///
/// # Errors
/// [`Unmeasured::TooFewPulses`] below [`REVOLUTIONS_MIN`] whole revolutions; [`Unmeasured::Gap`],
/// [`Unmeasured::OutOfOrder`], [`Unmeasured::NotANumber`], [`Unmeasured::Impossible`].
pub fn speed(pulse_instants_s: &[f64], pulses_per_rev: usize) -> Result<Measured, Unmeasured> {
    check_positive("the number of speed pulses per revolution", pulses_per_rev as f64)?;
    check_pulses(pulse_instants_s, Signal::SpeedPulses, REVOLUTIONS_MIN * pulses_per_rev + 1)?;
    let rate = rate_of(pulse_instants_s, pulses_per_rev);
    let rev_per_s = rate.per_s / pulses_per_rev as f64;
    Ok(Measured::new(rev_per_s).with_scatter(
        "steadiness of the speed",
        rev_per_s * rate.relative_u,
        rate.degrees_of_freedom,
    ))
}

/// Volumetric efficiency `Q/(n D)`: what the pump delivered over what it displaced, 0 to 1.
///
/// # Panics
/// If speed or displacement is zero; a pump that stands still or has no volume has no efficiency.
#[must_use]
pub fn volumetric_efficiency(
    flow: &Measured,
    speed_rev_per_s: &Measured,
    displacement_m3_per_rev: Input,
) -> Measured {
    let displacement = Measured::new(displacement_m3_per_rev.value).with_given(
        "displacement",
        1.0,
        displacement_m3_per_rev.standard_uncertainty,
    );
    flow.over(speed_rev_per_s).over(&displacement)
}

/// The pulses of a flow meter that count.
fn counted(instants_s: &[f64]) -> Result<Mended, Unmeasured> {
    check_finite(instants_s)?;
    check_rising(instants_s)?;
    let mended = mended(instants_s, Signal::FlowPulses)?;
    check_pulses(&mended.instants_s, Signal::FlowPulses, PULSES_MIN)?;
    Ok(mended)
}

fn check_pulses(instants_s: &[f64], signal: Signal, needed: usize) -> Result<(), Unmeasured> {
    check_finite(instants_s)?;
    if instants_s.len() < needed {
        return Err(Unmeasured::TooFewPulses { signal, found: instants_s.len(), needed });
    }
    spacing_without_gaps_s(instants_s, signal).map(|_| ())
}

struct Rate {
    per_s: f64,
    relative_u: f64,
    degrees_of_freedom: f64,
}

/// Pulse rate over the last whole cycles of `cycle` pulses, and how sure it is from the scatter of
/// equal parts of the gate: their mean time is the gate's, so its uncertainty is s/sqrt(parts).
/// The scatter includes slow wavering of the rate; pure timing jitter it overstates, because
/// neighbouring parts share a pulse, by up to sqrt(parts).
fn rate_of(instants_s: &[f64], cycle: usize) -> Rate {
    let last = instants_s.len() - 1;
    let cycles = last / cycle;
    let parts = cycles.min(PARTS_MAX);
    let periods = cycles * cycle;
    let from = last - periods;
    let gate_s = instants_s[last] - instants_s[from];
    // Parts of equal pulse count, up to one cycle: their own mean period is what is compared.
    let edge = |part: usize| from + cycles * part / parts * cycle;
    let part_periods_s: Vec<f64> = (0..parts)
        .map(|k| (instants_s[edge(k + 1)] - instants_s[edge(k)]) / (edge(k + 1) - edge(k)) as f64)
        .collect();
    Rate {
        per_s: periods as f64 / gate_s,
        relative_u: standard_deviation(&part_periods_s) / mean(&part_periods_s) / (parts as f64).sqrt(),
        degrees_of_freedom: parts as f64 - 1.0,
    }
}
