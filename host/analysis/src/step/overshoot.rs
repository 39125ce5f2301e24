//! Overshoot without a model: how far the record goes beyond the settled level before it settles.

use super::Trace;
use super::level::Level;
use super::shape::smoothed;
use super::transition::Transition;
use crate::fit::least_squares;

/// A peak counts as overshoot when it stands out by this many of its own standard uncertainties;
/// it is the highest of many noisy places, so two would be reached by chance.
const OVERSHOOT_UNCERTAINTIES_MIN: f64 = 3.0;

/// Peak between the transition and the settled window over the settled level, as a share of `change`,
/// with its standard uncertainty from scatter at the peak. The place of the peak comes from a moving
/// mean, its height from a parabola around it, which does not favour the highest sample.
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
    if beyond.len() < 2 * half + 1 {
        return (0.0, noise);
    }
    let smooth = smoothed(&beyond, half);
    let top = (half..beyond.len() - half).max_by(|a, b| smooth[*a].total_cmp(&smooth[*b])).unwrap_or(half);
    let anything = (f64::NEG_INFINITY, f64::INFINITY);
    let around = &beyond[top - half..=top + half];
    let peak = least_squares("peak", around, [smooth[top], 0.0, 0.0], [anything; 3], |i, p| {
        let x = (i as f64 - half as f64) / half as f64;
        (p[0] + x * (p[1] + x * p[2]), [1.0, x, x * x])
    });
    let Ok(peak) = peak else {
        return (0.0, noise);
    };
    let [height, slope, bend] = peak.parameters;
    // Vertex of the parabola, when it has one inside the window.
    let height = if bend < 0.0 && (slope / bend).abs() <= 2.0 {
        height - slope * slope / (4.0 * bend)
    } else {
        height
    };
    let spread = if peak.residual_sd > 0.0 { peak.uncertainty(0) / peak.residual_sd } else { 0.0 };
    let u = noise * spread;
    let hidden = u.hypot(after.u / change).hypot(trace.resolution_u / change);
    if height > OVERSHOOT_UNCERTAINTIES_MIN * hidden {
        (height, u)
    } else {
        (0.0, u.max(height.abs() / 3.0_f64.sqrt()))
    }
}
