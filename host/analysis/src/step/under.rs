//! What lies under a step: a steady drift of the base line, and a ripple. Both are linear in their
//! numbers and fitted together with the curve, so that its uncertainties know of them.
//!
//! Fitted curve and what lies under it are found in turn, by a step of Gauss and Newton for all numbers
//! together and a new fit of the curve to what is left.

use super::ripple::Ripple;
use nalgebra::{DMatrix, DVector};

/// Rounds of the two in turn; each squares what is left of an error.
const ROUNDS: usize = 2;

/// A curve with dead time.
pub(super) trait Curve {
    /// Numbers of the curve.
    const NUMBERS: usize;
    /// Value at a time.
    fn value(&self, t_s: f64) -> f64;
    /// Derivatives with respect to level before, change, onset and the rest.
    fn fill_slopes(&self, t_s: f64, row: &mut [f64]);
}

/// What lies under a step, in the unit of the data.
#[derive(Clone, Debug)]
pub(super) struct Under {
    /// Change of the base line over the record, where it is let drift.
    pub(super) drift: Option<f64>,
    pub(super) ripple: Option<Ripple>,
    middle_s: f64,
    length_s: f64,
}

impl Under {
    pub(super) fn of(time_s: &[f64], ripple: Option<Ripple>, drifts: bool) -> Under {
        let (from_s, to_s) = (time_s[0], time_s[time_s.len() - 1]);
        Under {
            drift: drifts.then_some(0.0),
            ripple,
            middle_s: f64::midpoint(from_s, to_s),
            length_s: to_s - from_s,
        }
    }

    /// Numbers of it.
    pub(super) fn numbers(&self) -> usize {
        usize::from(self.drift.is_some()) + self.ripple.as_ref().map_or(0, Ripple::numbers)
    }

    /// Where in the record a time lies, from -0.5 to 0.5.
    pub(super) fn along(&self, t_s: f64) -> f64 {
        (t_s - self.middle_s) / self.length_s
    }

    /// Drift alone at a time.
    pub(super) fn base(&self, t_s: f64) -> f64 {
        self.drift.map_or(0.0, |drift| drift * self.along(t_s))
    }

    /// Value at a time.
    pub(super) fn at(&self, t_s: f64) -> f64 {
        self.base(t_s) + self.ripple.as_ref().map_or(0.0, |ripple| ripple.at(t_s))
    }

    /// Derivatives with respect to its numbers.
    pub(super) fn fill_slopes(&self, t_s: f64, row: &mut [f64]) {
        let drifts = usize::from(self.drift.is_some());
        if drifts > 0 {
            row[0] = self.along(t_s);
        }
        if let Some(ripple) = &self.ripple {
            ripple.fill_slopes(t_s, &mut row[drifts..]);
        }
    }

    fn add(&mut self, by: &[f64]) {
        let drifts = usize::from(self.drift.is_some());
        if let Some(drift) = &mut self.drift {
            *drift += by[0];
        }
        if let Some(ripple) = &mut self.ripple {
            ripple.add(&by[drifts..]);
        }
    }

    /// Fits a curve together with what lies under it; `fit` fits it to data that nothing lies under.
    pub(super) fn fitted<C: Curve>(
        mut self,
        time_s: &[f64],
        y: &[f64],
        mut fit: impl FnMut(&[f64], Option<&C>) -> Option<C>,
    ) -> Option<(C, Under)> {
        if self.numbers() == 0 {
            return fit(y, None).map(|curve| (curve, self));
        }
        let without =
            |under: &Under| -> Vec<f64> { time_s.iter().zip(y).map(|(t, y)| y - under.at(*t)).collect() };
        let mut left = without(&self);
        let mut curve = fit(&left, None)?;
        for _ in 0..ROUNDS {
            self.add(&self.correction(time_s, &left, &curve)?);
            left = without(&self);
            curve = fit(&left, Some(&curve))?;
        }
        Some((curve, self))
    }

    /// The step of Gauss and Newton for what lies under; `left` are the data less what is known of that.
    fn correction<C: Curve>(&self, time_s: &[f64], left: &[f64], curve: &C) -> Option<Vec<f64>> {
        let p = C::NUMBERS + self.numbers();
        let (mut normal, mut right) = (DMatrix::<f64>::zeros(p, p), DVector::<f64>::zeros(p));
        let mut row = vec![0.0; p];
        for (t, y) in time_s.iter().zip(left) {
            let (own, under) = row.split_at_mut(C::NUMBERS);
            curve.fill_slopes(*t, own);
            self.fill_slopes(*t, under);
            let residual = y - curve.value(*t);
            for a in 0..p {
                for b in 0..=a {
                    normal[(a, b)] += row[a] * row[b];
                }
                right[a] += row[a] * residual;
            }
        }
        let scale = normal.diagonal().map(|d| if d > 0.0 { 1.0 / d.sqrt() } else { 0.0 });
        let mut scaled = DMatrix::from_fn(p, p, |a, b| normal[(a.max(b), a.min(b))] * scale[a] * scale[b]);
        for k in 0..p {
            scaled[(k, k)] += f64::EPSILON;
        }
        let step = scaled.cholesky()?.solve(&right.component_mul(&scale)).component_mul(&scale);
        Some(step.as_slice()[C::NUMBERS..].to_vec())
    }
}
