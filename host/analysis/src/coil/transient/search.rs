//! The parameters with which the current of the model comes closest to the recorded one.

use super::guess::guess;
use super::model::{Drive, EDGE, P, Parameters, SHARE, TAU};
use super::sums::{Sums, sums};
use crate::reason::Unmeasured;
use nalgebra::{SMatrix, SVector};

/// Which parameters are free.
pub type Free = [bool; P];

/// Normal equations of all parameters.
pub(super) type Square = SMatrix<f64, P, P>;

/// More steps than a sound recording takes; most take five.
const STEPS_MAX: usize = 60;
const DAMPING_START: f64 = 1.0e-4;
const DAMPING_MAX: f64 = 1.0e10;
/// A step that is predicted to lower the sum of squares by less than this share of it ends the search: the
/// next one would be a hundredth of it or less, and is below 1e-6 of the parameters' own uncertainty.
const GAIN_RELATIVE: f64 = 1.0e-8;
/// Rounding of a sum of squares, as a share of that of the data.
const ROUNDING: f64 = 1.0e-26;
/// Smallest share of a parameter's slopes that the others may leave unexplained.
const INDEPENDENT_SHARE_MIN: f64 = 1.0e-13;

/// A current and the voltage that drives it, with what is known beforehand.
#[derive(Debug)]
pub struct Driven<'a> {
    /// The voltage.
    pub drive: &'a Drive,
    /// The current at the same samples, A.
    pub current_a: &'a [f64],
    /// Standard deviation of its noise that the weight below goes by, A.
    pub noise_a: f64,
    /// How far the one jump may be from the middle of its interval, s; 0 where instants are known.
    pub edge_reach_s: f64,
    /// Weight of the one jump's instant lying in the middle of its interval, A²/s²; 0 where instants are known.
    pub edge_weight: f64,
}

/// The closest curve.
#[derive(Clone, Debug)]
pub struct Closest {
    /// Its parameters.
    pub parameters: Parameters,
    /// Which of them were free.
    pub free: Free,
    /// Inverse of the normal equations; rows of parameters that are not free are zero.
    pub(super) inverse: Square,
    /// Sum of squares of the residuals alone, A².
    pub(super) squares: f64,
    /// Samples less free parameters, 1 at least.
    pub degrees_of_freedom: f64,
    /// Normal equations and gradient there, with the weight of the edge.
    pub(super) normal: Square,
    pub(super) gradient: SVector<f64, P>,
}

impl Closest {
    /// Standard deviation of the residuals, A.
    #[must_use]
    pub fn residual_sd(&self) -> f64 {
        (self.squares / self.degrees_of_freedom).sqrt()
    }

    /// Covariance of two parameters for white noise of [`Closest::residual_sd`], in the product of their units.
    #[must_use]
    pub fn covariance(&self, q: usize, r: usize) -> f64 {
        self.squares / self.degrees_of_freedom * self.inverse[(q, r)]
    }

    /// The same point with the normal equations of all parameters, for [`Closest::pull`].
    pub(super) fn with_all(mut self, driven: &Driven<'_>) -> Closest {
        let point = driven.at(&self.parameters, [true; P]);
        let edge = if self.free[EDGE] { 0.0 } else { driven.edge_weight };
        self.normal = point.normal;
        self.normal[(EDGE, EDGE)] -= edge;
        self.gradient = point.gradient;
        self
    }

    /// What one unit more of a parameter that was held does to all parameters.
    pub(super) fn moved_by(&self, held: usize) -> Parameters {
        let mut moved: Parameters = (-(self.inverse * self.normal.column(held))).into();
        moved[held] = 1.0;
        moved
    }

    /// How many of its standard uncertainties a parameter that was held would move if it were free, and
    /// that movement. Exact for a linear parameter.
    pub(super) fn pull(&self, held: usize) -> Option<(f64, f64)> {
        let mut free = self.free;
        free[held] = true;
        let inverse = inverse(&self.normal, free)?;
        let moved = (inverse * self.gradient)[held];
        Some((moved / (self.residual_sd() * inverse[(held, held)].sqrt()), moved))
    }
}

struct Point {
    squares: f64,
    total: f64,
    normal: Square,
    gradient: SVector<f64, P>,
}

impl Driven<'_> {
    /// The curve that comes closest to the current in the sum of squares (output-error method), its beginning
    /// found from the data. Parameters that are not `free` stay at 0, [`ZERO`](super::model::ZERO) at `zero_a`,
    /// the reading at no current, A.
    ///
    /// # Errors
    /// [`Unmeasured::NoFit`] when the recording does not tell the free parameters apart or has no minimum.
    pub fn closest(&self, zero_a: f64, free: Free) -> Result<Closest, Unmeasured> {
        self.search(guess(self, zero_a, !self.drive.jumps.is_empty()), free)
    }

    /// Searches from `start`; parameters that are not `free` stay there.
    pub(super) fn search(&self, start: Parameters, free: Free) -> Result<Closest, Unmeasured> {
        let no_fit = |why| Unmeasured::NoFit { curve: "current of a coil", why };
        let data: f64 = self.current_a.iter().map(|i| i * i).sum();
        let length_s = self.drive.time_s[self.drive.len() - 1] - self.drive.time_s[0];
        let mut here = start;
        let mut point = self.at(&here, free);
        let mut damping = DAMPING_START;
        for _ in 0..STEPS_MAX {
            let Some(step) = self.step(&point, damping, &here, free) else {
                return Err(no_fit("the recording does not tell its quantities apart"));
            };
            let mut there = here;
            for q in (0..P).filter(|q| free[*q]) {
                there[q] += step[q];
            }
            // A time constant never shrinks or grows more than fourfold at once, nor leaves reason.
            there[TAU] = there[TAU].clamp(0.25 * here[TAU], 4.0 * here[TAU]).min(1.0e3 * length_s);
            there[SHARE] = there[SHARE].clamp(-0.5, 0.9);
            there[EDGE] = there[EDGE].clamp(-self.edge_reach_s, self.edge_reach_s);
            let moved = SVector::<f64, P>::from_fn(|q, _| there[q] - here[q]);
            let gain = (moved.transpose() * point.normal * moved)[0];
            let next = self.at(&there, free);
            let settled = damping <= DAMPING_START && gain <= GAIN_RELATIVE * point.total + ROUNDING * data;
            if next.total <= point.total {
                here = there;
                point = next;
                damping *= 0.1;
            } else if !settled {
                damping = (damping * 10.0).max(DAMPING_START);
            }
            if settled || damping > DAMPING_MAX {
                let inverse = inverse(&point.normal, free)
                    .ok_or(no_fit("the recording does not tell its quantities apart"))?;
                let count = free.iter().filter(|free| **free).count();
                return Ok(Closest {
                    parameters: here,
                    free,
                    inverse,
                    squares: point.squares,
                    degrees_of_freedom: (self.current_a.len() as f64 - count as f64).max(1.0),
                    normal: point.normal,
                    gradient: point.gradient,
                });
            }
        }
        Err(no_fit("no minimum was found"))
    }

    /// The next step. An edge that sits at an end of its interval and would leave it is held there, and the
    /// others are solved for without it: cutting its step off afterwards would leave theirs pointing uphill.
    fn step(&self, point: &Point, damping: f64, here: &Parameters, free: Free) -> Option<SVector<f64, P>> {
        let step = solve(point, damping, free)?;
        let leaves = free[EDGE]
            && here[EDGE].abs() >= self.edge_reach_s
            && (here[EDGE] + step[EDGE]).abs() > self.edge_reach_s;
        if !leaves {
            return Some(step);
        }
        let mut without = free;
        without[EDGE] = false;
        solve(point, damping, without)
    }

    fn at(&self, p: &Parameters, free: Free) -> Point {
        let Sums { squares, mut normal, mut gradient } = sums(self.drive, self.current_a, p, free);
        let mut total = squares;
        if free[EDGE] {
            normal[(EDGE, EDGE)] += self.edge_weight;
            gradient[EDGE] -= self.edge_weight * p[EDGE];
            total += self.edge_weight * p[EDGE].powi(2);
        }
        Point { squares, total, normal, gradient }
    }
}

/// Solves (N + damping diag N) step = gradient for the free parameters; the others get no step.
fn solve(point: &Point, damping: f64, free: Free) -> Option<SVector<f64, P>> {
    let (scale, mut scaled) = scaled(&point.normal, free)?;
    for q in 0..P {
        scaled[(q, q)] += damping;
    }
    let gradient =
        SVector::<f64, P>::from_fn(|q, _| if free[q] { point.gradient[q] / scale[q] } else { 0.0 });
    Some(scaled.cholesky()?.solve(&gradient).component_div(&scale))
}

/// Inverse of the normal equations of the free parameters, when the data tell them apart.
pub(super) fn inverse(normal: &Square, free: Free) -> Option<Square> {
    let (scale, scaled) = scaled(normal, free)?;
    let inverse = scaled.cholesky()?.inverse();
    let told_apart = (0..P).all(|q| inverse[(q, q)] * INDEPENDENT_SHARE_MIN < 1.0);
    told_apart.then(|| {
        Square::from_fn(|q, r| if free[q] && free[r] { inverse[(q, r)] / (scale[q] * scale[r]) } else { 0.0 })
    })
}

/// The normal equations with ones on the diagonal, and the scale that makes them so.
fn scaled(normal: &Square, free: Free) -> Option<(SVector<f64, P>, Square)> {
    let scale = SVector::<f64, P>::from_fn(|q, _| if free[q] { normal[(q, q)].sqrt() } else { 1.0 });
    if !scale.iter().all(|s| *s > 0.0 && s.is_finite()) {
        return None;
    }
    let scaled = Square::from_fn(|q, r| {
        if free[q] && free[r] { normal[(q, r)] / (scale[q] * scale[r]) } else { f64::from(u8::from(q == r)) }
    });
    Some((scale, scaled))
}
