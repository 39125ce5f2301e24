//! Smooth curves through both ways of a sweep at once, how smooth being decided by the recording.
//!
//! Average `f` and difference `h` (down less up) are cubic splines whose second differences are
//! normal with an unknown variance, so that a reading is `f -/+ h/2` plus noise (penalised splines
//! as mixed models: Ruppert, Wand and Carroll, Semiparametric Regression, 2003, chapter 4, from
//! memory). The average may be bent one way or any curve; the difference the same everywhere, a
//! straight line or any curve. Smoothness is weighed by restricted likelihood, and so are the shapes:
//! a simple one is preferred until the recording speaks against it. What is drawn from the result is a
//! sweep that this recording leaves possible.

use super::corners::Corner;
use super::penalty::{Penalised, eliminated};
use super::spline::{ROUGH, ROUGHEST, Spline};
use nalgebra::{Cholesky, DMatrix, DVector, Dyn};
use rand_chacha::ChaCha8Rng;
use rand_core::Rng;
use statrs::distribution::{ContinuousCDF, Normal};
use statrs::function::gamma::ln_gamma;
use std::f64::consts::PI;

/// Columns before the rough ones: level, slope and bend of the average, level and slope of the difference.
const SLOPE_OF_DIFFERENCE: usize = 4;
const PLAIN: usize = 5;
const COLUMNS: usize = PLAIN + 2 * ROUGH;
/// Width of the slopes of the difference that are expected, in output spans over the sweep.
const SLOPE_RANGE: f64 = 0.2;
/// Penalties on roughness that are tried, in powers of ten of the mean weight.
const OF_AVERAGE: core::ops::RangeInclusive<i32> = ROUGHEST..=4;
const OF_DIFFERENCE: core::ops::RangeInclusive<i32> = ROUGHEST..=3;
/// Descriptions with less than this of the weight are left out.
const WEIGHT_MIN: f64 = 2e-3;

/// One reading.
#[derive(Clone, Copy, Debug)]
pub(super) struct Reading {
    /// Duty, 0 to 1 over the sweep.
    pub(super) at: f64,
    /// Extent of duty that the samples spread over, evenly.
    pub(super) width: f64,
    /// Output, about 0 to 1 over the sweep.
    pub(super) output: f64,
    /// On the way up.
    pub(super) is_up: bool,
    /// How many samples it is the mean of.
    pub(super) weight: f64,
}

/// What is known beside the readings.
#[derive(Clone, Copy, Debug)]
pub(super) struct Known {
    /// Duties that readings were taken at.
    pub(super) duties: usize,
    /// Variance of a reading of weight 1 as far as it was seen within the readings, and what that
    /// counts for, in degrees of freedom; 0 when nothing was seen.
    pub(super) variance: (f64, f64),
}

/// How average or difference is described.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Shape {
    /// The difference the same everywhere.
    Same,
    /// The average bent one way, the difference straight.
    Plain,
    /// Penalty on roughness.
    Curve(f64),
}

/// One way of describing the sweep, fitted.
struct Candidate {
    average: Shape,
    difference: Shape,
    /// Coefficients of all columns; 0 of those that are not part of it.
    best: DVector<f64>,
    columns: Vec<usize>,
    factor: Cholesky<f64, Dyn>,
    variance: f64,
    degrees_of_freedom: f64,
}

/// The sweep, described in several ways that are weighed.
pub(super) struct Smooth {
    spline: Spline,
    corners: Vec<Corner>,
    candidates: Vec<(f64, Candidate)>,
}

/// Average and difference at the places asked for.
#[derive(Clone, Debug)]
pub(super) struct Curves {
    pub(super) average: Vec<f64>,
    pub(super) difference: Vec<f64>,
}

impl Smooth {
    /// `None` when the readings are too few for a straight average and a constant difference, or leave every likely
    /// description open.
    pub(super) fn fit(readings: &[Reading], corners: &[Corner], known: Known) -> Option<Smooth> {
        let (spline, problem) = Problem::of(readings, corners, known);
        let candidates = problem.weighed()?;
        Some(Smooth { spline, corners: corners.to_vec(), candidates })
    }

    /// The same smoothness with other corners.
    pub(super) fn with_corners(
        &self,
        readings: &[Reading],
        corners: &[Corner],
        known: Known,
    ) -> Option<Smooth> {
        let (spline, problem) = Problem::of(readings, corners, known);
        let best = self.best()?;
        let candidate = problem.candidate(best.average, best.difference)?;
        Some(Smooth { spline, corners: corners.to_vec(), candidates: vec![(1.0, candidate)] })
    }

    /// The description with the most weight.
    fn best(&self) -> Option<&Candidate> {
        self.candidates.iter().max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, candidate)| candidate)
    }

    /// The curves of the likeliest description, at the given places.
    pub(super) fn likeliest(&self, places: &[f64]) -> Curves {
        let best = self.best().map_or_else(|| DVector::zeros(COLUMNS), |best| best.best.clone());
        self.curves(places, &DMatrix::from_columns(&[best])).remove(0)
    }

    /// The curves that are expected, at the given places.
    pub(super) fn expected(&self, places: &[f64]) -> Curves {
        let best = self.candidates.iter().map(|(weight, candidate)| *weight * &candidate.best).sum();
        self.curves(places, &DMatrix::from_columns(&[best])).remove(0)
    }

    /// Degrees of freedom of the noise.
    pub(super) fn degrees_of_freedom(&self) -> f64 {
        self.candidates.iter().map(|(weight, candidate)| weight * candidate.degrees_of_freedom).sum()
    }

    /// Variance of a reading of weight 1.
    pub(super) fn variance(&self) -> f64 {
        self.candidates.iter().map(|(weight, candidate)| weight * candidate.variance).sum()
    }

    /// Sweeps that the recording leaves possible, for a noise of known size, evenly over the
    /// candidates' weights.
    pub(super) fn draws(&self, places: &[f64], count: usize, rng: &mut ChaCha8Rng) -> Vec<Curves> {
        let normal = Normal::standard();
        let mut drawn = DMatrix::zeros(COLUMNS, count);
        let (mut reached, mut from) = (0.0, 0);
        for (weight, candidate) in &self.candidates {
            reached += weight;
            let to = ((reached * count as f64).round() as usize).min(count);
            for mut draw in drawn.columns_range_mut(from..to).column_iter_mut() {
                let mut step = DVector::from_fn(candidate.columns.len(), |_, _| {
                    normal.inverse_cdf((rng.next_u32() as f64 + 0.5) / 2.0_f64.powi(32))
                });
                candidate.factor.l_dirty().tr_solve_lower_triangular_mut(&mut step);
                draw.copy_from(&candidate.best);
                for (k, column) in candidate.columns.iter().enumerate() {
                    draw[*column] += step[k] * candidate.variance.sqrt();
                }
            }
            from = to;
        }
        self.curves(places, &drawn)
    }

    /// Curves of several sets of coefficients, a column each.
    fn curves(&self, places: &[f64], coefficients: &DMatrix<f64>) -> Vec<Curves> {
        let n = places.len();
        let mut rows = DMatrix::zeros(2 * n, COLUMNS);
        for (i, at) in places.iter().enumerate() {
            let [up, down] = [true, false]
                .map(|is_up| row(&self.spline, Corner::met(&self.corners, *at, 0.0, 1.0, is_up), is_up));
            for k in 0..COLUMNS {
                rows[(i, k)] = 0.5 * (up[k] + down[k]);
                rows[(n + i, k)] = down[k] - up[k];
            }
        }
        let values = rows * coefficients;
        values
            .column_iter()
            .map(|of| Curves {
                average: of.rows(0, n).iter().copied().collect(),
                difference: of.rows(n, n).iter().copied().collect(),
            })
            .collect()
    }
}

fn row(spline: &Spline, at: f64, is_up: bool) -> [f64; COLUMNS] {
    let side = if is_up { -0.5 } else { 0.5 };
    let mut row = [0.0; COLUMNS];
    row[..PLAIN].copy_from_slice(&[1.0, at - 0.5, 4.0 * at * (at - 1.0), side, side * (at - 0.5)]);
    for (j, value) in spline.rough_at(at).into_iter().enumerate() {
        row[PLAIN + j] = value;
        row[PLAIN + ROUGH + j] = side * value;
    }
    row
}

struct Problem {
    normal: DMatrix<f64>,
    right: DVector<f64>,
    squares: f64,
    count: f64,
    mean_weight: f64,
    known: Known,
}

impl Problem {
    fn of(readings: &[Reading], corners: &[Corner], known: Known) -> (Spline, Problem) {
        let spline = Spline::new(known.duties);
        let mut normal = DMatrix::zeros(COLUMNS, COLUMNS);
        let mut right = DVector::zeros(COLUMNS);
        let mut squares = 0.0;
        let mut weights = 0.0;
        for reading in readings {
            let at = Corner::met(corners, reading.at, reading.width, reading.weight, reading.is_up);
            let row = row(&spline, at, reading.is_up);
            for k in 0..COLUMNS {
                let weighted = reading.weight * row[k];
                for j in k..COLUMNS {
                    normal[(j, k)] += weighted * row[j];
                }
                right[k] += weighted * reading.output;
            }
            squares += reading.weight * reading.output * reading.output;
            weights += reading.weight;
        }
        normal.fill_upper_triangle_with_lower_triangle();
        let count = readings.len() as f64;
        (spline, Problem { normal, right, squares, count, mean_weight: weights / count, known })
    }

    fn weighed(&self) -> Option<Vec<(f64, Candidate)>> {
        let penalties = |decades: core::ops::RangeInclusive<i32>| {
            decades.map(|decade| Shape::Curve(self.mean_weight * 10.0_f64.powi(decade)))
        };
        let mut shapes: Vec<(Shape, Shape, f64)> = Vec::new();
        for average in [Shape::Plain].into_iter().chain(penalties(OF_AVERAGE)) {
            let mut add = |difference: Shape, (left, logarithm): (f64, f64)| {
                let unlikelihood = self.unlikelihood(average, difference, left, logarithm);
                shapes.extend(unlikelihood.map(|value| (average, difference, value)));
            };
            for difference in [Shape::Same, Shape::Plain] {
                if let Some((rest, logarithm)) = self.reduced(average, difference) {
                    add(difference, (rest[(0, 0)], logarithm));
                }
            }
            let Some((rest, logarithm)) = self.reduced(average, Shape::Curve(0.0)) else { continue };
            let rest = Penalised::new(rest);
            for difference in penalties(OF_DIFFERENCE) {
                if let Shape::Curve(penalty) = difference
                    && let Some((left, rough)) = rest.under(penalty)
                {
                    add(difference, (left, logarithm + rough));
                }
            }
        }
        // Each plain shape is as likely beforehand as all curves of its kind together.
        for (average, difference, unlikelihood) in &mut shapes {
            for (shape, curves) in [(average, OF_AVERAGE), (difference, OF_DIFFERENCE)] {
                if matches!(shape, Shape::Curve(_)) {
                    *unlikelihood += 2.0 * (curves.count() as f64).ln();
                }
            }
        }
        let least = shapes.iter().map(|(.., unlikelihood)| *unlikelihood).reduce(f64::min)?;
        let weight = |unlikelihood: f64| (-0.5 * (unlikelihood - least)).exp();
        let whole: f64 = shapes.iter().map(|(.., unlikelihood)| weight(*unlikelihood)).sum();
        let candidates: Vec<(f64, Candidate)> = shapes
            .into_iter()
            .map(|(average, difference, unlikelihood)| (average, difference, weight(unlikelihood) / whole))
            .filter(|(.., weight)| *weight > WEIGHT_MIN)
            .filter_map(|(average, difference, weight)| Some((weight, self.candidate(average, difference)?)))
            .collect();
        if candidates.is_empty() {
            return None;
        }
        let kept: f64 = candidates.iter().map(|(weight, _)| weight).sum();
        Some(candidates.into_iter().map(|(weight, candidate)| (weight / kept, candidate)).collect())
    }

    /// Columns of a description: free ones, and rough ones of the average and of the difference.
    fn columns(average: Shape, difference: Shape) -> [Vec<usize>; 3] {
        let free = (0..PLAIN).filter(|k| *k != SLOPE_OF_DIFFERENCE || difference != Shape::Same);
        let rough = |shape: Shape, from: usize| match shape {
            Shape::Curve(_) => (from..from + ROUGH).collect(),
            _ => Vec::new(),
        };
        [free.collect(), rough(average, PLAIN), rough(difference, PLAIN + ROUGH)]
    }

    /// The bordered normal equations with free columns and the average's rough ones taken out, and the
    /// logarithm of their determinant over the penalties: first what is left of the sum of squares, then the
    /// difference's rough columns.
    fn reduced(&self, average: Shape, difference: Shape) -> Option<(DMatrix<f64>, f64)> {
        let [free, of_average, of_difference] = Problem::columns(average, difference);
        let taken = free.len() + of_average.len();
        // `None` is the column of outputs.
        let columns: Vec<Option<usize>> = free
            .into_iter()
            .chain(of_average.clone())
            .map(Some)
            .chain([None])
            .chain(of_difference.into_iter().map(Some))
            .collect();
        let mut bordered =
            DMatrix::from_fn(columns.len(), columns.len(), |j, k| match (columns[j], columns[k]) {
                (Some(j), Some(k)) => self.normal[(j, k)],
                (Some(k), None) | (None, Some(k)) => self.right[k],
                (None, None) => self.squares,
            });
        let mut penalties = 0.0;
        if let Shape::Curve(penalty) = average {
            for k in taken - ROUGH..taken {
                bordered[(k, k)] += penalty;
                penalties += penalty.ln();
            }
        }
        eliminated(bordered, taken).map(|(rest, logarithm)| (rest, logarithm - penalties))
    }

    fn free_of(&self, average: Shape, difference: Shape) -> f64 {
        let [free, ..] = Problem::columns(average, difference);
        self.count - free.len() as f64
    }

    /// What remains of the sum of squares, with what was known of the noise, and its degrees of freedom.
    fn noise(&self, average: Shape, difference: Shape, left: f64) -> (f64, f64) {
        let (variance, degrees) = self.known.variance;
        let left = left.max(1e-13 * self.squares) + degrees * variance;
        (left, self.free_of(average, difference) + degrees)
    }

    /// Minus twice the logarithm of the likelihood with level, slopes and size of the noise integrated
    /// out. Beforehand the slope of a difference may be anything up to a share of the span: without a bound,
    /// no recording could ever prefer a difference that is the same everywhere.
    fn unlikelihood(&self, average: Shape, difference: Shape, left: f64, logarithm: f64) -> Option<f64> {
        let bound = if difference == Shape::Same { 0.0 } else { 2.0 * SLOPE_RANGE.ln() };
        let (left, degrees) = self.noise(average, difference, left);
        (self.free_of(average, difference) >= 1.0)
            .then(|| degrees * (PI * left).ln() - 2.0 * ln_gamma(0.5 * degrees) + logarithm + bound)
    }

    fn candidate(&self, average: Shape, difference: Shape) -> Option<Candidate> {
        let parts = Problem::columns(average, difference);
        let penalties = [Shape::Same, average, difference];
        let columns = parts.concat();
        let mut matrix =
            DMatrix::from_fn(columns.len(), columns.len(), |j, k| self.normal[(columns[j], columns[k])]);
        let mut j = 0;
        for (part, shape) in parts.iter().zip(penalties) {
            for _ in part {
                if let Shape::Curve(penalty) = shape {
                    matrix[(j, j)] += penalty;
                }
                j += 1;
            }
        }
        let right = DVector::from_fn(columns.len(), |j, _| self.right[columns[j]]);
        let factor = matrix.cholesky()?;
        let found = factor.solve(&right);
        let (left, degrees_of_freedom) = self.noise(average, difference, self.squares - found.dot(&right));
        let mut best = DVector::zeros(COLUMNS);
        for (k, column) in columns.iter().enumerate() {
            best[*column] = found[k];
        }
        let variance = left / degrees_of_freedom;
        Some(Candidate { average, difference, best, columns, factor, variance, degrees_of_freedom })
    }
}
