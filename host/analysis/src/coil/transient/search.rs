//! The parameters with which the current of the model comes closest to the recorded one.

use super::model::{Drive, EDGE, G, HEAT, P, Parameters, SHARE, START, TAU, ZERO};
use crate::reason::Unmeasured;
use nalgebra::{SMatrix, SVector};

/// Which parameters are free.
pub(super) type Free = [bool; P];

/// Normal equations of all parameters.
pub(super) type Square = SMatrix<f64, P, P>;

/// The parameters before [`START`], which most recordings need no more than.
const COMMON: usize = START;

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

/// A recording with what is known beforehand.
#[derive(Debug)]
pub(super) struct Problem<'a> {
    pub(super) drive: &'a Drive,
    pub(super) current_a: &'a [f64],
    /// Standard deviation of its noise that the weight below goes by, A.
    pub(super) noise_a: f64,
    /// How far the one jump may be from the middle of its interval, s.
    pub(super) edge_reach_s: f64,
    /// Weight of the one jump's instant lying in the middle of its interval, A²/s².
    pub(super) edge_weight: f64,
}

/// The closest curve.
#[derive(Clone, Debug)]
pub(super) struct Closest {
    pub(super) parameters: Parameters,
    pub(super) free: Free,
    /// Inverse of the normal equations; rows of parameters that are not free are zero.
    pub(super) inverse: Square,
    /// Sum of squares of the residuals alone, A².
    pub(super) squares: f64,
    pub(super) degrees_of_freedom: f64,
    /// Normal equations and gradient there, with the weight of the edge.
    pub(super) normal: Square,
    pub(super) gradient: SVector<f64, P>,
}

impl Closest {
    /// Standard deviation of the residuals, A.
    pub(super) fn residual_sd(&self) -> f64 {
        (self.squares / self.degrees_of_freedom).sqrt()
    }

    /// The same point with the normal equations of all parameters, for [`Closest::pull`].
    pub(super) fn with_all(mut self, problem: &Problem<'_>) -> Closest {
        let point = problem.at(&self.parameters, [true; P]);
        let edge = if self.free[EDGE] { 0.0 } else { problem.edge_weight };
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

impl Problem<'_> {
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
        // Columns of parameters that are seldom free cost as much as others: they are summed when asked for.
        let (squares, mut normal, mut gradient) =
            if free[START] || free[HEAT] { self.sums::<P>(p) } else { self.sums::<COMMON>(p) };
        let mut total = squares;
        if free[EDGE] {
            normal[(EDGE, EDGE)] += self.edge_weight;
            gradient[EDGE] -= self.edge_weight * p[EDGE];
            total += self.edge_weight * p[EDGE].powi(2);
        }
        Point { squares, total, normal, gradient }
    }

    /// Sum of squares, normal equations and gradient for the first `N` parameters.
    fn sums<const N: usize>(&self, p: &Parameters) -> (f64, Square, SVector<f64, P>) {
        let mut sums = [[0.0; N]; N];
        let mut gradient = [0.0; N];
        let mut squares = 0.0;
        self.drive.each(p, |k, value, slopes| {
            let residual = self.current_a[k] - value;
            squares += residual * residual;
            for q in 0..N {
                gradient[q] += slopes[q] * residual;
                for r in 0..=q {
                    sums[q][r] += slopes[q] * slopes[r];
                }
            }
        });
        let at = |q: usize, r: usize| sums.get(q.max(r)).and_then(|row| row.get(q.min(r))).copied();
        let normal = Square::from_fn(|q, r| at(q, r).unwrap_or(0.0));
        let gradient = SVector::from_fn(|q, _| gradient.get(q).copied().unwrap_or(0.0));
        (squares, normal, gradient)
    }

    /// A first guess: the circuit's equation integrated once, `i = i0 + (G int v - int i)/tau + G s (v - v0)`,
    /// is linear in what it holds (equation-error method).
    pub(super) fn guess(&self, zero_a: f64, has_edge: bool) -> Parameters {
        let drive = self.drive;
        let v0 = drive.voltage_v[0];
        let mut normal = SMatrix::<f64, 4, 4>::zeros();
        let mut right = SVector::<f64, 4>::zeros();
        let (mut charge, mut flux) = (0.0, 0.0);
        let mut jumps = drive.jumps.iter().peekable();
        for k in 0..drive.len() {
            let (v, i) = (drive.voltage_v[k], self.current_a[k] - zero_a);
            if k > 0 {
                let h = drive.time_s[k] - drive.time_s[k - 1];
                let before = drive.voltage_v[k - 1];
                charge += 0.5 * h * (i + self.current_a[k - 1] - zero_a);
                flux += match jumps.next_if(|jump| jump.at == k) {
                    Some(jump) => before * (h - jump.before_s) + v * jump.before_s,
                    None => 0.5 * h * (v + before),
                };
            }
            let row = SVector::from([1.0, charge, flux, if has_edge { v - v0 } else { 0.0 }]);
            normal += row * row.transpose();
            right += row * i;
        }
        if !has_edge {
            normal[(3, 3)] = 1.0;
        }
        let length_s = drive.time_s[drive.len() - 1] - drive.time_s[0];
        let mut p = [0.0; P];
        p[ZERO] = zero_a;
        let solved = normal.lu().solve(&right).unwrap_or_else(SVector::zeros);
        let (rate, by_flux) = (-solved[1], solved[2]);
        if rate * length_s > 0.02 && by_flux > 0.0 {
            p[TAU] = 1.0 / rate;
            p[G] = by_flux / rate;
            p[SHARE] = (solved[3] / p[G]).clamp(0.0, 0.3);
        } else {
            let most = |values: &mut dyn Iterator<Item = f64>| values.fold(0.0_f64, |m, x| m.max(x.abs()));
            p[TAU] = 0.3 * length_s;
            p[G] = most(&mut self.current_a.iter().map(|i| i - zero_a))
                / most(&mut drive.voltage_v.iter().copied()).max(f64::MIN_POSITIVE);
        }
        if !has_edge {
            p[START] = (self.current_a[0] - zero_a) / p[G] - v0;
        }
        p[HEAT] = 0.0;
        p
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
