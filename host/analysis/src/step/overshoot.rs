//! Overshoot without a model: how far the record goes beyond the settled level before it settles.

use super::Trace;
use super::level::Level;
use super::transition::Transition;
use crate::fit::least_squares;
use crate::series::smoothed;
use statrs::distribution::{ContinuousCDF, Normal};

/// Noise alone may pass for an overshoot in this share of records: what a 95 % interval leaves above it.
const BY_CHANCE: f64 = 0.025;

/// The window of a peak is moved to where its own parabola puts the peak, at most so often.
const MOVES_MAX: usize = 8;

/// Peak between the transition and the settled window over the settled level, as a share of `change`,
/// with its standard uncertainty from scatter at the peak. The peak is looked for with a moving mean. That
/// of a peak which rises faster than it falls lies late, so place and height are those of a parabola whose
/// window follows it.
pub(super) fn overshoot(
    trace: &Trace<'_>,
    after: &Level,
    change: f64,
    transition: &Transition,
    settled_from: usize,
) -> (f64, f64) {
    let from = trace.time_s.partition_point(|t| *t < transition.middle.at_s);
    let beyond: Vec<f64> =
        trace.way[from..settled_from.max(from)].iter().map(|v| (v - after.value) / change).collect();
    // A peak of any smooth transition is far wider than this share of its rise time: at twice of it the
    // parabola would cut a tenth off a peak that follows a straight rise.
    let half = ((0.1 * transition.rise_time_s() / trace.spacing_s) as usize).max(2);
    let noise = after.noise / change.abs();
    let Some(peak) = Peak::highest(&beyond, half) else {
        return (0.0, noise);
    };
    let u = noise * peak.spread;
    let hidden = u.hypot(after.u / change).hypot(trace.resolution_u / change);
    if peak.height > stands_out(beyond.len() / (2 * half + 1)) * hidden {
        (peak.height, u)
    } else {
        (0.0, u.max(peak.height.abs() / 3.0_f64.sqrt()))
    }
}

/// How many of its standard uncertainties the highest of so many places stands out by when it is more than
/// the highest of as many noisy ones (Bonferroni's inequality).
fn stands_out(places: usize) -> f64 {
    -Normal::standard().inverse_cdf(BY_CHANCE / places.max(1) as f64)
}

/// Top of a parabola through the samples of a window.
struct Peak {
    height: f64,
    /// Standard uncertainty of the height over that of one sample.
    spread: f64,
    /// Its place in the window, from -1 to 1.
    place: f64,
}

impl Peak {
    /// The highest peak of `values`, in a window of `half` samples to either side.
    fn highest(values: &[f64], half: usize) -> Option<Peak> {
        let last = values.len().checked_sub(half + 1).filter(|last| *last >= half)?;
        let smooth = smoothed(values, half);
        let mut top = (half..=last).max_by(|a, b| smooth[*a].total_cmp(&smooth[*b]))?;
        let mut peak = Peak::around(values, top, half)?;
        for _ in 0..MOVES_MAX {
            let moved = top.saturating_add_signed((peak.place * half as f64).round() as isize);
            let moved = moved.clamp(half, last);
            if moved == top {
                break;
            }
            top = moved;
            peak = Peak::around(values, top, half)?;
        }
        Some(peak)
    }

    /// The top of the parabola around sample `at`: its vertex, or the end of the window on the way there.
    fn around(values: &[f64], at: usize, half: usize) -> Option<Peak> {
        let anything = (f64::NEG_INFINITY, f64::INFINITY);
        let window = &values[at - half..=at + half];
        let fit = least_squares("peak", window, [values[at], 0.0, 0.0], [anything; 3], |i, p| {
            let x = (i as f64 - half as f64) / half as f64;
            (p[0] + x * (p[1] + x * p[2]), [1.0, x, x * x])
        })
        .ok()?;
        let [level, slope, bend] = fit.parameters;
        let place = if bend < 0.0 { (-0.5 * slope / bend).clamp(-1.0, 1.0) } else { slope.signum() };
        let by = [1.0, place, place * place];
        let pairs = (0..9).map(|pair| (pair / 3, pair % 3));
        let variance: f64 = pairs.map(|(j, k)| by[j] * by[k] * fit.unit_covariance(j, k)).sum();
        Some(Peak { height: level + place * (slope + place * bend), spread: variance.max(0.0).sqrt(), place })
    }
}
