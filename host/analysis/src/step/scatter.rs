//! How far parameters of a fit scatter when neighbouring residuals are alike.
//!
//! Noise is taken as white noise plus a first-order process: its autocorrelation at lag k >= 1 is
//! `a f^k`, from the lags 1 and 2 of the residuals, and none where lag 1 is within its own chance. The
//! covariance is that of ordinary least squares under such noise,
//! `(J'J)^-1 J'RJ (J'J)^-1 s^2`, with `J'RJ` summed by a recursion in one pass.

use super::under::{Curve, Under};
use nalgebra::{DMatrix, DVector};

/// A lag-1 autocorrelation within so many of its standard errors, 1/sqrt n, counts as none.
const CHANCE: f64 = 2.0;
/// Longest memory that is believed.
const MEMORY_MAX: f64 = 0.999;

/// Autocorrelation of a noise.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Memory {
    share: f64,
    per_sample: f64,
}

impl Memory {
    pub(super) const NONE: Memory = Memory { share: 0.0, per_sample: 0.0 };

    /// From residuals of a fit.
    pub(super) fn of(residuals: &[f64]) -> Memory {
        let n = residuals.len() as f64;
        let products = |lag: usize| residuals.iter().zip(&residuals[lag..]).map(|(a, b)| a * b).sum::<f64>();
        let squares = products(0);
        if squares == 0.0 || residuals.len() < 8 {
            return Memory::NONE;
        }
        // Short records show too little of it, by (1 + 4 r)/n (Marriott and Pope, Biometrika 41, 1954,
        // from memory).
        let at = |lag: usize| {
            let r = products(lag) / squares;
            r + (1.0 + 4.0 * r) / n
        };
        let (first, second) = (at(1), at(2));
        if first <= CHANCE / n.sqrt() {
            return Memory::NONE;
        }
        let per_sample = (second / first).clamp(first.min(MEMORY_MAX) * 0.5, MEMORY_MAX);
        Memory { share: (first / per_sample).min(1.0), per_sample }
    }

    /// How many samples are worth one independent one, for a mean.
    pub(super) fn inflation(self) -> f64 {
        1.0 + 2.0 * self.share * self.per_sample / (1.0 - self.per_sample)
    }
}

/// Scatter of the parameters of a curve.
#[derive(Clone, Debug)]
pub(super) struct Scatter {
    covariance: DMatrix<f64>,
    /// What a wrong level before, and a wrong level after, of one unit each does to the parameters.
    by_level: [DVector<f64>; 2],
    pub(super) degrees_of_freedom: f64,
    /// A steady drift of the base line that is not fitted; `None` where it is, or cannot be told.
    pub(super) unfitted_drift: Option<UnfittedDrift>,
}

/// A steady drift of the base line under a curve that was fitted without one.
#[derive(Clone, Debug)]
pub(super) struct UnfittedDrift {
    /// Change of the base line over the record by the residuals, and its standard uncertainty.
    change: f64,
    u: f64,
    /// What of the residuals' squares it would take, by the derivatives.
    pub(super) squares: f64,
    /// What a change of one unit does to the parameters.
    by_drift: DVector<f64>,
}

impl UnfittedDrift {
    /// Evidence for it over none: Bayes factor of a drift that is known beforehand to be 0 with a standard uncertainty
    /// of `beforehand_u`. Both are normal, so that the integral over its size is closed (Kass and Raftery, J. Am.
    /// Stat. Assoc. 90, 1995, eq. 1).
    pub(super) fn evidence(&self, beforehand_u: f64) -> f64 {
        let told = self.told(beforehand_u);
        (1.0 - told).sqrt() * (0.5 * told * (self.change / self.u).powi(2)).exp()
    }

    /// How far something with these derivatives is off if there is one: root of the mean square over what is then
    /// known of its size.
    pub(super) fn off(&self, by: &[f64], beforehand_u: f64) -> f64 {
        let told = self.told(beforehand_u);
        let size = (told * self.change).hypot(told.sqrt() * self.u);
        size * by.iter().zip(self.by_drift.iter()).map(|(a, b)| a * b).sum::<f64>().abs()
    }

    /// Weight of the residuals beside what is known beforehand.
    fn told(&self, beforehand_u: f64) -> f64 {
        beforehand_u.powi(2) / (beforehand_u.powi(2) + self.u.powi(2))
    }
}

impl Scatter {
    /// Samples before `flat.0` and from `flat.1` on lie on the levels of the curve. `sd_least` is a
    /// standard deviation that residuals may fall short of.
    pub(super) fn of<C: Curve>(
        (curve, under): (&C, &Under),
        time_s: &[f64],
        residuals: &[f64],
        memory: Memory,
        sd_least: f64,
        flat: (usize, usize),
    ) -> Option<Scatter> {
        let (n, p) = (residuals.len(), C::NUMBERS + under.numbers());
        let mut normal = DMatrix::<f64>::zeros(p, p);
        let mut alike = DMatrix::<f64>::zeros(p, p);
        let mut levels = [DVector::<f64>::zeros(p), DVector::<f64>::zeros(p)];
        let (mut row, mut trail) = (vec![0.0; p], vec![0.0; p]);
        let (mut by_drift, mut drift_drift, mut drift_left) = (DVector::<f64>::zeros(p), 0.0, 0.0);
        for (i, t) in time_s.iter().enumerate() {
            let (own, other) = row.split_at_mut(C::NUMBERS);
            curve.fill_slopes(*t, own);
            under.fill_slopes(*t, other);
            for (b, right) in row.iter().enumerate() {
                for (sum, left) in normal.column_mut(b).iter_mut().zip(&row) {
                    *sum += left * right;
                }
            }
            let along = under.along(*t);
            by_drift.iter_mut().zip(&row).for_each(|(sum, slope)| *sum += along * slope);
            drift_drift += along * along;
            drift_left += along * residuals[i];
            if memory.share > 0.0 {
                for (b, right) in trail.iter().enumerate() {
                    for (sum, left) in alike.column_mut(b).iter_mut().zip(&row) {
                        *sum += left * right;
                    }
                }
                for (trail, slope) in trail.iter_mut().zip(&row) {
                    *trail = (*trail + slope) * memory.per_sample;
                }
            }
            if i < flat.0 || i >= flat.1 {
                let level = &mut levels[usize::from(i >= flat.1)];
                level.iter_mut().zip(&row).for_each(|(sum, slope)| *sum += slope);
            }
        }
        let scale = normal.diagonal().map(|d| 1.0 / d.sqrt());
        let scaling = DMatrix::<f64>::from_diagonal(&scale);
        let inverse = &scaling * (&scaling * &normal * &scaling).cholesky()?.inverse() * &scaling;
        if inverse.iter().any(|v| !v.is_finite()) {
            return None;
        }
        let drift_alone = drift_drift - by_drift.dot(&(&inverse * &by_drift));
        let by_drift = &inverse * &by_drift;
        let meat = normal + (&alike + alike.transpose()) * memory.share;
        let used = (&inverse * &meat).trace();
        let squares: f64 = residuals.iter().map(|r| r * r).sum();
        let variance = (squares / (n as f64 - used).max(1.0)).max(sd_least * sd_least);
        // One that drifts already has none left but rounding.
        let unfitted_drift = (drift_alone > 1e-9 * drift_drift).then(|| UnfittedDrift {
            change: drift_left / drift_alone,
            u: (variance * memory.inflation() / drift_alone).sqrt(),
            squares: drift_left.powi(2) / drift_alone,
            by_drift,
        });
        Some(Scatter {
            covariance: &inverse * meat * &inverse * variance,
            by_level: levels.map(|level| &inverse * level),
            unfitted_drift,
            degrees_of_freedom: (n.saturating_sub(p) as f64 / memory.inflation()).max(1.0),
        })
    }

    /// Standard uncertainty of something with these derivatives with respect to the curve's first numbers.
    pub(super) fn uncertainty(&self, by: &[f64]) -> f64 {
        let terms = |a: usize| by.iter().enumerate().map(move |(b, v)| self.covariance[(a, b)] * v);
        by.iter().enumerate().map(|(a, v)| v * terms(a).sum::<f64>()).sum::<f64>().max(0.0).sqrt()
    }

    /// The same from levels that are each wrong by a standard uncertainty of `u`.
    pub(super) fn by_levels(&self, by: &[f64], u: f64) -> f64 {
        let along = |level: &DVector<f64>| by.iter().zip(level.iter()).map(|(a, b)| a * b).sum::<f64>();
        u * along(&self.by_level[0]).hypot(along(&self.by_level[1]))
    }
}

#[cfg(test)]
mod tests {
    use super::{DVector, UnfittedDrift};

    /// The closed integral against a sum over sizes of the drift: the likelihood of the size that was seen, over
    /// that of none, weighed by what is known beforehand. The sum of a smooth bell in steps of a fiftieth of its
    /// width is good to far more digits than are asked for.
    #[test]
    fn evidence_is_the_mean_likelihood() {
        for (change, u, beforehand_u) in
            [(0.0_f64, 0.003_f64, 0.03_f64), (0.006, 0.003, 0.03), (0.02, 0.01, 0.01)]
        {
            let drift = UnfittedDrift { change, u, squares: 0.0, by_drift: DVector::zeros(1) };
            let step = beforehand_u.min(u) / 50.0;
            let bell = |x: f64| (-0.5 * x * x).exp();
            let sum: f64 = (-20_000..=20_000)
                .map(|k| step * f64::from(k))
                .map(|size| bell((change - size) / u) * bell(size / beforehand_u) * step)
                .sum();
            let mean = sum / (beforehand_u * core::f64::consts::TAU.sqrt()) / bell(change / u);
            assert!((drift.evidence(beforehand_u) / mean - 1.0).abs() < 1e-9, "{change}: {mean}");
        }
    }
}
