//! Overshoot: how far the record goes beyond the settled level before it settles.

use super::transition::Transition;
use super::{Levels, StepRecord};
use crate::fit::least_squares;
use crate::stats::mean;
use crate::uncertainty::Measured;

/// A peak counts as overshoot when it stands out by this many of its own standard uncertainties;
/// it is the highest of many noisy places, so two would be reached by chance.
const OVERSHOOT_UNCERTAINTIES_MIN: f64 = 3.0;

/// Peak between the transition and the settled window over the settled level, ripple taken off.
/// The place of the peak comes from a moving mean, its height from a parabola around it.
pub(super) fn overshoot(
    record: &StepRecord<'_>,
    levels: &Levels,
    transition: &Transition,
    settled_from: usize,
) -> Measured {
    let (after, change_pa) = (&levels.after, levels.change_pa());
    let from = record.time_s.partition_point(|t| *t < transition.middle.at_s);
    let beyond: Vec<f64> = (from..settled_from.max(from))
        .map(|i| {
            let ripple_pa = after.ripple_at(record, record.time_s[i]);
            (record.pressure_pa[i] - ripple_pa - after.pressure_pa) / change_pa
        })
        .collect();
    let rise_time_s = transition.rise_time_s();
    let spacing_s = record.time_s[1] - record.time_s[0];
    // A peak of any smooth transition is far wider than this share of its rise time.
    let half = ((0.2 * rise_time_s / spacing_s) as usize).max(2);
    let noise = after.noise_pa / change_pa.abs();
    let level = |result: Measured| {
        result.with_scatter("level after", after.u_pa / change_pa, after.degrees_of_freedom)
    };
    if beyond.len() < 2 * half + 1 {
        return level(Measured::new(0.0).with_given("peak not resolved", 1.0, noise));
    }
    let smooth = |i: usize| mean(&beyond[i - half..=i + half]);
    let top = (half..beyond.len() - half).max_by(|a, b| smooth(*a).total_cmp(&smooth(*b))).unwrap_or(half);
    let anything = (f64::NEG_INFINITY, f64::INFINITY);
    let around = &beyond[top - half..=top + half];
    let peak = least_squares("peak", around, [smooth(top), 0.0, 0.0], [anything; 3], |i, p| {
        let x = (i as f64 - half as f64) / half as f64;
        (p[0] + x * (p[1] + x * p[2]), [1.0, x, x * x])
    });
    let Ok(peak) = peak else {
        return level(Measured::new(0.0).with_given("peak not resolved", 1.0, noise));
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
    let stands_out = height > OVERSHOOT_UNCERTAINTIES_MIN * u.hypot(after.u_pa / change_pa);
    let (value, u) = if stands_out { (height, u) } else { (0.0, u.max(height.abs() / 3.0_f64.sqrt())) };
    level(Measured::new(value).with_scatter("scatter at the peak", u, levels.degrees_of_freedom()))
}
