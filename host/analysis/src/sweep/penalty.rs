//! Least squares with a penalty on some of the coefficients, for many penalties at once.
//!
//! Normal equations bordered by the right-hand side and the sum of squares are reduced column by column; what
//! is left of the corner is the sum of squares that the columns do not explain. The last group of columns
//! is brought to tridiagonal form first, with the right-hand side for its first axis: from then on a
//! penalty costs a few divisions.

use nalgebra::{DMatrix, linalg::SymmetricTridiagonal};

/// Takes the first `count` columns out of a symmetric matrix: what is left of it, and the logarithm of the
/// determinant of what was taken out. `None` when they are not independent. Only the lower triangle counts.
pub(super) fn eliminated(mut matrix: DMatrix<f64>, count: usize) -> Option<(DMatrix<f64>, f64)> {
    let n = matrix.nrows();
    let mut logarithm = 0.0;
    for j in 0..count {
        let pivot = matrix[(j, j)];
        if pivot.is_nan() || pivot <= 0.0 {
            return None;
        }
        logarithm += pivot.ln();
        for k in j + 1..n {
            let share = matrix[(k, j)] / pivot;
            if share != 0.0 {
                for i in k..n {
                    matrix[(i, k)] -= share * matrix[(i, j)];
                }
            }
        }
    }
    Some((matrix.view((count, count), (n - count, n - count)).into_owned(), logarithm))
}

/// A sum of squares and penalised columns that may explain some of it.
pub(super) struct Penalised {
    diagonal: Vec<f64>,
    off: Vec<f64>,
}

impl Penalised {
    /// From the bordered matrix: first the sum of squares with the right-hand side below it, then the columns.
    pub(super) fn new(bordered: DMatrix<f64>) -> Penalised {
        let (diagonal, off) = SymmetricTridiagonal::new(bordered).unpack_tridiagonal();
        Penalised { diagonal: diagonal.as_slice().to_vec(), off: off.as_slice().to_vec() }
    }

    /// Sum of squares that remains without the columns.
    pub(super) fn without(&self) -> f64 {
        self.diagonal[0]
    }

    /// Sum of squares that remains under a penalty, and the logarithm of the determinant of the penalised
    /// columns, each over the penalty.
    pub(super) fn under(&self, penalty: f64) -> Option<(f64, f64)> {
        let last = self.off.len();
        let mut pivot = self.diagonal[last] + penalty;
        let mut determinant = pivot / penalty;
        for k in (1..last).rev() {
            if pivot <= 0.0 {
                return None;
            }
            pivot = self.diagonal[k] + penalty - self.off[k] * self.off[k] / pivot;
            determinant *= pivot / penalty;
        }
        (pivot > 0.0).then(|| (self.diagonal[0] - self.off[0] * self.off[0] / pivot, determinant.ln()))
    }
}
