//! Results that were found together and so are correlated: the law of propagation with covariances.

use super::Measured;
use crate::reason::Unmeasured;
use crate::series::check_count;
use crate::stats::mean;

/// `N` values found from the same data, with the covariances of their estimates.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Joint<const N: usize> {
    /// Best estimates.
    pub values: [f64; N],
    /// Covariances of the estimates, in the product of their units; symmetric.
    pub covariance: [[f64; N]; N],
    /// Degrees of freedom, the same for all: of the residuals of a fit, or readings less one.
    pub degrees_of_freedom: f64,
}

impl<const N: usize> Joint<N> {
    /// Means of quantities that were read simultaneously, reading by reading, and their covariances
    /// (JCGM 100, 5.2.3, eq. 17).
    ///
    /// # Errors
    /// [`Unmeasured::Unpaired`] when the columns differ in length, [`Unmeasured::TooFewSamples`] below
    /// two readings.
    pub fn of_readings(readings: [&[f64]; N]) -> Result<Joint<N>, Unmeasured> {
        let n = readings.first().map_or(0, |column| column.len());
        if let Some(other) = readings.iter().find(|column| column.len() != n) {
            return Err(Unmeasured::Unpaired { left: n, right: other.len() });
        }
        check_count(n, 2)?;
        let values = readings.map(mean);
        let mut covariance = [[0.0; N]; N];
        for j in 0..N {
            for k in 0..N {
                let pairs = readings[j].iter().zip(readings[k]);
                let products: f64 = pairs.map(|(a, b)| (a - values[j]) * (b - values[k])).sum();
                covariance[j][k] = products / (n as f64 * (n as f64 - 1.0));
            }
        }
        Ok(Joint { values, covariance, degrees_of_freedom: n as f64 - 1.0 })
    }

    /// Standard uncertainty of value `k`, counted from 0.
    #[must_use]
    pub fn standard_uncertainty(&self, k: usize) -> f64 {
        self.covariance[k][k].sqrt()
    }

    /// Correlation coefficient of the estimates `j` and `k` (JCGM 100, 5.2.2, eq. 14), -1 to 1; not a
    /// number when one of them is exact.
    #[must_use]
    pub fn correlation(&self, j: usize, k: usize) -> f64 {
        self.covariance[j][k] / (self.standard_uncertainty(j) * self.standard_uncertainty(k))
    }

    /// One result computed from these values: its `value` and its `sensitivities` (derivatives) to them.
    /// All of its uncertainty is one contribution, called `name` (JCGM 100, 5.2.2, eq. 13).
    #[must_use]
    pub fn combined(&self, name: &'static str, value: f64, sensitivities: [f64; N]) -> Measured {
        let together = self.mapped([value], [sensitivities]);
        // Rounding can leave the variance of what cancels a hair below zero.
        let variance = together.covariance[0][0].max(0.0);
        Measured::new(value).with_scatter(name, variance.sqrt(), self.degrees_of_freedom)
    }

    /// `M` results computed from these values: the results and, row by row, their derivatives with
    /// respect to the values. They stay correlated: V = J U J' (JCGM 102:2011, 6.2.1).
    #[must_use]
    pub fn mapped<const M: usize>(&self, values: [f64; M], derivatives: [[f64; N]; M]) -> Joint<M> {
        let mut covariance = [[0.0; M]; M];
        for j in 0..M {
            for k in 0..M {
                for (a, row) in self.covariance.iter().enumerate() {
                    for (b, u) in row.iter().enumerate() {
                        covariance[j][k] += derivatives[j][a] * u * derivatives[k][b];
                    }
                }
            }
        }
        Joint { values, covariance, degrees_of_freedom: self.degrees_of_freedom }
    }
}
