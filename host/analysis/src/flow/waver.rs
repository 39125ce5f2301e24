//! How sure the mean of a wavering signal is.
//!
//! What wavers is taken as a first-order process, what is read of it has white noise on top: the
//! readings of a flow, or the instants of pulses, each of which jitters by itself. How much of the
//! scatter is which, and how slowly the first one wavers, is weighed by the likelihood of every
//! combination on a grid; the uncertainty of the mean is the average of what they give. So pure
//! jitter, which cancels between neighbouring pulses, is told from wavering, which does not.
//! (Kalman filter with unknown level and slope: de Jong, Annals of Statistics 19, 1991, from memory.)

use crate::stats::mean;

/// What wavers may last for up to this share of the recording: what is slower shows as a drift in one
/// recording and cannot be told from one.
const LASTING_SHARE: f64 = 1.0 / 20.0;
/// Share of what wavers in the variance of a reading, or of a period.
const SHARES: [f64; 11] = [0.0, 1e-3, 3e-3, 0.01, 0.03, 0.1, 0.3, 0.6, 0.9, 0.99, 1.0];
/// More readings are gathered to about this many: what wavers slower than that is what matters.
const READINGS_MAX: usize = 500;

/// Uncertainty of a mean.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Sure {
    pub(super) standard_uncertainty: f64,
    pub(super) degrees_of_freedom: f64,
}

/// Of the mean of readings.
pub(super) fn of_mean(readings: &[f64]) -> Sure {
    let size = readings.len().div_ceil(READINGS_MAX);
    let gathered: Vec<f64> = readings.chunks_exact(size).map(mean).collect();
    weighed(&gathered, false)
}

/// Of the mean period between instants, in their unit.
pub(super) fn of_period(instants: &[f64]) -> Sure {
    let step = instants.len().div_ceil(READINGS_MAX);
    let some: Vec<f64> = instants.iter().copied().step_by(step).collect();
    let sure = weighed(&some, true);
    Sure { standard_uncertainty: sure.standard_uncertainty / step as f64, ..sure }
}

fn weighed(readings: &[f64], are_instants: bool) -> Sure {
    let n = readings.len() as f64;
    let mut results: Vec<(f64, f64, f64)> = Vec::new();
    for correlation in correlations(n) {
        for share in SHARES {
            // Without wavering there is nothing to be correlated.
            if share == 0.0 && correlation > 0.0 {
                continue;
            }
            let filtered = filter(readings, are_instants, correlation, share);
            let count = if are_instants { n - 1.0 } else { n };
            let r = correlation;
            let sum = count * (1.0 + r) / (1.0 - r) - 2.0 * r * (1.0 - r.powf(count)) / (1.0 - r).powi(2);
            let noise = if are_instants { 2.0 } else { n };
            let of_sum = (1.0 - share) * noise + share * sum;
            let variance = filtered.variance * of_sum / (count * count);
            results.push((filtered.unlikelihood, variance, filtered.degrees_of_freedom));
        }
    }
    let least = results.iter().map(|r| r.0).fold(f64::INFINITY, f64::min);
    if !least.is_finite() {
        return Sure { standard_uncertainty: 0.0, degrees_of_freedom: n - 1.0 };
    }
    // Mean and variance of the logarithm: the few slow processes that can never be excluded have
    // variances out of all proportion.
    let (mut whole, mut first, mut second) = (0.0, 0.0, 0.0);
    for (unlikelihood, variance, degrees) in results {
        let weight = (-0.5 * (unlikelihood - least)).exp();
        let logarithm = variance.ln();
        whole += weight;
        first += weight * logarithm;
        second += weight * (logarithm * logarithm + 2.0 / degrees);
    }
    let (first, second) = (first / whole, second / whole);
    // A variance found with nu degrees of freedom has a logarithm with variance 2/nu (1 + 1/nu).
    let spread = (second - first * first).max(1e-9);
    let degrees_of_freedom = ((1.0 + (1.0 + 2.0 * spread).sqrt()) / spread).clamp(2.0, n);
    Sure { standard_uncertainty: (0.5 * (first - 1.0 / degrees_of_freedom)).exp(), degrees_of_freedom }
}

/// Correlations of neighbouring readings that are tried: none, and for as many readings as what wavers
/// may last, by factors of sqrt 2.
fn correlations(n: f64) -> impl Iterator<Item = f64> {
    let longest = (n * LASTING_SHARE).max(1.0);
    let lasting = (0..20).map(move |k| longest * 0.5_f64.powf(0.5 * f64::from(k)));
    std::iter::once(0.0)
        .chain(lasting.take_while(|readings| *readings > 0.3).map(|readings| (-1.0 / readings).exp()))
}

struct Filtered {
    /// Of what wavers and of the noise together.
    variance: f64,
    degrees_of_freedom: f64,
    unlikelihood: f64,
}

/// Runs the filter over the readings and over what is to be taken off them: a level and, for
/// instants, a slope. State: where the signal is, for instants the sum of all deviations so far, and
/// the present deviation.
fn filter(readings: &[f64], are_instants: bool, correlation: f64, share: f64) -> Filtered {
    let noise = 1.0 - share;
    let renewed = share * (1.0 - correlation * correlation);
    let (mut p00, mut p01, mut p11) = (0.0, 0.0, share);
    let mut states = [[0.0; 2]; 3];
    // Normal equations of level and slope: aa, ab, bb, ay, by, yy.
    let mut sums = [0.0; 6];
    let mut logarithms = 0.0;
    let last = readings.len() as f64 - 1.0;
    let origin = readings[0];
    for (i, reading) in readings.iter().enumerate() {
        // What is seen: the sum of deviations of instants, the deviation itself of readings.
        let (seen, cross) = if are_instants { (p00, p01) } else { (p11, p11) };
        let variance = (seen + noise).max(1e-12);
        logarithms += variance.ln();
        let (gain0, gain1) =
            if are_instants { (p00 / variance, cross / variance) } else { (0.0, p11 / variance) };
        let inputs = [reading - origin, 1.0, i as f64 / last];
        let mut innovations = [0.0; 3];
        for (state, (innovation, input)) in states.iter_mut().zip(innovations.iter_mut().zip(inputs)) {
            *innovation = input - state[usize::from(!are_instants)];
            state[0] += gain0 * *innovation;
            state[1] += gain1 * *innovation;
            // On to the next one.
            state[0] += state[1];
            state[1] *= correlation;
        }
        let [y, a, b] = innovations;
        for (sum, product) in sums.iter_mut().zip([a * a, a * b, b * b, a * y, b * y, y * y]) {
            *sum += product / variance;
        }
        let (q00, q01, q11) = if are_instants {
            (p00 - gain0 * p00, p01 - gain0 * p01, p11 - gain1 * p01)
        } else {
            (0.0, 0.0, p11 - gain1 * p11)
        };
        p00 = q00 + 2.0 * q01 + q11;
        p01 = correlation * (q01 + q11);
        p11 = correlation * correlation * q11 + renewed;
    }
    let [aa, ab, bb, ay, by, yy] = sums;
    let (free, determinant, explained) = if are_instants {
        let determinant = aa * bb - ab * ab;
        (2.0, determinant, (bb * ay * ay - 2.0 * ab * ay * by + aa * by * by) / determinant)
    } else {
        (1.0, aa, ay * ay / aa)
    };
    let degrees_of_freedom = readings.len() as f64 - free;
    let left = (yy - explained).max(1e-13 * yy);
    let unlikelihood = degrees_of_freedom * left.ln() + logarithms + determinant.ln();
    Filtered { variance: left / degrees_of_freedom, degrees_of_freedom, unlikelihood }
}
