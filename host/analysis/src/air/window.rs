//! Fitting the volume balance to the samples of a rise, once and again with something moved.

use super::FITTED_PA_MAX;
use super::rail::Rail;
use crate::fit::{Fit, least_squares};
use crate::reason::Unmeasured;
use crate::stats::{line, mean};

/// The samples that are fitted.
pub(super) struct Window<'a> {
    pub(super) time_s: Vec<f64>,
    pub(super) reported_pa: &'a [f64],
    pub(super) edge: usize,
}

/// Places of the parameters.
pub(super) const START_PA: usize = 0;
pub(super) const START_S: usize = 1;
pub(super) const INFLOW_PER_S: usize = 2;
pub(super) const AIR: usize = 3;

impl Window<'_> {
    /// The best of three fits: the air may account for none, half or all of the time between the
    /// edge and the place where the straight rise, followed back, would have begun.
    pub(super) fn best_fit(&self, rail: &Rail) -> Result<Fit<4>, Unmeasured> {
        let pressure_pa = self.true_pa(rail);
        let start_pa = mean(&pressure_pa[..self.edge]);
        let top_pa = pressure_pa[pressure_pa.len() - 1];
        let upper = pressure_pa
            .iter()
            .rposition(|p| *p < start_pa + 0.5 * (top_pa - start_pa))
            .unwrap_or(self.edge)
            .min(pressure_pa.len() - 4)
            .max(self.edge);
        let straight = line(&self.time_s[upper..], &pressure_pa[upper..])?;
        let middle_pa = straight.y_mean;
        let stiffness_pa = rail.stiffness_pa() + rail.modulus_slope * middle_pa;
        let inflow_per_s = (straight.slope / stiffness_pa).max(f64::MIN_POSITIVE);
        let begins_s = (straight.x_mean - (middle_pa - start_pa) / straight.slope)
            .clamp(0.0, self.time_s[self.time_s.len() - 1]);
        let starts = [0.0, 0.5, 1.0].map(|share| {
            let air = inflow_per_s * share * begins_s * (start_pa + rail.atmosphere_pa) / rail.atmosphere_pa;
            [start_pa, (1.0 - share) * begins_s, inflow_per_s, air.min(0.5)]
        });
        let mut fits = starts.into_iter().map(|start| self.fit(rail, &pressure_pa, start));
        let first = fits.next().unwrap_or(Err(Unmeasured::TooFewSamples { found: 0, needed: 1 }));
        fits.fold(first, |best, next| match (best, next) {
            (Ok(best), Ok(next)) if next.residual_sd < best.residual_sd => Ok(next),
            (Ok(best), _) => Ok(best),
            (Err(_), next) => next,
        })
    }

    fn true_pa(&self, rail: &Rail) -> Vec<f64> {
        self.reported_pa.iter().map(|p| p * rail.gain + rail.zero_pa).collect()
    }

    fn fit(&self, rail: &Rail, pressure_pa: &[f64], start: [f64; 4]) -> Result<Fit<4>, Unmeasured> {
        let end_s = self.time_s[self.time_s.len() - 1];
        let bounds = [
            (-0.5 * rail.atmosphere_pa, 2.0 * FITTED_PA_MAX),
            (0.0, end_s),
            (0.0, f64::INFINITY),
            (0.0, 0.95),
        ];
        least_squares("dead-headed pressure rise", pressure_pa, start, bounds, |i, p| {
            let run_s = self.time_s[i] - p[START_S];
            let (value, [by_start, by_inflow, by_air]) =
                rail.pressure_after(p[INFLOW_PER_S] * run_s, p[START_PA], p[AIR]);
            (value, [by_start, -by_inflow * p[INFLOW_PER_S], by_inflow * run_s, by_air])
        })
    }

    /// Air and slope when something given is a little different.
    pub(super) fn again(&self, rail: &Rail, from: &Fit<4>) -> Result<(f64, f64), Unmeasured> {
        let fit = self.fit(rail, &self.true_pa(rail), from.parameters)?;
        Ok((fit.parameters[AIR], fit.parameters[INFLOW_PER_S] * rail.stiffness_pa()))
    }

    /// The same samples on a time axis that counts inflow instead of time.
    pub(super) fn warped(&self, warp: impl Fn(f64) -> f64) -> Window<'_> {
        Window {
            time_s: self.time_s.iter().map(|t| warp(*t)).collect(),
            reported_pa: self.reported_pa,
            edge: self.edge,
        }
    }
}
