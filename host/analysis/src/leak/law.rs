//! The laws by which a closed rail may lose its pressure, as curves of start pressure and start rate.
//!
//! A laminar leak `q = G p` gives `p' = -(K/V) G p`, an orifice `q = Cd A sqrt(2 p/rho)` gives
//! `p' = -k sqrt p`. Liquids stiffen, K = K0 (1 + s p): both are multiplied by (1 + s p). Solutions:
//! `p = 1/((1/p0 + s) e^(t/tau) - s)` and `sqrt p = tan(atan(a sqrt p0) - a k t/2)/a`, a = sqrt s; for s = 0
//! the exponential, and a square root that falls in a straight line until the rail is empty.

use crate::fit::{Fit, least_squares};
use crate::reason::Unmeasured;
use crate::uncertainty::Input;

/// How the leak grows with the pressure behind it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Leaking {
    /// In proportion to pressure: a narrow gap, a seat that weeps.
    Laminar,
    /// With the square root of pressure: a hole.
    Orifice,
}

/// Below this a liquid does not stiffen, 1/Pa: one part in a million at 100 MPa.
const STIFFENING_NONE: f64 = 1.0e-14;

/// No liquid stiffens more, 1/Pa.
const STIFFENING_MAX: f64 = 1.0e-7;

/// One law with what is known of the liquid's stiffening.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Law {
    pub(super) leaking: Leaking,
    /// 1/Pa; fitted where it has an uncertainty.
    pub(super) stiffening: Input,
}

/// A fitted law.
#[derive(Clone, Debug)]
pub(super) struct Fitted {
    pub(super) law: Law,
    /// Start pressure, Pa; rate of fall there, Pa/s; stiffening, 1/Pa.
    pub(super) parameters: [f64; 3],
    /// Covariance of the parameters for samples of standard deviation 1.
    pub(super) unit_covariance: [[f64; 3]; 3],
    pub(super) residuals: Vec<f64>,
    pub(super) squares: f64,
}

impl Law {
    /// Pressure at `t_s` after the start.
    pub(super) fn pressure(&self, p: &[f64; 3], t_s: f64) -> f64 {
        let [p0, rate, s] = *p;
        let stiffer = 1.0 + s * p0;
        match self.leaking {
            Leaking::Laminar => 1.0 / ((1.0 / p0 + s) * (t_s * rate / (p0 * stiffer)).exp() - s),
            Leaking::Orifice => {
                let root0 = p0.sqrt();
                let k = rate / (root0 * stiffer);
                let a = s.max(0.0).sqrt();
                let root = if s < STIFFENING_NONE {
                    root0 - 0.5 * k * t_s
                } else {
                    ((a * root0).atan() - 0.5 * a * k * t_s).tan() / a
                };
                root.max(0.0).powi(2)
            }
        }
    }

    /// Pressure and its derivatives.
    fn curve(&self, p: &[f64; 3], t_s: f64) -> (f64, [f64; 3]) {
        let [p0, rate, s] = *p;
        let stiffer = 1.0 + s * p0;
        let now = self.pressure(p, t_s);
        let (by_start, by_rate) = match self.leaking {
            Leaking::Laminar => {
                let per_s = rate / (p0 * stiffer);
                let growth = (t_s * per_s).exp();
                let per_s_by_start = -per_s * (1.0 + 2.0 * s * p0) / (p0 * stiffer);
                let square = now * now * growth;
                (
                    square * (1.0 / (p0 * p0) - (1.0 / p0 + s) * t_s * per_s_by_start),
                    -square * t_s / (p0 * p0),
                )
            }
            Leaking::Orifice => {
                let root0 = p0.sqrt();
                let k = rate / (root0 * stiffer);
                let here = 1.0 + s * now;
                let k_by_root0 = -k * (1.0 + 3.0 * s * p0) / (root0 * stiffer);
                let root_by_root0 = here * (1.0 / stiffer - 0.5 * t_s * k_by_root0);
                let root = now.sqrt();
                (root * root_by_root0 / root0, -root * here * t_s / (root0 * stiffer))
            }
        };
        let by_stiffening = if self.stiffening.standard_uncertainty > 0.0 {
            // A difference: the curve is gentle in s, and 1e-5 of a usual s leaves nine digits.
            let h = 1.0e-13;
            (self.pressure(&[p0, rate, s + h], t_s) - self.pressure(&[p0, rate, (s - h).max(0.0)], t_s))
                / (h + s.min(h))
        } else {
            0.0
        };
        (now, [by_start, by_rate, by_stiffening])
    }

    /// Fits the law to pressures at times after the start, whose scatter is about `sample_u_pa`.
    pub(super) fn fit(
        &self,
        elapsed_s: &[f64],
        pressure_pa: &[f64],
        start: [f64; 2],
        sample_u_pa: f64,
    ) -> Result<Fitted, Unmeasured> {
        let n = elapsed_s.len();
        if !(start[0] > 0.0 && start[0].is_finite()) {
            let why = "there is no pressure at its beginning";
            return Err(Unmeasured::NoFit { curve: "leak-down", why });
        }
        let positive = (1.0e-3 * start[0], 1.0e3 * start[0]);
        let anything = (f64::NEG_INFINITY, f64::INFINITY);
        let name = match self.leaking {
            Leaking::Laminar => "laminar leak-down",
            Leaking::Orifice => "orifice leak-down",
        };
        let s = self.stiffening;
        if s.standard_uncertainty == 0.0 {
            let fit = least_squares(name, pressure_pa, start, [positive, anything], |i, p| {
                let (value, slopes) = self.curve(&[p[0], p[1], s.value], elapsed_s[i]);
                (value, [slopes[0], slopes[1]])
            })?;
            return Ok(self.fitted(&fit, [fit.parameters[0], fit.parameters[1], s.value], n));
        }
        // What is known of the stiffening is one more sample.
        let mut data = pressure_pa.to_vec();
        data.push(0.0);
        let weight = sample_u_pa / s.standard_uncertainty;
        let bounds = [positive, anything, (0.0, STIFFENING_MAX)];
        let first = [start[0], start[1], s.value.max(0.1 * s.standard_uncertainty)];
        let fit = least_squares(name, &data, first, bounds, |i, p| {
            if i == n { (weight * (p[2] - s.value), [0.0, 0.0, weight]) } else { self.curve(p, elapsed_s[i]) }
        })?;
        Ok(self.fitted(&fit, fit.parameters, n))
    }

    fn fitted<const P: usize>(&self, fit: &Fit<P>, parameters: [f64; 3], n: usize) -> Fitted {
        let unit = |j: usize, k: usize| if j < P && k < P { fit.unit_covariance(j, k) } else { 0.0 };
        let residuals = fit.residuals[..n].to_vec();
        Fitted {
            law: *self,
            parameters,
            unit_covariance: core::array::from_fn(|j| core::array::from_fn(|k| unit(j, k))),
            squares: fit.residuals.iter().map(|r| r * r).sum(),
            residuals,
        }
    }
}

impl Fitted {
    /// Logarithm of the evidence for the law when samples scatter by `u_pa` (Laplace's approximation),
    /// up to what all laws share: start pressure and rate are the same two numbers in each, with the
    /// same flat prior.
    pub(super) fn log_evidence(&self, u_pa: f64) -> f64 {
        let c = &self.unit_covariance;
        let v = u_pa * u_pa;
        let misfit = -0.5 * self.squares / v;
        let two = c[0][0] * c[1][1] - c[0][1] * c[0][1];
        let known = self.law.stiffening.standard_uncertainty;
        if known == 0.0 {
            return misfit + 0.5 * (two * v * v).ln();
        }
        let three = c[0][0] * (c[1][1] * c[2][2] - c[1][2] * c[1][2])
            - c[0][1] * (c[0][1] * c[2][2] - c[1][2] * c[0][2])
            + c[0][2] * (c[0][1] * c[1][2] - c[1][1] * c[0][2]);
        misfit + 0.5 * (three.max(f64::MIN_POSITIVE) * v * v).ln() + 0.5 * v.ln() - known.ln()
    }

    /// Variance of a quantity with these derivatives when samples scatter by `u_pa`: what is scatter, and
    /// what comes of the stiffening as it was known beforehand (by how much the quantity follows it).
    pub(super) fn variances(&self, by: [f64; 3], u_pa: f64) -> (f64, f64) {
        let with = |k: usize| (0..3).map(|j| by[j] * self.unit_covariance[j][k]).sum::<f64>() * u_pa * u_pa;
        let whole = (0..3).map(|k| by[k] * with(k)).sum::<f64>().max(0.0);
        let known = self.law.stiffening.standard_uncertainty;
        let stiffening = if known > 0.0 { (with(2) / known).powi(2).min(whole) } else { 0.0 };
        (whole - stiffening, stiffening)
    }

    /// Start pressure over start rate, s, and its derivatives.
    pub(super) fn time_at_start_s(&self) -> (f64, [f64; 3]) {
        let [p0, rate, _] = self.parameters;
        (p0 / rate, [1.0 / rate, -p0 / (rate * rate), 0.0])
    }

    /// Time constant towards zero gauge pressure of a laminar leak, s, and its derivatives.
    pub(super) fn time_at_zero_s(&self) -> (f64, [f64; 3]) {
        let [p0, rate, s] = self.parameters;
        let stiffer = 1.0 + s * p0;
        (p0 * stiffer / rate, [(1.0 + 2.0 * s * p0) / rate, -p0 * stiffer / (rate * rate), p0 * p0 / rate])
    }

    /// Start rate over how many times stiffer the liquid is there, Pa/s, in true pressure, and its derivatives.
    pub(super) fn rate_over_stiffness(&self, gain: f64) -> (f64, [f64; 3]) {
        let [p0, rate, s] = self.parameters;
        let stiffer = 1.0 + s * gain * p0;
        let by_stiffer = -gain * rate / (stiffer * stiffer);
        (gain * rate / stiffer, [by_stiffer * s * gain, gain / stiffer, by_stiffer * gain * p0])
    }
}
