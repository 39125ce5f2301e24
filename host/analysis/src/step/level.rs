//! A state level: the mean over a stated window, with its drift fitted along.

use super::{DRIFT_PERCENT_MAX, LEVEL_SAMPLES_MIN, Trace};
use crate::fit::least_squares;
use crate::reason::{Signal, Unmeasured};
use crate::stats::{Drift, mean};

/// A state level and what surrounds it, on the scale of the trace.
pub(super) struct Level {
    /// Value in the middle of the window.
    pub(super) value: f64,
    /// Its standard uncertainty from scatter.
    pub(super) u: f64,
    pub(super) degrees_of_freedom: f64,
    /// Standard deviation of single samples about the level and its drift.
    pub(super) noise: f64,
    /// How many times neighbours' likeness inflates the variance of a mean.
    pub(super) inflation: f64,
    /// Change over the window.
    drift: Drift,
}

impl Level {
    /// Level of the samples `from..to`, over the last whole ripple periods that fit among them.
    pub(super) fn of(trace: &Trace<'_>, from: usize, to: usize) -> Result<Level, Unmeasured> {
        let from = window_start(trace, from, to)?;
        let time_s = &trace.time_s[from..to];
        let way = &trace.way[from..to];
        let length_s = time_s[time_s.len() - 1] - time_s[0];
        let middle_s = mean(time_s);
        let along = |i: usize| (time_s[i] - middle_s) / length_s;
        let anything = (f64::NEG_INFINITY, f64::INFINITY);
        let fit = least_squares("steady level", way, [mean(way), 0.0], [anything; 2], |i, p| {
            (p[0] + p[1] * along(i), [1.0, along(i)])
        })?;
        let inflation = fit.inflation();
        Ok(Level {
            value: fit.parameters[0],
            u: fit.uncertainty(0) * inflation.sqrt(),
            degrees_of_freedom: (fit.degrees_of_freedom / inflation).max(1.0),
            noise: fit.residual_sd,
            inflation,
            drift: Drift {
                change: fit.parameters[1],
                standard_uncertainty: fit.uncertainty(1) * inflation.sqrt(),
            },
        })
    }

    /// Refuses a level that drifts by too much of a step of `change`.
    pub(super) fn check_settled(&self, change: f64) -> Result<(), Unmeasured> {
        let drift_percent = (self.significant_drift() / change).abs() * 100.0;
        if drift_percent > DRIFT_PERCENT_MAX {
            let allowed_percent = DRIFT_PERCENT_MAX;
            return Err(Unmeasured::NotSettled { signal: Signal::Pressure, drift_percent, allowed_percent });
        }
        Ok(())
    }

    /// Drift over the window; none when it is within its own noise.
    pub(super) fn significant_drift(&self) -> f64 {
        if self.drift.is_significant() { self.drift.change } else { 0.0 }
    }
}

/// First sample of the window that ends before `to` and holds whole ripple periods.
fn window_start(trace: &Trace<'_>, from: usize, to: usize) -> Result<usize, Unmeasured> {
    check_enough(to.saturating_sub(from))?;
    let Some(needed_s) = trace.ripple_period_s else {
        return Ok(from);
    };
    let found_s = (to - from) as f64 * trace.spacing_s;
    let periods = (found_s / needed_s).floor();
    if periods < 1.0 {
        let (what, which_is) = ("the level before or after the step", "a whole period of the ripple");
        return Err(Unmeasured::TooShort { what, which_is, found_s, needed_s });
    }
    let samples = ((periods * needed_s / trace.spacing_s).round() as usize).min(to - from);
    check_enough(samples)?;
    Ok(to - samples)
}

fn check_enough(found: usize) -> Result<(), Unmeasured> {
    if found >= LEVEL_SAMPLES_MIN {
        return Ok(());
    }
    Err(Unmeasured::TooFew {
        what: "samples on the level before or after the step",
        found,
        needed: LEVEL_SAMPLES_MIN,
        what_to_do: "sample faster, or record more of it",
    })
}
