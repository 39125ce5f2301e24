//! The transition between two state levels: where it passes 10, 50 and 90 % of the way.

use crate::fit::least_squares;
use crate::reason::Unmeasured;
use crate::stats::mean;

/// Half-width of the window around a crossing, as a share of the 10-90 % transition: the cubic
/// follows the bend of any smooth transition this closely (a second-order one to 0.01 %), and in a
/// straight one the window at 10 % does not yet reach the corner, which lies 0.125 before it.
const CROSSING_HALF_WIDTH: f64 = 0.1;

/// With fewer samples than this in the window, the two samples around the crossing are joined by
/// a straight line instead (the plain rule of IEEE Std 181).
const CUBIC_SAMPLES_MIN: usize = 6;

/// Samples of the moving mean that finds the rough place of each crossing.
const ROUGH_SAMPLES: usize = 3;

/// Where the transition passes one reference level.
pub(super) struct Crossing {
    /// The reference level, 0 to 1.
    pub(super) reference: f64,
    /// Time of the crossing, s.
    pub(super) at_s: f64,
    /// Its standard uncertainty from scatter alone, levels taken as exact, s.
    pub(super) u_s: f64,
    /// Steepness there, 1/s on the 0 to 1 scale.
    pub(super) slope_per_s: f64,
}

/// The three crossings of a transition.
pub(super) struct Transition {
    /// At 10 %.
    pub(super) early: Crossing,
    /// At 50 %.
    pub(super) middle: Crossing,
    /// At 90 %.
    pub(super) late: Crossing,
}

impl Transition {
    /// Crossings of `way`, which runs from 0 before sample `edge` to 1; `noise` is the standard
    /// deviation of its samples.
    pub(super) fn find(
        time_s: &[f64],
        way: &[f64],
        edge: usize,
        noise: f64,
    ) -> Result<Transition, Unmeasured> {
        let half = ROUGH_SAMPLES / 2;
        let rough: Vec<f64> = (0..way.len())
            .map(|i| mean(&way[i.saturating_sub(half)..(i + half + 1).min(way.len())]))
            .collect();
        let last = rough.len() - 1;
        // The settled level lies above 50 and 90 %, so the searches do not run out of the record.
        let i_50 = (edge..last).find(|i| rough[*i] >= 0.5).unwrap_or(last);
        let i_90 = (i_50..last).find(|i| rough[*i] >= 0.9).unwrap_or(last);
        // Walked back from the middle, so that noise on the flat part is never met first.
        let i_10 = (1..=i_50).rev().find(|i| rough[i - 1] < 0.1).unwrap_or(1);
        let record = Samples { time_s, way, edge, noise };
        let half_width_s = CROSSING_HALF_WIDTH * (time_s[i_90] - time_s[i_10]);
        let crossing = |reference, near| record.crossing(reference, near, half_width_s);
        Ok(Transition {
            early: crossing(0.1, i_10)?,
            middle: crossing(0.5, i_50)?,
            late: crossing(0.9, i_90)?,
        })
    }

    pub(super) fn rise_time_s(&self) -> f64 {
        self.late.at_s - self.early.at_s
    }
}

struct Samples<'a> {
    time_s: &'a [f64],
    way: &'a [f64],
    edge: usize,
    noise: f64,
}

impl Samples<'_> {
    /// Place where the transition passes `reference`, near sample `near`: a cubic through the
    /// samples within `half_width_s`, found again from where it puts the crossing. Samples before
    /// the edge are left out, because nothing of the transition can be in them.
    fn crossing(&self, reference: f64, near: usize, half_width_s: f64) -> Result<Crossing, Unmeasured> {
        let mut found = self.joined(reference, near);
        // Places move by less than a sample from round to round; three rounds settle them.
        for _ in 0..3 {
            let from = self.time_s.partition_point(|t| *t < found.at_s - half_width_s).max(self.edge);
            let to = self.time_s.partition_point(|t| *t <= found.at_s + half_width_s);
            if to < from + CUBIC_SAMPLES_MIN {
                return Ok(found);
            }
            let anything = (f64::NEG_INFINITY, f64::INFINITY);
            let start = [reference, found.slope_per_s * half_width_s, 0.0, 0.0];
            let fit = least_squares("transition", &self.way[from..to], start, [anything; 4], |i, p| {
                let x = (self.time_s[from + i] - found.at_s) / half_width_s;
                (p[0] + x * (p[1] + x * (p[2] + x * p[3])), [1.0, x, x * x, x * x * x])
            })?;
            let [value, slope, bend, third] = fit.parameters;
            let slope_at = |x: f64| slope + x * (2.0 * bend + 3.0 * x * third);
            let mut x = 0.0;
            for _ in 0..5 {
                x -= (value + x * (slope + x * (bend + x * third)) - reference) / slope_at(x);
            }
            let slope_per_s = slope_at(x) / half_width_s;
            if !x.is_finite() || x.abs() > 1.0 || slope_per_s <= 0.0 {
                // Noise bends the cubic off the level; the place of the round before remains.
                return Ok(found);
            }
            // Noise of the whole record, which is known better than the scatter of a few samples,
            // spread over this window as the fit spreads its own.
            let spread = if fit.residual_sd > 0.0 { fit.uncertainty(0) / fit.residual_sd } else { 0.0 };
            let u_s = self.noise * spread / slope_per_s;
            found = Crossing { reference, at_s: found.at_s + x * half_width_s, u_s, slope_per_s };
        }
        Ok(found)
    }

    /// The crossing between the two samples around `reference`, walking from sample `near`.
    fn joined(&self, reference: f64, near: usize) -> Crossing {
        let (time_s, way) = (self.time_s, self.way);
        let mut i = near.clamp(1, way.len() - 1);
        while i > 1 && way[i - 1] >= reference {
            i -= 1;
        }
        while i < way.len() - 1 && way[i] < reference {
            i += 1;
        }
        let spacing_s = time_s[i] - time_s[i - 1];
        let slope_per_s = (way[i] - way[i - 1]) / spacing_s;
        Crossing {
            reference,
            at_s: time_s[i - 1] + (reference - way[i - 1]) / slope_per_s,
            // Two samples' noise, and the straight line's own guess within one spacing.
            u_s: (self.noise / slope_per_s).hypot(spacing_s / 12.0_f64.sqrt()),
            slope_per_s,
        }
    }
}
