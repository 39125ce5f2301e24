//! Hysteresis and linearity of a duty-pressure sweep, up and down.
//!
//! Words of IEC 61298-2: hysteresis is the largest difference between upward and downward
//! readings at the same input, as a share of the output span; terminal-based linearity is the
//! largest distance of the average curve from the line through its ends, as a share of the span
//! (definitions from memory).

use crate::reason::Unmeasured;
use crate::series::{check_count, check_finite};
use crate::uncertainty::Measured;

/// Fewest points of the upward sweep that must lie inside the downward one.
pub const POINTS_MIN: usize = 3;

/// One settled point of a sweep.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SweepPoint {
    /// On-fraction, 0 to 1.
    pub duty: f64,
    /// Settled pressure, Pa.
    pub pressure_pa: f64,
    /// Its standard uncertainty from scatter, Pa; what up and down share (gain, zero) cancels.
    pub standard_uncertainty_pa: f64,
}

/// What two sweeps tell.
#[derive(Clone, Debug, PartialEq)]
pub struct Hysteresis {
    /// Largest difference over the span, 0 to 1.
    pub share_of_span: Measured,
    /// Largest difference, downward less upward reading, Pa.
    pub difference_pa: Measured,
    /// Duty at which it was found.
    pub at_duty: f64,
    /// Span of the average curve over the shared duties, Pa.
    pub span_pa: f64,
    /// Terminal-based non-linearity of the average curve over the span, not negative.
    pub linearity_share_of_span: f64,
}

/// Compares an upward and a downward sweep at the duties of the upward one; between its points the
/// downward sweep is taken as straight. Points may come in any order.
///
/// Picking the largest of several noisy differences favours large ones: with differences that are
/// all equal, by about 1.2 standard uncertainties for five points. It is not taken off.
///
/// # Errors
/// [`Unmeasured::NotANumber`], [`Unmeasured::TooFewSamples`], [`Unmeasured::NoOverlap`], or
/// [`Unmeasured::NoFit`] when the pressure does not change over the sweep.
pub fn hysteresis(up: &[SweepPoint], down: &[SweepPoint]) -> Result<Hysteresis, Unmeasured> {
    for sweep in [up, down] {
        check_count(sweep.len(), POINTS_MIN)?;
        for point in sweep {
            check_finite(&[point.duty, point.pressure_pa, point.standard_uncertainty_pa])?;
        }
    }
    let (up, down) = (sorted(up), sorted(down));
    let pairs: Vec<(SweepPoint, SweepPoint)> =
        up.iter().filter_map(|u| Some((*u, interpolated(&down, u.duty)?))).collect();
    if pairs.len() < POINTS_MIN {
        return Err(Unmeasured::NoOverlap { found: pairs.len(), needed: POINTS_MIN });
    }
    let average = |(u, d): &(SweepPoint, SweepPoint)| f64::midpoint(u.pressure_pa, d.pressure_pa);
    let (first, last) = (&pairs[0], &pairs[pairs.len() - 1]);
    let middles = || pairs.iter().map(average);
    let span_pa = middles().fold(f64::NEG_INFINITY, f64::max) - middles().fold(f64::INFINITY, f64::min);
    if span_pa == 0.0 || last.0.duty == first.0.duty {
        return Err(Unmeasured::NoFit {
            curve: "duty-pressure curve",
            why: "pressure or duty never changed",
        });
    }

    let gap = |(u, d): &(SweepPoint, SweepPoint)| d.pressure_pa - u.pressure_pa;
    let widest = pairs.iter().max_by(|a, b| gap(a).abs().total_cmp(&gap(b).abs())).unwrap_or(first);
    let u_gap = widest.0.standard_uncertainty_pa.hypot(widest.1.standard_uncertainty_pa);
    let difference_pa = Measured::new(gap(widest)).with_given("scatter of the two points", 1.0, u_gap);
    // The span's own uncertainty is that of two averages; hysteresis is a small share of it.
    let u_span = 0.5
        * first
            .0
            .standard_uncertainty_pa
            .hypot(first.1.standard_uncertainty_pa)
            .hypot(last.0.standard_uncertainty_pa.hypot(last.1.standard_uncertainty_pa));
    let share = gap(widest).abs() / span_pa;
    let share_of_span =
        difference_pa.mapped(share, 1.0 / span_pa).with_given("span", share / span_pa, u_span);

    let slope = (average(last) - average(first)) / (last.0.duty - first.0.duty);
    let linearity_share_of_span = pairs
        .iter()
        .map(|pair| (average(pair) - average(first) - slope * (pair.0.duty - first.0.duty)).abs())
        .fold(0.0, f64::max)
        / span_pa;
    Ok(Hysteresis { share_of_span, difference_pa, at_duty: widest.0.duty, span_pa, linearity_share_of_span })
}

fn sorted(sweep: &[SweepPoint]) -> Vec<SweepPoint> {
    let mut points = sweep.to_vec();
    points.sort_by(|a, b| a.duty.total_cmp(&b.duty));
    points
}

/// The sweep's reading at `duty`, `None` outside its range.
fn interpolated(sweep: &[SweepPoint], duty: f64) -> Option<SweepPoint> {
    if let Some(same) = sweep.iter().find(|p| p.duty == duty) {
        return Some(*same);
    }
    let after = sweep.partition_point(|p| p.duty < duty);
    let (left, right) = (sweep.get(after.checked_sub(1)?)?, sweep.get(after)?);
    let share = (duty - left.duty) / (right.duty - left.duty);
    Some(SweepPoint {
        duty,
        pressure_pa: left.pressure_pa + share * (right.pressure_pa - left.pressure_pa),
        standard_uncertainty_pa: ((1.0 - share) * left.standard_uncertainty_pa)
            .hypot(share * right.standard_uncertainty_pa),
    })
}
