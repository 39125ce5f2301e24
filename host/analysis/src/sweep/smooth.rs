//! Smooth curves through both ways of a sweep at once, how smooth being decided by the recording.
//!
//! Average `f` and difference `h` (down less up) are cubic splines whose second differences are
//! normal with an unknown variance, so that a reading is `f -/+ h/2` plus noise (penalised splines
//! as mixed models: Ruppert, Wand and Carroll, Semiparametric Regression, 2003, chapter 4, from
//! memory). Smoothness is weighed by restricted likelihood, and so is whether the difference is the
//! same everywhere, a straight line or any curve: one simple shape is preferred until the recording
//! speaks against it. What is drawn from the result is a sweep that this recording leaves possible.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn, SymmetricEigen};
use rand_chacha::ChaCha8Rng;
use rand_core::Rng;
use statrs::distribution::{ContinuousCDF, Normal};
use statrs::function::gamma::ln_gamma;
use std::f64::consts::PI;

/// Spline intervals over a sweep, at least and at most: one for every two duties, so that the curves
/// cannot follow the noise of each.
const INTERVALS: [usize; 2] = [3, 14];
/// Spline coefficients less the two of a straight line, at most.
pub(super) const ROUGH: usize = INTERVALS[1] + 1;
/// Columns before the rough ones: level and slope of the average, level and slope of the difference.
const PLAIN: usize = 4;
const SLOPE_OF_DIFFERENCE: usize = 3;
/// Width of the slopes of the difference that are expected, in output spans over the sweep.
const SLOPE_RANGE: f64 = 0.2;

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

/// Where the curve of one way has a corner: the end of a stretch in which nothing moves.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Corner {
    pub(super) at: f64,
    /// Standard uncertainty of that.
    pub(super) u: f64,
    pub(super) on: On,
}

/// Which ways something is about.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum On {
    Up,
    Down,
    Both,
}

/// Turns a duty into the row of the spline columns. Columns that fewer intervals leave over are zero.
pub(super) struct Basis {
    intervals: usize,
    /// Spline coefficients to rough columns.
    rough: DMatrix<f64>,
}

impl Basis {
    pub(super) fn new(duties: usize) -> Basis {
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
        Basis { intervals, rough: (second.transpose() * scaled).resize_horizontally(ROUGH, 0.0) }
    }

    pub(super) fn rough_at(&self, at: f64) -> [f64; ROUGH] {
        let scaled = at.clamp(0.0, 1.0) * self.intervals as f64;
        let first = (scaled.floor() as usize).min(self.intervals - 1);
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

/// How the difference is described.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Shape {
    Same,
    Straight,
    /// Penalty on roughness.
    Curve(f64),
}

/// One way of describing the sweep, fitted.
struct Candidate {
    average: Option<f64>,
    shape: Shape,
    columns: Vec<usize>,
    best: DVector<f64>,
    factor: Cholesky<f64, Dyn>,
    variance: f64,
    degrees_of_freedom: f64,
    /// Minus twice the logarithm of its likelihood.
    unlikelihood: f64,
}

/// The sweep, described in several ways that are weighed.
pub(super) struct Smooth {
    basis: Basis,
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
    /// `None` when the readings are too few for a straight average and a constant difference.
    pub(super) fn fit(readings: &[Reading], corners: &[Corner], known: Known) -> Option<Smooth> {
        let (basis, problem) = Problem::of(readings, corners, known);
        let candidates = problem.weighed()?;
        Some(Smooth { basis, corners: corners.to_vec(), candidates })
    }

    /// The same smoothness with other corners.
    pub(super) fn with_corners(
        &self,
        readings: &[Reading],
        corners: &[Corner],
        known: Known,
    ) -> Option<Smooth> {
        let (basis, problem) = Problem::of(readings, corners, known);
        let (_, best) = self.candidates.iter().max_by(|a, b| a.0.total_cmp(&b.0))?;
        let candidate = problem.candidate(best.average, best.shape)?;
        Some(Smooth { basis, corners: corners.to_vec(), candidates: vec![(1.0, candidate)] })
    }

    /// The curves that are expected, at the given places.
    pub(super) fn expected(&self, places: &[f64]) -> Curves {
        let rows = self.rows(places);
        let mut curves = Curves { average: vec![0.0; places.len()], difference: vec![0.0; places.len()] };
        for (weight, candidate) in &self.candidates {
            add(&mut curves, &rows, &candidate.columns, &candidate.best, *weight);
        }
        curves
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
        let rows = self.rows(places);
        let normal = Normal::standard();
        let mut draws = Vec::with_capacity(count);
        let mut reached = 0.0;
        for (weight, candidate) in &self.candidates {
            let from = (reached * count as f64).round() as usize;
            reached += weight;
            for _ in from..(reached * count as f64).round() as usize {
                let z = DVector::from_fn(candidate.columns.len(), |_, _| {
                    normal.inverse_cdf((rng.next_u32() as f64 + 0.5) / 2.0_f64.powi(32))
                });
                let mut step = z * candidate.variance.sqrt();
                candidate.factor.l_dirty().tr_solve_lower_triangular_mut(&mut step);
                let drawn = &candidate.best + step;
                let mut curves =
                    Curves { average: vec![0.0; places.len()], difference: vec![0.0; places.len()] };
                add(&mut curves, &rows, &candidate.columns, &drawn, 1.0);
                draws.push(curves);
            }
        }
        draws
    }

    /// Rows of the average and of the difference at each place.
    fn rows(&self, places: &[f64]) -> Vec<[Vec<f64>; 2]> {
        let columns = PLAIN + self.corners.len() + 2 * ROUGH;
        let mut up = vec![0.0; columns];
        let mut down = vec![0.0; columns];
        places
            .iter()
            .map(|at| {
                fill(&mut up, &self.basis, &self.corners, (*at, 0.0), -0.5, true);
                fill(&mut down, &self.basis, &self.corners, (*at, 0.0), 0.5, false);
                let average = up.iter().zip(&down).map(|(u, d)| 0.5 * (u + d)).collect();
                let difference = up.iter().zip(&down).map(|(u, d)| d - u).collect();
                [average, difference]
            })
            .collect()
    }
}

fn add(curves: &mut Curves, rows: &[[Vec<f64>; 2]], columns: &[usize], values: &DVector<f64>, weight: f64) {
    for (i, [average, difference]) in rows.iter().enumerate() {
        for (k, column) in columns.iter().enumerate() {
            curves.average[i] += weight * average[*column] * values[k];
            curves.difference[i] += weight * difference[*column] * values[k];
        }
    }
}

/// Mean of `(x - corner)`, where it is above zero, over an extent of x around its middle.
pub(super) fn beyond(corner: f64, (at, width): (f64, f64)) -> f64 {
    let (from, to) = (at - 0.5 * width - corner, at + 0.5 * width - corner);
    if from >= 0.0 || to <= 0.0 { (at - corner).max(0.0) } else { to * to / (2.0 * width) }
}

fn fill(row: &mut [f64], basis: &Basis, corners: &[Corner], extent: (f64, f64), side: f64, is_up: bool) {
    let at = extent.0;
    let rough = basis.rough_at(at);
    row[..PLAIN].copy_from_slice(&[1.0, at - 0.5, side, side * (at - 0.5)]);
    for (k, corner) in corners.iter().enumerate() {
        row[PLAIN + k] = match corner.on {
            On::Up if !is_up => 0.0,
            On::Down if is_up => 0.0,
            _ => beyond(corner.at, extent),
        };
    }
    let from = PLAIN + corners.len();
    for (j, value) in rough.iter().enumerate() {
        row[from + j] = *value;
        row[from + ROUGH + j] = side * value;
    }
}

struct Problem {
    normal: DMatrix<f64>,
    right: DVector<f64>,
    squares: f64,
    count: f64,
    mean_weight: f64,
    corners: usize,
    known: Known,
}

impl Problem {
    fn of(readings: &[Reading], corners: &[Corner], known: Known) -> (Basis, Problem) {
        let basis = Basis::new(known.duties);
        let columns = PLAIN + corners.len() + 2 * ROUGH;
        let mut normal = DMatrix::zeros(columns, columns);
        let mut right = DVector::zeros(columns);
        let mut squares = 0.0;
        let mut weights = 0.0;
        let mut row = vec![0.0; columns];
        for reading in readings {
            let side = if reading.is_up { -0.5 } else { 0.5 };
            fill(&mut row, &basis, corners, (reading.at, reading.width), side, reading.is_up);
            for j in 0..columns {
                let weighted = reading.weight * row[j];
                if weighted != 0.0 {
                    for k in 0..=j {
                        normal[(j, k)] += weighted * row[k];
                    }
                    right[j] += weighted * reading.output;
                }
            }
            squares += reading.weight * reading.output * reading.output;
            weights += reading.weight;
        }
        normal.fill_upper_triangle_with_lower_triangle();
        let problem = Problem {
            normal,
            right,
            squares,
            count: readings.len() as f64,
            mean_weight: weights / readings.len() as f64,
            corners: corners.len(),
            known,
        };
        (basis, problem)
    }

    fn weighed(&self) -> Option<Vec<(f64, Candidate)>> {
        let unit = self.mean_weight;
        let steps = |from: f64, step: f64, count: i32| {
            (0..count).map(move |n| unit * 10.0_f64.powf(from + step * f64::from(n)))
        };
        let plain = [Shape::Same, Shape::Straight];
        // First wide and coarse, then close around the best.
        let mut candidates = Vec::new();
        for average in [None].into_iter().chain(steps(-10.0, 2.0, 8).map(Some)) {
            for shape in plain.into_iter().chain(steps(-9.0, 2.0, 7).map(Shape::Curve)) {
                candidates.extend(self.candidate(average, shape).map(|c| (average, c)));
            }
        }
        let best = candidates.iter().min_by(|a, b| a.1.unlikelihood.total_cmp(&b.1.unlikelihood))?.0;
        let averages: Vec<Option<f64>> = match best {
            None => steps(2.0, 0.5, 7).map(Some).collect(),
            Some(best) => {
                [-1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5].map(|n| Some(best * 10.0_f64.powf(n))).into()
            }
        };
        let mut candidates: Vec<Candidate> = Vec::new();
        for average in averages {
            for shape in plain.into_iter().chain(steps(-9.0, 1.0, 13).map(Shape::Curve)) {
                candidates.extend(self.candidate(average, shape));
            }
        }
        let least = candidates.iter().map(|c| c.unlikelihood).reduce(f64::min)?;
        let weight = |c: &Candidate| (-0.5 * (c.unlikelihood - least)).exp();
        let whole: f64 = candidates.iter().map(weight).sum();
        Some(
            candidates
                .into_iter()
                .map(|c| (weight(&c) / whole, c))
                .filter(|(weight, _)| *weight > 1e-3)
                .collect(),
        )
    }

    fn candidate(&self, average_penalty: Option<f64>, shape: Shape) -> Option<Candidate> {
        let corners = PLAIN..PLAIN + self.corners;
        let average = corners.end..corners.end + ROUGH;
        let difference = average.end..average.end + ROUGH;
        let mut columns: Vec<usize> = (0..SLOPE_OF_DIFFERENCE).collect();
        if shape != Shape::Same {
            columns.push(SLOPE_OF_DIFFERENCE);
        }
        columns.extend(corners);
        let free = columns.len() as f64;
        if average_penalty.is_some() {
            columns.extend(average.clone());
        }
        if matches!(shape, Shape::Curve(_)) {
            columns.extend(difference.clone());
        }
        let mut matrix =
            DMatrix::from_fn(columns.len(), columns.len(), |j, k| self.normal[(columns[j], columns[k])]);
        let mut penalties = 0.0;
        for (j, column) in columns.iter().enumerate() {
            let penalty = match (average_penalty, shape) {
                (Some(penalty), _) if average.contains(column) => penalty,
                (_, Shape::Curve(penalty)) if difference.contains(column) => penalty,
                _ => continue,
            };
            matrix[(j, j)] += penalty;
            penalties += penalty.ln();
        }
        let right = DVector::from_fn(columns.len(), |j, _| self.right[columns[j]]);
        let factor = matrix.cholesky()?;
        let best = factor.solve(&right);
        let (known_variance, known_degrees) = self.known.variance;
        let degrees_of_freedom = self.count - free + known_degrees;
        if self.count - free < 1.0 {
            return None;
        }
        let left =
            (self.squares - best.dot(&right)).max(1e-13 * self.squares) + known_degrees * known_variance;
        let logarithm: f64 = factor.l_dirty().diagonal().iter().map(|d| d.ln()).sum::<f64>() * 2.0;
        // Likelihood with level, slopes and size of the noise integrated out. Beforehand the slope of a
        // difference may be anything up to a share of the span: without a bound, no recording could
        // ever prefer a difference that is the same everywhere.
        let slope = if shape == Shape::Same { 0.0 } else { 2.0 * SLOPE_RANGE.ln() };
        let unlikelihood = degrees_of_freedom * (PI * left).ln() - 2.0 * ln_gamma(0.5 * degrees_of_freedom)
            + logarithm
            - penalties
            + slope;
        Some(Candidate {
            average: average_penalty,
            shape,
            columns,
            best,
            factor,
            variance: left / degrees_of_freedom,
            degrees_of_freedom,
            unlikelihood,
        })
    }
}
