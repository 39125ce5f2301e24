//! Time constant and inductance of a winding from a burst of samples around a duty edge.

use crate::fit::least_squares;
use crate::reason::{Signal, Unmeasured};
use crate::series::{check_columns, check_count, check_positive, spacing_without_gaps_s};
use crate::stats::{mean, mean_of_series};
use crate::uncertainty::{Input, Measured};

/// Fewest samples, or PWM-period means, after the edge of a current step.
pub const RISE_SAMPLES_MIN: usize = 12;

/// A current step must last at least this many of its own time constants, or its end is a guess.
pub const RISE_TIME_CONSTANTS_MIN: f64 = 1.5;

/// How many standard deviations of its samples a change of current must amount to.
const CHANGE_NOISES_MIN: f64 = 10.0;

/// A coil's current around a change of duty.
#[derive(Clone, Copy, Debug)]
pub struct CurrentStep<'a> {
    /// Time from the duty edge, s, rising evenly; negative before the edge.
    pub time_s: &'a [f64],
    /// Coil current, A.
    pub current_a: &'a [f64],
    /// PWM period, s, when the duty after the edge is below 100 %: samples are then averaged over
    /// whole periods, which leaves the slow part an exact exponential. `None` at 100 %.
    pub pwm_period_s: Option<f64>,
    /// True current over reported current, about 1.
    pub current_gain: Input,
}

/// What a current step tells.
#[derive(Clone, Debug, PartialEq)]
pub struct TimeConstant {
    /// Time constant of the slow part, s.
    pub tau_s: Measured,
    /// Change of current from before the edge to the end of the exponential, A.
    pub change_a: Measured,
    /// The part of that change that happens at the edge itself, 0 to 1: eddy currents in the iron
    /// carry it, so the shunt sees it although the magnetising current has not moved.
    pub edge_share: Measured,
}

/// Fits `I(t) = I_end - (I_end - I_0) exp(-t/tau)` to the samples after the edge.
///
/// `I_0` is left free: the step it makes from the level before the edge is the eddy share. For a
/// winding R in series with an inductance L that has an eddy resistance Re parallel to it,
/// `edge_share = R/(R + Re)` and `tau = L (R + Re)/(R Re)`; see [`inductance`].
///
/// # Errors
/// [`Unmeasured::TooFewSamples`], [`Unmeasured::TooShort`] for a step that has not run
/// [`RISE_TIME_CONSTANTS_MIN`] time constants, [`Unmeasured::Gap`], [`Unmeasured::OutOfOrder`],
/// [`Unmeasured::Unpaired`], [`Unmeasured::NotANumber`], [`Unmeasured::NoCurrent`] when the
/// current does not change, [`Unmeasured::NoFit`].
pub fn time_constant(step: &CurrentStep<'_>) -> Result<TimeConstant, Unmeasured> {
    check_columns(step.time_s, step.current_a, RISE_SAMPLES_MIN)?;
    let spacing_s = spacing_without_gaps_s(step.time_s, Signal::CoilCurrent)?;
    let edge = step.time_s.partition_point(|t| *t < 0.0);
    let per_block = match step.pwm_period_s {
        Some(period_s) => {
            check_positive("the PWM period in s", period_s)?;
            ((period_s / spacing_s).round() as usize).max(1)
        }
        None => 1,
    };
    let (time_s, current_a) =
        (blocks(&step.time_s[edge..], per_block), blocks(&step.current_a[edge..], per_block));
    check_count(time_s.len(), RISE_SAMPLES_MIN)?;
    let skipped = edge % per_block;
    let before_a = mean_of_series(&blocks(&step.current_a[skipped..edge], per_block))?;

    let last_a = current_a[current_a.len() - 1];
    let noise_a = before_a.standard_deviation;
    let change_a = last_a - before_a.mean;
    let needed_a = CHANGE_NOISES_MIN * noise_a;
    if change_a.abs() <= needed_a {
        return Err(Unmeasured::NoCurrent { found_a: change_a.abs(), needed_a });
    }
    let length_s = time_s[time_s.len() - 1];
    let start = [last_a, current_a[0] - last_a, length_s / 4.0];
    let anything = (f64::NEG_INFINITY, f64::INFINITY);
    let bounds = [anything, anything, (spacing_s, 100.0 * length_s)];
    let fit = least_squares("exponential current rise", &current_a, start, bounds, |i, p| {
        let decay = (-time_s[i] / p[2]).exp();
        (p[0] + p[1] * decay, [1.0, decay, p[1] * decay * time_s[i] / p[2].powi(2)])
    })?;
    let [end_a, decaying_a, tau_s] = fit.parameters;
    if length_s < RISE_TIME_CONSTANTS_MIN * tau_s {
        let needed_s = RISE_TIME_CONSTANTS_MIN * tau_s;
        return Err(Unmeasured::TooShort { found_s: length_s, needed_s });
    }

    let inflation = fit.inflation();
    let degrees = (fit.degrees_of_freedom / inflation).max(1.0);
    let u_end = fit.uncertainty(0) * inflation.sqrt();
    let change_a = end_a - before_a.mean;
    // Edge share = 1 + decaying/change; its sensitivities to the three currents.
    let share = 1.0 + decaying_a / change_a;
    let (by_end, by_decaying) = (-decaying_a / change_a.powi(2), 1.0 / change_a);
    let u_share_squared = (by_end * fit.uncertainty(0)).powi(2)
        + (by_decaying * fit.uncertainty(1)).powi(2)
        + 2.0 * by_end * by_decaying * fit.covariance(0, 1);
    let gain = step.current_gain;
    Ok(TimeConstant {
        tau_s: Measured::new(tau_s).with_scatter(
            "scatter about the exponential",
            fit.uncertainty(2) * inflation.sqrt(),
            degrees,
        ),
        change_a: Measured::new(change_a * gain.value)
            .with_scatter("scatter about the exponential", u_end * gain.value, degrees)
            .with_scatter(
                "level before the edge",
                before_a.standard_uncertainty * gain.value,
                before_a.degrees_of_freedom,
            )
            .with_given("current gain", change_a * gain.value, gain.relative_uncertainty()),
        edge_share: Measured::new(share)
            .with_scatter(
                "scatter about the exponential",
                (u_share_squared.max(0.0) * inflation).sqrt(),
                degrees,
            )
            .with_scatter(
                "level before the edge",
                by_end * before_a.standard_uncertainty,
                before_a.degrees_of_freedom,
            ),
    })
}

/// Inductance, H, of the winding from its step and the resistance of the whole current loop:
/// `L = tau R (1 - edge_share)`. The step's two results come from one fit and are taken as
/// independent here, which errs to the safe side as long as the edge share is small.
#[must_use]
pub fn inductance(step: &TimeConstant, loop_ohm: &Measured) -> Measured {
    let (tau_s, slow_share) = (step.tau_s.value, 1.0 - step.edge_share.value);
    let mut result = step.tau_s.mapped(tau_s * loop_ohm.value * slow_share, loop_ohm.value * slow_share);
    result.contributions.extend(loop_ohm.mapped(0.0, tau_s * slow_share).contributions);
    result.contributions.extend(step.edge_share.mapped(0.0, tau_s * loop_ohm.value).contributions);
    result
}

/// Means of consecutive blocks; what is left over at the end is dropped.
fn blocks(values: &[f64], per_block: usize) -> Vec<f64> {
    values.chunks_exact(per_block).map(mean).collect()
}
