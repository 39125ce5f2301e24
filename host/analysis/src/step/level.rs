//! A state level: the mean over a stated window, with drift and plunger ripple fitted along.

use super::{DRIFT_PERCENT_MAX, LEVEL_SAMPLES_MIN, StepRecord};
use crate::fit::{Fit, least_squares};
use crate::reason::{Signal, Unmeasured};
use crate::series::check_count;
use crate::stats::{Drift, mean};
use core::f64::consts::TAU;

/// A state level and what surrounds it.
pub(super) struct Level {
    /// Value in the middle of the window, Pa.
    pub(super) pressure_pa: f64,
    /// Its standard uncertainty from scatter, Pa.
    pub(super) u_pa: f64,
    pub(super) degrees_of_freedom: f64,
    /// Standard deviation of single samples about the level, its drift and its ripple, Pa.
    pub(super) noise_pa: f64,
    /// Change over the window, Pa.
    drift: Drift,
    /// Cosine and sine parts of the ripple and its second harmonic, over absolute time, Pa.
    ripple_pa: [f64; 4],
}

impl Level {
    /// Level of the samples `from..to`, over the last whole ripple periods that fit among them.
    pub(super) fn of(
        record: &StepRecord<'_>,
        from: usize,
        to: usize,
        spacing_s: f64,
    ) -> Result<Level, Unmeasured> {
        let from = window_start(record, from, to, spacing_s)?;
        let time_s = &record.time_s[from..to];
        let pressure_pa = &record.pressure_pa[from..to];
        let length_s = time_s[time_s.len() - 1] - time_s[0];
        let middle_s = mean(time_s);
        let along = |i: usize| (time_s[i] - middle_s) / length_s;
        let anything = (f64::NEG_INFINITY, f64::INFINITY);
        let (name, start_pa) = ("steady level", mean(pressure_pa));
        if let Some(period_s) = record.ripple_period_s {
            let start = [start_pa, 0.0, 0.0, 0.0, 0.0, 0.0];
            let fit = least_squares(name, pressure_pa, start, [anything; 6], |i, p| {
                let h = harmonics(time_s[i], period_s);
                let slopes = [1.0, along(i), h[0], h[1], h[2], h[3]];
                (slopes.iter().zip(p).map(|(s, p)| s * p).sum(), slopes)
            })?;
            let [.., cos, sin, cos_2, sin_2] = fit.parameters;
            Ok(Level::read(&fit, [cos, sin, cos_2, sin_2]))
        } else {
            let fit = least_squares(name, pressure_pa, [start_pa, 0.0], [anything; 2], |i, p| {
                (p[0] + p[1] * along(i), [1.0, along(i)])
            })?;
            Ok(Level::read(&fit, [0.0; 4]))
        }
    }

    /// The first two parameters are level and drift.
    fn read<const P: usize>(fit: &Fit<P>, ripple_pa: [f64; 4]) -> Level {
        let inflation = fit.inflation();
        Level {
            pressure_pa: fit.parameters[0],
            u_pa: fit.uncertainty(0) * inflation.sqrt(),
            degrees_of_freedom: (fit.degrees_of_freedom / inflation).max(1.0),
            noise_pa: fit.residual_sd,
            drift: Drift {
                change: fit.parameters[1],
                standard_uncertainty: fit.uncertainty(1) * inflation.sqrt(),
            },
            ripple_pa,
        }
    }

    /// Refuses a level that drifts by too much of a step of `change_pa`.
    pub(super) fn check_settled(&self, change_pa: f64) -> Result<(), Unmeasured> {
        let drift_percent = (self.significant_drift_pa() / change_pa).abs() * 100.0;
        if drift_percent > DRIFT_PERCENT_MAX {
            let allowed_percent = DRIFT_PERCENT_MAX;
            return Err(Unmeasured::NotSettled { signal: Signal::Pressure, drift_percent, allowed_percent });
        }
        Ok(())
    }

    /// Drift over the window, Pa; none when it is within its own noise.
    pub(super) fn significant_drift_pa(&self) -> f64 {
        if self.drift.is_significant() { self.drift.change } else { 0.0 }
    }

    /// The ripple alone at time `t_s`, Pa.
    pub(super) fn ripple_at(&self, record: &StepRecord<'_>, t_s: f64) -> f64 {
        record.ripple_period_s.map_or(0.0, |period_s| {
            harmonics(t_s, period_s).iter().zip(&self.ripple_pa).map(|(h, a)| h * a).sum()
        })
    }
}

/// First sample of the window that ends before `to` and holds whole ripple periods.
fn window_start(
    record: &StepRecord<'_>,
    from: usize,
    to: usize,
    spacing_s: f64,
) -> Result<usize, Unmeasured> {
    check_count(to - from, LEVEL_SAMPLES_MIN)?;
    let Some(needed_s) = record.ripple_period_s else {
        return Ok(from);
    };
    let found_s = (to - from) as f64 * spacing_s;
    let periods = (found_s / needed_s).floor();
    if periods < 1.0 {
        return Err(Unmeasured::TooShort { found_s, needed_s });
    }
    let samples = ((periods * needed_s / spacing_s).round() as usize).min(to - from);
    check_count(samples, LEVEL_SAMPLES_MIN)?;
    Ok(to - samples)
}

fn harmonics(t_s: f64, period_s: f64) -> [f64; 4] {
    let angle = TAU * t_s / period_s;
    [angle.cos(), angle.sin(), (2.0 * angle).cos(), (2.0 * angle).sin()]
}
