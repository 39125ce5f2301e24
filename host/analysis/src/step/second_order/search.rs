//! The search for a response of second order.

use super::super::shape::Rough;
use super::sums::point;
use super::{DAMPING, SecondOrder};
use crate::fit;
use crate::stats::mean;

/// Means that a long record is reduced to for the search, and how many at least cover its rise.
const BLOCKS: usize = 200;
const RISE_BLOCKS: f64 = 15.0;

/// A step that moves the curve by less than these shares of the residuals ends the search: of the means, which
/// only find a start, and of all samples. Of a million samples the second is a thousandth of an uncertainty.
const MEANS_STEP: f64 = 1.0e-2;
const STEP: f64 = 1.0e-6;

/// The fit, from `start` where one is known; `spacing_s` is that of all samples where it is one. `None` where
/// the data do not hold one.
pub(in super::super) fn fit(
    time_s: &[f64],
    y: &[f64],
    spacing_s: Option<f64>,
    rough: &Rough,
    start: Option<&SecondOrder>,
) -> Option<SecondOrder> {
    let span_s = time_s[time_s.len() - 1] - time_s[0];
    let usual_s = span_s / (time_s.len() - 1) as f64;
    let anything = (f64::NEG_INFINITY, f64::INFINITY);
    let bounds = [
        anything,
        anything,
        (time_s[0], time_s[time_s.len() - 1] + span_s),
        ((1e-3 * usual_s).ln(), (1e3 * span_s).ln()),
        (0.25 / (DAMPING.1 * DAMPING.1), 0.25 / (DAMPING.0 * DAMPING.0)),
    ];
    let from = |step: f64, time_s: &[f64], y: &[f64], spacing_s: Option<f64>, start: [f64; 5]| {
        if start.iter().any(|p| !p.is_finite()) {
            return None;
        }
        let squares = y.iter().map(|y| y * y).sum();
        let evaluate = |p: &[f64; 5]| point(time_s, y, spacing_s, p);
        fit::search("second-order response", squares, step, start, bounds, evaluate)
            .ok()
            .map(|(best, _)| best)
    };
    if let Some(start) = start {
        return from(STEP, time_s, y, spacing_s, start.searched_for()).map(|best| SecondOrder::of(&best));
    }
    let damping = if rough.overshoot > 0.15 {
        0.3
    } else if rough.overshoot > 0.03 {
        0.6
    } else {
        0.9
    };
    // The long way to the minimum is gone on means of neighbours, as long as the rise is well resolved.
    let resolved = (rough.late_s - rough.early_s) / usual_s / RISE_BLOCKS;
    let block = (time_s.len() / BLOCKS).min(resolved as usize).max(1);
    let mut best = SecondOrder::like(rough, damping);
    if block > 1 {
        let means = |v: &[f64]| -> Vec<f64> { v.chunks_exact(block).map(mean).collect() };
        let spacing_s = spacing_s.map(|spacing_s| spacing_s * block as f64);
        best = from(MEANS_STEP, &means(time_s), &means(y), spacing_s, best)?;
    }
    from(STEP, time_s, y, spacing_s, best).map(|best| SecondOrder::of(&best))
}
