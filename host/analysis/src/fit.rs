//! Nonlinear least squares for a handful of parameters: Levenberg-Marquardt with bounds.
//!
//! Damping follows Marquardt (J. SIAM 11, 1963): the normal equations are scaled by their own
//! diagonal, so parameters may differ by many orders of magnitude. A parameter the data cannot
//! tell from the others ends the fit with a reason instead of a wild number.

use crate::reason::Unmeasured;
use crate::stats::variance_inflation;
use crate::uncertainty::Joint;
use nalgebra::{Const, SMatrix, SVector};

/// More steps than any sound problem here needs; the certified NIST problems take under 50.
const STEPS_MAX: usize = 200;
/// Damping at the start, and its limits. Above the upper one not even a crawl downhill helps.
const DAMPING_START: f64 = 1.0e-3;
const DAMPING_MIN: f64 = 1.0e-12;
const DAMPING_MAX: f64 = 1.0e12;
/// A step that moves the curve by less than this of the data ends the fit; rounding is at 2e-16.
const STEP_OF_DATA: f64 = 1.0e-13;
/// A step that moves the curve by less than this of the residuals ends the fit too: parameters are
/// then within this share of their own uncertainty. The sum of squares changes by its square, 1e-14,
/// which is still above its rounding.
const STEP_OF_RESIDUALS: f64 = 1.0e-7;
/// Several successful steps in a row that each lower the sum of squares by less than this share end
/// the fit as well: a curve with a kink (a start instant between two samples) is not smooth enough
/// for the rules above, but n points times this share is far below one degree of freedom.
const GAIN_RELATIVE: f64 = 1.0e-9;
const GAINS_SMALL_MAX: usize = 5;
/// Only steps damped less than this are judged by their size; a heavily damped one is short anyway.
const DAMPING_JUDGED_MAX: f64 = 0.1;
/// Smallest share of a parameter's column that the other columns may leave unexplained: below it
/// (a variance inflation of 1e12) the normal equations hold no digit of the answer.
const INDEPENDENT_SHARE_MIN: f64 = 1.0e-12;

/// Result of a fit of `P` parameters.
#[derive(Clone, Debug)]
pub struct Fit<const P: usize> {
    /// Best parameters.
    pub parameters: [f64; P],
    /// Data minus curve, in the order of the data.
    pub residuals: Vec<f64>,
    /// Standard deviation of the residuals with n - P.
    pub residual_sd: f64,
    /// n - P.
    pub degrees_of_freedom: f64,
    inverse: SMatrix<f64, P, P>,
}

impl<const P: usize> Fit<P> {
    /// Standard uncertainty of parameter `k` when residuals are independent: s sqrt((J'J)^-1).
    #[must_use]
    pub fn uncertainty(&self, k: usize) -> f64 {
        self.residual_sd * self.inverse[(k, k)].sqrt()
    }

    /// Covariance of parameters `j` and `k` when residuals are independent.
    #[must_use]
    pub fn covariance(&self, j: usize, k: usize) -> f64 {
        self.residual_sd.powi(2) * self.inverse[(j, k)]
    }

    /// The parameters with their covariances when residuals are independent.
    #[must_use]
    pub fn joint(&self) -> Joint<P> {
        let mut covariance = [[0.0; P]; P];
        for (j, row) in covariance.iter_mut().enumerate() {
            for (k, cell) in row.iter_mut().enumerate() {
                *cell = self.covariance(j, k);
            }
        }
        Joint { values: self.parameters, covariance, degrees_of_freedom: self.degrees_of_freedom }
    }

    /// Covariance of parameters `j` and `k` for independent data of standard deviation 1: (J'J)^-1.
    #[must_use]
    pub fn unit_covariance(&self, j: usize, k: usize) -> f64 {
        self.inverse[(j, k)]
    }

    /// How many times neighbouring residuals, being alike, inflate every variance of the fit.
    #[must_use]
    pub fn inflation(&self) -> f64 {
        variance_inflation(&self.residuals)
    }
}

/// One evaluation of the curve at all points.
pub(crate) struct Point<const P: usize> {
    /// Data minus curve; may be left empty where sums are all that is wanted.
    pub(crate) residuals: Vec<f64>,
    /// Sum of their squares.
    pub(crate) squares: f64,
    /// J'J of the derivatives.
    pub(crate) normal: SMatrix<f64, P, P>,
    /// J'r.
    pub(crate) gradient: SVector<f64, P>,
}

/// Finds the parameters for which `curve(i, parameters)` comes closest to `data[i]` in the sum of
/// squares. `curve` returns the value and its derivatives with respect to each parameter.
/// Parameters stay inside `bounds`; `name` says in messages what was fitted.
///
/// # Errors
/// [`Unmeasured::TooFewSamples`] unless there are more points than parameters;
/// [`Unmeasured::NoFit`] when the curve is not finite, parameters cannot be told apart, or no
/// minimum is found.
pub fn least_squares<const P: usize>(
    name: &'static str,
    data: &[f64],
    start: [f64; P],
    bounds: [(f64, f64); P],
    curve: impl Fn(usize, &[f64; P]) -> (f64, [f64; P]),
) -> Result<Fit<P>, Unmeasured> {
    crate::series::check_count(data.len(), P + 1)?;
    let data_squares: f64 = data.iter().map(|d| d * d).sum();
    let (parameters, point) =
        search(name, data_squares, STEP_OF_RESIDUALS, start, bounds, |p| evaluate(data, p, &curve))?;
    let no_fit = |why| Unmeasured::NoFit { curve: name, why };
    let inverse =
        inverse_of(&point.normal).ok_or(no_fit("the recording does not tell its quantities apart"))?;
    let degrees_of_freedom = (data.len() - P) as f64;
    Ok(Fit {
        parameters,
        residual_sd: (point.squares / degrees_of_freedom).sqrt(),
        residuals: point.residuals,
        degrees_of_freedom,
        inverse,
    })
}

/// The search itself, for a curve that is evaluated at all points at once: the parameters of the minimum and
/// the evaluation there. `data_squares` is the sum of squares of the data; a step ends it that moves the curve by
/// less than `step_of_residuals` of what it leaves.
///
/// # Errors
/// [`Unmeasured::NoFit`] as [`least_squares`].
pub(crate) fn search<const P: usize>(
    name: &'static str,
    data_squares: f64,
    step_of_residuals: f64,
    start: [f64; P],
    bounds: [(f64, f64); P],
    evaluate: impl Fn(&[f64; P]) -> Option<Point<P>>,
) -> Result<([f64; P], Point<P>), Unmeasured> {
    let no_fit = |why| Unmeasured::NoFit { curve: name, why };
    let mut here = start;
    let mut point = evaluate(&here).ok_or(no_fit("the curve has no value at the first guess"))?;
    let negligible = |point: &Point<P>| {
        (step_of_residuals.powi(2) * point.squares).max(STEP_OF_DATA.powi(2) * data_squares)
    };
    let mut damping = DAMPING_START;
    let mut settled = false;
    let mut small_gains = 0;
    for _ in 0..STEPS_MAX {
        let Some(step) = damped_step(&point, damping, &here, &bounds) else {
            return Err(no_fit("the recording does not tell its quantities apart"));
        };
        let mut there = here;
        for k in 0..P {
            there[k] = (here[k] + step[k]).clamp(bounds[k].0, bounds[k].1);
        }
        settled = damping < DAMPING_JUDGED_MAX && moves_by(&point, &here, &there) <= negligible(&point);
        match evaluate(&there) {
            Some(next) if next.squares <= point.squares => {
                let is_small = point.squares - next.squares <= GAIN_RELATIVE * point.squares;
                small_gains = if is_small { small_gains + 1 } else { 0 };
                settled |= small_gains >= GAINS_SMALL_MAX;
                here = there;
                point = next;
                damping = (damping * 0.1).max(DAMPING_MIN);
            }
            // Uphill by rounding only: this is the minimum.
            _ if settled => {}
            _ => damping *= 10.0,
        }
        if settled {
            break;
        }
        if damping > DAMPING_MAX {
            // Nothing along the gradient improves the sum by more than its own rounding.
            settled = true;
            break;
        }
    }
    if settled { Ok((here, point)) } else { Err(no_fit("no minimum was found")) }
}

fn evaluate<const P: usize>(
    data: &[f64],
    parameters: &[f64; P],
    curve: &impl Fn(usize, &[f64; P]) -> (f64, [f64; P]),
) -> Option<Point<P>> {
    let mut point = Point {
        residuals: Vec::with_capacity(data.len()),
        squares: 0.0,
        normal: SMatrix::zeros(),
        gradient: SVector::zeros(),
    };
    for (i, measured) in data.iter().enumerate() {
        let (value, slopes) = curve(i, parameters);
        let residual = measured - value;
        point.squares += residual * residual;
        // One triangle: the normal equations are most of the work.
        for k in 0..P {
            for j in k..P {
                point.normal[(j, k)] += slopes[j] * slopes[k];
            }
        }
        point.gradient += SVector::<f64, P>::from(slopes) * residual;
        point.residuals.push(residual);
    }
    point.normal.fill_upper_triangle_with_lower_triangle();
    let finite = point.squares.is_finite() && point.normal.iter().all(|v| v.is_finite());
    finite.then_some(point)
}

/// Sum of squares of what a step does to the curve, to first order.
fn moves_by<const P: usize>(point: &Point<P>, here: &[f64; P], there: &[f64; P]) -> f64 {
    let step = SVector::<f64, P>::from_fn(|k, _| there[k] - here[k]);
    (step.transpose() * point.normal * step)[0]
}

/// Solves (J'J + damping diag) step = J'r. A parameter that sits on a bound and would step outward
/// is held there and the others are solved for again; cutting its step off afterwards would leave
/// theirs pointing uphill. `None` when a free parameter has no effect on the curve.
fn damped_step<const P: usize>(
    point: &Point<P>,
    damping: f64,
    here: &[f64; P],
    bounds: &[(f64, f64); P],
) -> Option<SVector<f64, P>> {
    let mut normal = point.normal;
    let mut gradient = point.gradient;
    loop {
        let scale = scale_of(&normal)?;
        let mut scaled = scaled_by(&normal, &scale);
        for k in 0..P {
            scaled[(k, k)] += damping;
        }
        let step = scaled.cholesky()?.solve(&gradient.component_div(&scale)).component_div(&scale);
        let outward = (0..P).find(|k| {
            (here[*k] <= bounds[*k].0 && step[*k] < 0.0) || (here[*k] >= bounds[*k].1 && step[*k] > 0.0)
        });
        let Some(k) = outward else {
            return Some(step);
        };
        normal.row_mut(k).fill(0.0);
        normal.column_mut(k).fill(0.0);
        normal[(k, k)] = 1.0;
        gradient[k] = 0.0;
    }
}

/// Inverse of J'J, or `None` when a column is explained by the others to within rounding.
fn inverse_of<const P: usize>(normal: &SMatrix<f64, P, P>) -> Option<SMatrix<f64, P, P>> {
    let scale = scale_of(normal)?;
    let inverse = scaled_by(normal, &scale).cholesky()?.inverse();
    // The diagonal of the inverse of a correlation matrix is 1/(1 - R^2) of each column.
    let told_apart = (0..P).all(|k| inverse[(k, k)] * INDEPENDENT_SHARE_MIN < 1.0);
    told_apart.then(|| scaled_by(&inverse, &scale))
}

fn scale_of<const P: usize>(normal: &SMatrix<f64, P, P>) -> Option<SVector<f64, P>> {
    let scale = normal.diagonal().map(f64::sqrt);
    scale.iter().all(|s| *s > 0.0).then_some(scale)
}

fn scaled_by<const P: usize>(matrix: &SMatrix<f64, P, P>, scale: &SVector<f64, P>) -> SMatrix<f64, P, P> {
    SMatrix::from_fn_generic(Const::<P>, Const::<P>, |j, k| matrix[(j, k)] / (scale[j] * scale[k]))
}
