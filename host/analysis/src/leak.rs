//! Leak-down of a closed rail: how fast pressure falls, and with what time constant.
//!
//! A laminar leak `q = G p` out of a volume V of stiffness K falls as `p' = -(K/V) G p`: an
//! exponential with `tau = V/(K G)`. Liquids stiffen under pressure, K = K0 (1 + s p); the law
//! then is `p' = -p (1 + s p)/tau`, whose solution `p = 1/((1/p0 + s) e^(t/tau) - s)` is fitted
//! here and becomes the plain exponential for s = 0.

use crate::fit::least_squares;
use crate::reason::Unmeasured;
use crate::series::{check_columns, spacing_s};
use crate::stats::mean;
use crate::uncertainty::{Input, Measured};

/// Fewest samples of a leak-down.
pub const SAMPLES_MIN: usize = 30;

/// A time constant is only stated when its inverse exceeds this many standard uncertainties;
/// below, the rail cannot be told from a tight one.
const RATE_UNCERTAINTIES_MIN: f64 = 2.0;

/// A closed rail left to itself.
#[derive(Clone, Copy, Debug)]
pub struct LeakDown<'a> {
    /// Time, s, rising. Missing samples do no harm.
    pub time_s: &'a [f64],
    /// Rail pressure, Pa gauge.
    pub pressure_pa: &'a [f64],
    /// Rise of bulk modulus with pressure over the modulus at zero gauge, 1/Pa (about 8e-9 for
    /// diesel-like oil); 0 for constant stiffness.
    pub stiffening_per_pa: f64,
    /// True pressure over reported pressure, about 1.
    pub gain: Input,
    /// Standard uncertainty of the pressure zero, Pa.
    pub zero_u_pa: f64,
}

/// What a leak-down tells.
#[derive(Clone, Debug, PartialEq)]
pub struct Leak {
    /// Rate of fall at the first sample, Pa/s, positive when pressure falls.
    pub rate_pa_per_s: Measured,
    /// Time constant towards zero gauge pressure, s; `None` when the fall cannot be told from none.
    pub time_constant_s: Option<Measured>,
    /// Pressure at the first sample, Pa gauge.
    pub start_pa: Measured,
}

/// Fits the leak-down law to a recording.
///
/// # Errors
/// [`Unmeasured::TooFewSamples`], [`Unmeasured::Unpaired`], [`Unmeasured::NotANumber`],
/// [`Unmeasured::OutOfOrder`], [`Unmeasured::NotReached`] when there is no pressure to lose, or
/// [`Unmeasured::NoFit`].
pub fn leak_down(record: &LeakDown<'_>) -> Result<Leak, Unmeasured> {
    check_columns(record.time_s, record.pressure_pa, SAMPLES_MIN)?;
    spacing_s(record.time_s)?;
    let from_s = record.time_s[0];
    let elapsed_s: Vec<f64> = record.time_s.iter().map(|t| t - from_s).collect();
    let tenth = (record.pressure_pa.len() / 10).max(1);
    let start_pa = mean(&record.pressure_pa[..tenth]);
    let end_pa = mean(&record.pressure_pa[record.pressure_pa.len() - tenth..]);
    let needed_pa = 10.0 * record.zero_u_pa;
    if start_pa <= needed_pa || end_pa <= 0.0 {
        return Err(Unmeasured::NotReached { reached_pa: start_pa.min(end_pa), needed_pa });
    }

    let s = record.stiffening_per_pa;
    let length_s = elapsed_s[elapsed_s.len() - 1];
    // In the guess only: the exponent that joins the two ends.
    let joined = ((1.0 / end_pa + s) / (1.0 / start_pa + s)).ln() / length_s;
    let anything = (f64::NEG_INFINITY, f64::INFINITY);
    let bounds = [(start_pa / 2.0, start_pa * 2.0), anything];
    let name = "laminar leak-down";
    let fit = least_squares(name, record.pressure_pa, [start_pa, joined], bounds, |i, p| {
        let growth = (p[1] * elapsed_s[i]).exp();
        let pressure = 1.0 / ((1.0 / p[0] + s) * growth - s);
        let square = pressure * pressure * growth;
        (pressure, [square / (p[0] * p[0]), -square * (1.0 / p[0] + s) * elapsed_s[i]])
    })?;
    Ok(results(record, &fit))
}

fn results(record: &LeakDown<'_>, fit: &crate::fit::Fit<2>) -> Leak {
    let [start_pa, inverse_per_s] = fit.parameters;
    let inflation = fit.inflation();
    let degrees = (fit.degrees_of_freedom / inflation).max(1.0);
    let scatter = "scatter about the leak-down curve";
    let gain = record.gain;
    let stiffer = 1.0 + record.stiffening_per_pa * start_pa;

    // rate = p0 (1 + s p0)/tau: sensitivities to p0 and 1/tau, with their covariance.
    let by_start = inverse_per_s * (2.0 * stiffer - 1.0);
    let by_inverse = start_pa * stiffer;
    let u_rate_squared = (by_start * fit.uncertainty(0)).powi(2)
        + (by_inverse * fit.uncertainty(1)).powi(2)
        + 2.0 * by_start * by_inverse * fit.covariance(0, 1);
    let rate = inverse_per_s * start_pa * stiffer * gain.value;
    let u_inverse = fit.uncertainty(1) * inflation.sqrt();
    let leaks = inverse_per_s > RATE_UNCERTAINTIES_MIN * u_inverse;
    Leak {
        // The slope of a recording does not depend on its zero.
        rate_pa_per_s: Measured::new(rate)
            .with_scatter(scatter, (u_rate_squared.max(0.0) * inflation).sqrt() * gain.value, degrees)
            .with_given("pressure gain", rate, gain.relative_uncertainty()),
        // tau = p/(-p'): a wrong zero moves p by itself, all along the recording, and leaves p'.
        time_constant_s: leaks.then(|| {
            let tau_s = 1.0 / inverse_per_s;
            Measured::new(tau_s).with_scatter(scatter, u_inverse * tau_s * tau_s, degrees).with_given(
                "pressure zero",
                tau_s / mean(record.pressure_pa),
                record.zero_u_pa,
            )
        }),
        start_pa: Measured::new(start_pa * gain.value)
            .with_scatter(scatter, fit.uncertainty(0) * inflation.sqrt() * gain.value, degrees)
            .with_given("pressure zero", 1.0, record.zero_u_pa)
            .with_given("pressure gain", start_pa * gain.value, gain.relative_uncertainty()),
    }
}
