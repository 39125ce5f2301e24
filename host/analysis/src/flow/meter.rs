//! What a pulse of a flow meter stands for.

use crate::reason::Unmeasured;
use crate::series::{check_count, check_finite, check_positive};
use crate::uncertainty::Input;

/// K-factor over pulse frequency and kinematic viscosity: one curve over f/nu for all viscosities
/// within the meter's range (universal viscosity curve, from memory; Strouhal and Roshko numbers
/// without the meter's bore, ISA RP31.1 and Mattingly, J. Res. NIST 97, 1992, from memory).
#[derive(Clone, Debug, PartialEq)]
pub struct KCurve {
    /// f/nu in 1/m2 (Hz over m2/s), rising, and K in pulses per m3.
    points: Vec<(f64, f64)>,
    relative_standard_uncertainty: f64,
}

impl KCurve {
    /// A curve through calibrated points `(f/nu, K)` in any order, f/nu in 1/m2 and K in pulses per
    /// m3; the relative standard uncertainty is that of its K-factors.
    ///
    /// # Errors
    /// [`Unmeasured::TooFewSamples`] below two points, [`Unmeasured::NotANumber`],
    /// [`Unmeasured::Impossible`] for a point that is not above zero or given twice.
    pub fn new(points: &[(f64, f64)], relative_standard_uncertainty: f64) -> Result<KCurve, Unmeasured> {
        check_count(points.len(), 2)?;
        for (at, k) in points {
            check_finite(&[*at, *k])?;
            check_positive("f/nu of a calibrated point in 1/m2", *at)?;
            check_positive("the K-factor in pulses per m3", *k)?;
        }
        let mut points = points.to_vec();
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        if let Some(pair) = points.windows(2).find(|pair| pair[0].0 == pair[1].0) {
            return Err(Unmeasured::Impossible {
                name: "f/nu of a calibrated point in 1/m2",
                found: pair[0].0,
                expected: "given once",
            });
        }
        Ok(KCurve { points, relative_standard_uncertainty })
    }

    /// K-factor at a pulse frequency, Hz, and a kinematic viscosity, m2/s, straight between the
    /// points over the logarithm of f/nu; the viscosity's uncertainty counts by the slope there.
    ///
    /// # Errors
    /// [`Unmeasured::Impossible`] outside the calibrated range.
    pub fn k_factor_per_m3(&self, frequency_hz: f64, viscosity_m2_per_s: Input) -> Result<Input, Unmeasured> {
        check_positive("the kinematic viscosity in m2/s", viscosity_m2_per_s.value)?;
        check_positive("the pulse frequency in Hz", frequency_hz)?;
        let at = frequency_hz / viscosity_m2_per_s.value;
        let after = self.points.partition_point(|point| point.0 < at).max(1);
        let (Some(left), Some(right)) = (self.points.get(after - 1), self.points.get(after)) else {
            return Err(outside(at));
        };
        if at < left.0 {
            return Err(outside(at));
        }
        let slope = (right.1 - left.1) / (right.0 / left.0).ln();
        let value = left.1 + slope * (at / left.0).ln();
        let by_viscosity = slope * viscosity_m2_per_s.relative_uncertainty();
        Ok(Input::new(value, by_viscosity.hypot(value * self.relative_standard_uncertainty)))
    }
}

fn outside(found: f64) -> Unmeasured {
    Unmeasured::Impossible {
        name: "f/nu in 1/m2",
        found,
        expected: "within the calibrated range of the meter's K-factor curve",
    }
}

/// K-factor of a meter whose housing is `warmer_k` warmer than when it was calibrated: the bore's
/// volume grows by `1 + 3 a dT` and each pulse stands for that much more. `expansion_per_k` is the
/// linear expansion of the housing, 1/K (16.5e-6 for common stainless steel, from memory).
#[must_use]
pub fn k_factor_warmed(k_factor_per_m3: Input, expansion_per_k: f64, warmer_k: Input) -> Input {
    let growth = 1.0 + 3.0 * expansion_per_k * warmer_k.value;
    let value = k_factor_per_m3.value / growth;
    let by_warmth = value * 3.0 * expansion_per_k * warmer_k.standard_uncertainty / growth;
    Input::new(value, by_warmth.hypot(k_factor_per_m3.standard_uncertainty / growth))
}
