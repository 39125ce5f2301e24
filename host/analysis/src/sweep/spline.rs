//! Cubic splines over a sweep, split into what is straight and what is rough.

use nalgebra::{DMatrix, SymmetricEigen};

/// Spline intervals over a sweep, at least and at most: one for every two duties, so that the curves
/// cannot follow the noise of each.
const INTERVALS: [usize; 2] = [3, 14];
/// Spline coefficients less the two of a straight line, at most.
pub(super) const ROUGH: usize = INTERVALS[1] + 1;

/// Least penalty on roughness, as a power of ten of the mean weight. Rough columns reach 1/sqrt(1.5e-3) = 26, the
/// least eigenvalue being about (pi/16)^4, so the normal equations of 240 readings are rounded to
/// `240 * 26^2 * 2.2e-16 = 4e-11` of the mean weight; a penalty near that is a matter of chance.
pub(super) const ROUGHEST: i32 = -8;

/// Turns a duty into the row of the spline columns. Columns that fewer intervals leave over are zero.
pub(super) struct Spline {
    intervals: usize,
    /// Spline coefficients to rough columns.
    rough: DMatrix<f64>,
}

impl Spline {
    pub(super) fn new(duties: usize) -> Spline {
        let intervals = (duties / 2).clamp(INTERVALS[0], INTERVALS[1]);
        let count = intervals + 3;
        let mut second = DMatrix::zeros(count - 2, count);
        for i in 0..count - 2 {
            second[(i, i)] = 1.0;
            second[(i, i + 1)] = -2.0;
            second[(i, i + 2)] = 1.0;
        }
        // Rough columns Z = B D'(DD')^(-1/2) have independent coefficients of one variance.
        let SymmetricEigen { eigenvectors, eigenvalues } = SymmetricEigen::new(&second * second.transpose());
        let scaled = &eigenvectors * DMatrix::from_diagonal(&eigenvalues.map(|v| 1.0 / v));
        Spline { intervals, rough: (second.transpose() * scaled).resize_horizontally(ROUGH, 0.0) }
    }

    /// The rough columns at a place, 0 to 1.
    pub(super) fn rough_at(&self, at: f64) -> [f64; ROUGH] {
        let scaled = at.clamp(0.0, 1.0) * self.intervals as f64;
        let first = (scaled as usize).min(self.intervals - 1);
        let t = scaled - first as f64;
        let s = 1.0 - t;
        let values = [
            s.powi(3) / 6.0,
            (3.0 * t.powi(3) - 6.0 * t * t + 4.0) / 6.0,
            (3.0 * s.powi(3) - 6.0 * s * s + 4.0) / 6.0,
            t.powi(3) / 6.0,
        ];
        core::array::from_fn(|j| (0..4).map(|k| values[k] * self.rough[(first + k, j)]).sum())
    }
}
