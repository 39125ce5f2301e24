//! First order with dead time, by maximum likelihood in white noise: the least squares fit of
//! `b + A (1 - exp(-(t - onset)/tau))` from the onset on, `b` before it.
//!
//! The curve has a kink at the onset, and the sum of squares one wherever the onset passes a sample:
//! rules that follow a gradient stop at the nearest of many shallow minima. For a given tau, though,
//! the best onset can be had exactly. Between two samples the curve is `b + A - C e^(-t/tau)` with
//! `C = A e^(onset/tau)`, and the part of the squares that it explains is a square over a quadratic of
//! `c = C/A`, with one stationary point in closed form. Sums over the samples after the onset grow by
//! one term from interval to interval, so that all intervals cost little more than one. What is left
//! is a search for tau alone, along the derivative of what is explained (variable projection, Golub and
//! Pereyra, SIAM J. Numer. Anal. 10, 1973).

use super::shape::Rough;
use super::under::Curve;
use crate::uncertainty::Joint;
use nalgebra::{SMatrix, SVector};

/// Steps of the search for tau; a sound recording takes five.
const STEPS_MAX: usize = 40;
/// The search ends when tau moves by less than this share; the polish at the end takes the rest.
const STEP_RELATIVE: f64 = 1.0e-6;
/// Samples side by side in a sum, so that one need not wait for the other.
const LANES: usize = 8;
/// After so many time constants an exponential is below the rounding of the data.
const NOTHING_LEFT: f64 = 40.0;
/// Largest step of ln tau.
const STEP_MAX: f64 = 0.7;

/// A first-order response with dead time, over the time and in the unit of the data it was fitted to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FirstOrder {
    /// Level before the onset, in the unit of the data.
    pub before: f64,
    /// Level that is approached less level before, in the unit of the data.
    pub change: f64,
    /// When the rise begins, s.
    pub onset_s: f64,
    /// Time constant, s.
    pub tau_s: f64,
}

impl FirstOrder {
    /// Value of the curve at a time.
    #[must_use]
    pub fn at(&self, t_s: f64) -> f64 {
        let run = (t_s - self.onset_s) / self.tau_s;
        if run <= 0.0 { self.before } else { self.before - self.change * (-run).exp_m1() }
    }

    /// Derivatives with respect to level before, change, onset and ln tau.
    pub(super) fn slopes(&self, t_s: f64) -> [f64; 4] {
        let run = (t_s - self.onset_s) / self.tau_s;
        if run <= 0.0 {
            return [1.0, 0.0, 0.0, 0.0];
        }
        let rest = (-run).exp();
        let by_run = self.change * rest;
        [1.0, 1.0 - rest, -by_run / self.tau_s, -by_run * run]
    }
}

/// A fit of a first-order response with dead time, and how well it is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FirstOrderFit {
    /// The curve.
    pub curve: FirstOrder,
    /// Level before and change (in the unit of the data), onset and time constant (s), in this order, with
    /// their covariances in independent noise, s^2 (J'J)^-1.
    pub numbers: Joint<4>,
    /// Standard deviation of the residuals, in the unit of the data, with n - 4 degrees of freedom.
    pub residual_sd: f64,
}

impl FirstOrderFit {
    /// Of data that were scaled: `unit` is what 1 is, `zero` what 0 is. `None` when the numbers cannot be told
    /// apart.
    pub(super) fn scaled_back(found: &Found, samples: usize, zero: f64, unit: f64) -> Option<FirstOrderFit> {
        let FirstOrder { before, change, onset_s, tau_s } = found.curve;
        let curve = FirstOrder { before: zero + unit * before, change: unit * change, onset_s, tau_s };
        let degrees_of_freedom = samples as f64 - 4.0;
        let variance = found.squares / degrees_of_freedom;
        let inverse = found.normal.cholesky()?.inverse();
        let by = [unit, unit, 1.0, tau_s];
        let covariance =
            core::array::from_fn(|j| core::array::from_fn(|k| variance * inverse[(j, k)] * by[j] * by[k]));
        let values = [curve.before, curve.change, onset_s, tau_s];
        let numbers = Joint { values, covariance, degrees_of_freedom };
        Some(FirstOrderFit { curve, numbers, residual_sd: variance.sqrt() * unit.abs() })
    }
}

/// What the search finds: the curve, J'J with respect to level, change, onset and ln tau, and the residuals'
/// sum of squares.
pub(super) struct Found {
    pub(super) curve: FirstOrder,
    normal: SMatrix<f64, 4, 4>,
    squares: f64,
}

impl Curve for FirstOrder {
    const NUMBERS: usize = 4;

    fn value(&self, t_s: f64) -> f64 {
        self.at(t_s)
    }

    fn fill_slopes(&self, t_s: f64, row: &mut [f64]) {
        row.copy_from_slice(&self.slopes(t_s));
    }
}

/// Sums over the samples from some place to the end; `e` is exp(-u/tau), `u` the time from `from_s`.
#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    n: f64,
    y: f64,
    e: f64,
    ee: f64,
    ye: f64,
    ue: f64,
    uee: f64,
    uye: f64,
}

impl Sums {
    fn add(&mut self, u: f64, y: f64, e: f64) {
        self.n += 1.0;
        self.y += y;
        let (ee, ye) = (e * e, y * e);
        self.e += e;
        self.ee += ee;
        self.ye += ye;
        self.ue += u * e;
        self.uee += u * ee;
        self.uye += u * ye;
    }
}

/// Sums of q^k and of k q^k over k from 0 to `count` - 1, for q = exp(-x).
fn geometric(x: f64, count: f64) -> (f64, f64) {
    let left = -(-x).exp_m1();
    let sum = -(-x * count).exp_m1() / left;
    (sum, ((-x).exp() * sum - count * (-x * count).exp()) / left)
}

/// What is best for one tau.
#[derive(Clone, Copy, Debug)]
struct Best {
    /// Part of the squares that is explained, and its derivative with respect to ln tau.
    explained: f64,
    by_ln_tau: f64,
    curve: FirstOrder,
    /// First sample after the onset.
    first: usize,
}

struct Profile<'a> {
    time_s: &'a [f64],
    y: &'a [f64],
    /// Spacing, when it is the same everywhere.
    spacing_s: Option<f64>,
    sum: f64,
}

/// The fit; `None` where the data do not hold one. `y` should be of the order of 1.
pub(super) fn fit(time_s: &[f64], y: &[f64], spacing_s: Option<f64>, rough: &Rough) -> Option<Found> {
    let profile = Profile { time_s, y, spacing_s, sum: y.iter().sum() };
    let mut here_x = rough.tau_s.ln();
    let mut here = profile.best_anywhere(rough)?;
    let mut best = here;
    let mut step = if here.by_ln_tau >= 0.0 { 0.05 } else { -0.05 };
    for _ in 0..STEPS_MAX {
        let x = here_x + step;
        let there = profile.best(x.exp(), profile.around(here.first, rough))?;
        if there.explained > best.explained {
            best = there;
        }
        let bend = (there.by_ln_tau - here.by_ln_tau) / step;
        (here_x, here) = (x, there);
        // Newton's step along the secant; uphill where the curve is not yet bent down.
        step = if bend < 0.0 { -there.by_ln_tau / bend } else { STEP_MAX.copysign(there.by_ln_tau) };
        step = step.clamp(-STEP_MAX, STEP_MAX);
        if step.abs() < STEP_RELATIVE || there.by_ln_tau == 0.0 {
            break;
        }
    }
    let found = profile.polished(best);
    let curve = found.curve;
    let finite = [curve.before, curve.change, curve.onset_s, curve.tau_s].iter().all(|v| v.is_finite());
    (finite && curve.tau_s > 0.0 && curve.change != 0.0).then_some(found)
}

impl Profile<'_> {
    /// The best onset for the rough time constant: near where that has it, half of the rise to either side, or
    /// of all up to the middle of the rise when it lies at the edge of those.
    fn best_anywhere(&self, rough: &Rough) -> Option<Best> {
        let all = (rough.lowest, rough.middle.max(2));
        let likely_s = rough.middle_s - core::f64::consts::LN_2 * rough.tau_s;
        let likely = self.time_s.partition_point(|t| *t < likely_s);
        let half = (rough.middle.saturating_sub(likely) / 2).max(4);
        let near = (likely.saturating_sub(half).max(all.0), (likely + half).min(all.1));
        match self.best(rough.tau_s, near) {
            Some(best) if best.first > near.0 && best.first < near.1 => Some(best),
            _ => self.best(rough.tau_s, all),
        }
    }

    /// Where the onset is looked for once it is roughly known: a fifth of the rise to either side.
    fn around(&self, first: usize, rough: &Rough) -> (usize, usize) {
        let width = (rough.middle.saturating_sub(first) / 4).max(4);
        (first.saturating_sub(width).max(1), (first + width).min(self.y.len() - 3))
    }

    /// The best onset for `tau_s` among those that make one of the samples `range` the first after it.
    fn best(&self, tau_s: f64, range: (usize, usize)) -> Option<Best> {
        let (lowest, highest) = (range.0, range.1.min(self.y.len() - 3));
        if highest < lowest {
            return None;
        }
        let from_s = self.time_s[lowest - 1];
        let mut sums = self.tail(highest + 1, tau_s, from_s);
        let (n, mean) = (self.y.len() as f64, self.sum / self.y.len() as f64);
        let mut best: Option<(f64, f64, usize, Sums)> = None;
        // Growing e^(u/tau) of the sample at hand, its two neighbours' being the ends of the interval.
        let growth = |i: usize| ((self.time_s[i] - from_s) / tau_s).exp();
        let mut upper = growth(highest);
        for first in (lowest..=highest).rev() {
            let lower = growth(first - 1);
            sums.add(self.time_s[first] - from_s, self.y[first], 1.0 / upper);
            // Explained by c: (a0 + a1 c)^2/(d0 + d1 c + d2 c^2).
            let (a0, a1) = (sums.y - sums.n * mean, sums.e * mean - sums.ye);
            let d0 = sums.n - sums.n * sums.n / n;
            let d1 = 2.0 * (sums.n * sums.e / n - sums.e);
            let d2 = sums.ee - sums.e * sums.e / n;
            let explained = |c: f64| {
                let down = d0 + c * (d1 + c * d2);
                if down > 0.0 { (a0 + a1 * c).powi(2) / down } else { 0.0 }
            };
            let inner = (a0 * d1 - 2.0 * a1 * d0) / (a1 * d1 - 2.0 * a0 * d2);
            let c = if inner > lower && inner < upper { inner } else { upper };
            let value = explained(c);
            if best.is_none_or(|(most, ..)| value > most) {
                best = Some((value, c, first, sums));
            }
            upper = lower;
        }
        let (explained, c, first, s) = best?;
        let down = s.n - 2.0 * c * s.e + c * c * s.ee - (s.n - c * s.e).powi(2) / n;
        let change = (s.y - c * s.ye - (s.n - c * s.e) * mean) / down;
        let before = mean - change * (s.n - c * s.e) / n;
        // d(explained) = 2 sum r dm, with dm/d(ln tau) = -A x e^-x and x = (u - u_onset)/tau.
        let u_onset = tau_s * c.ln();
        let level = before + change;
        let sum_ru = s.uye - level * s.ue + change * c * s.uee;
        let sum_r = s.ye - level * s.e + change * c * s.ee;
        let by_ln_tau = -2.0 * change * c * (sum_ru - u_onset * sum_r) / tau_s;
        let curve = FirstOrder { before, change, onset_s: from_s + u_onset, tau_s };
        Some(Best { explained, by_ln_tau, curve, first })
    }

    /// Sums from sample `from` to the end.
    fn tail(&self, from: usize, tau_s: f64, from_s: f64) -> Sums {
        let mut sums = Sums::default();
        let samples = self.time_s[from..].iter().zip(&self.y[from..]);
        let Some(spacing_s) = self.spacing_s else {
            for (t, y) in samples {
                let u = t - from_s;
                sums.add(u, *y, (-u / tau_s).exp());
            }
            return sums;
        };
        // Sums of the exponentials alone are geometric series; only those with data need a pass.
        let (start, count) = (self.time_s[from] - from_s, (self.y.len() - from) as f64);
        let first = (-start / tau_s).exp();
        let (e, k_e) = geometric(spacing_s / tau_s, count);
        let (ee, k_ee) = geometric(2.0 * spacing_s / tau_s, count);
        sums.n = count;
        sums.y = self.sum - self.y[..from].iter().sum::<f64>();
        sums.e = first * e;
        sums.ee = first * first * ee;
        sums.ue = start * sums.e + spacing_s * first * k_e;
        sums.uee = start * sums.ee + spacing_s * first * first * k_ee;
        let (mut lanes_ye, mut lanes_uye) = ([0.0; LANES], [0.0; LANES]);
        let mut u: [f64; LANES] = core::array::from_fn(|k| start + k as f64 * spacing_s);
        let mut e = u.map(|u| (-u / tau_s).exp());
        let (far, decay) = (LANES as f64 * spacing_s, (-(LANES as f64) * spacing_s / tau_s).exp());
        let seen = (NOTHING_LEFT * tau_s / spacing_s).min(count) as usize;
        let groups = self.y[from..from + seen].chunks_exact(LANES);
        let rest = groups.remainder();
        for group in groups {
            for k in 0..LANES {
                let ye = group[k] * e[k];
                lanes_ye[k] += ye;
                lanes_uye[k] += u[k] * ye;
                u[k] += far;
                e[k] *= decay;
            }
        }
        for (k, y) in rest.iter().enumerate() {
            lanes_ye[k] += y * e[k];
            lanes_uye[k] += u[k] * y * e[k];
        }
        sums.ye = lanes_ye.iter().sum();
        sums.uye = lanes_uye.iter().sum();
        sums
    }

    /// J'J, J'r and r'r of the curve whose onset lies just before sample `first`.
    fn normal_equations(
        &self,
        curve: &FirstOrder,
        first: usize,
    ) -> (SMatrix<f64, 4, 4>, SVector<f64, 4>, f64) {
        let FirstOrder { before, change, onset_s, tau_s } = *curve;
        let (flat, flat_squares) = self.y[..first].iter().fold((0.0, 0.0), |(sum, squares), y| {
            let r = y - before;
            (sum + r, squares + r * r)
        });
        // Sums of r, rr, re, rxe, e, ee, xe, xee and xxee, e being exp(-x) and x the time constants since the onset.
        let mut sums = [[0.0; LANES]; 9];
        let mut add = |k: usize, x: f64, y: f64, e: f64| {
            let (xe, r) = (x * e, y - before - change * (1.0 - e));
            let terms = [r, r * r, r * e, r * xe, e, e * e, xe, xe * e, xe * xe];
            for (sum, term) in sums.iter_mut().zip(terms) {
                sum[k] += term;
            }
        };
        let (time_s, y) = (&self.time_s[first..], &self.y[first..]);
        let run = |t: f64| (t - onset_s) / tau_s;
        let mut done = 0;
        if let Some(spacing_s) = self.spacing_s {
            let far = LANES as f64 * spacing_s / tau_s;
            let decay = (-far).exp();
            let mut x: [f64; LANES] = core::array::from_fn(|k| run(time_s[0]) + k as f64 * spacing_s / tau_s);
            let mut e = x.map(|x| (-x).exp());
            for group in y.chunks_exact(LANES) {
                for k in 0..LANES {
                    add(k, x[k], group[k], e[k]);
                    x[k] += far;
                    e[k] *= decay;
                }
                done += LANES;
            }
        }
        for (t, y) in time_s[done..].iter().zip(&y[done..]) {
            add(0, run(*t), *y, (-run(*t)).exp());
        }
        let [r, rr, re, rxe, e, ee, xe, xee, xxee] = sums.map(|lanes| lanes.iter().sum::<f64>());
        let (all, after) = (self.y.len() as f64, y.len() as f64);
        // Slopes: 1, 1 - e, -A e/tau, -A x e.
        let rate = -change / tau_s;
        let (rise, rise_onset, rise_tau) = (after - e, rate * (e - ee), -change * (xe - xee));
        let normal = SMatrix::from([
            [all, rise, rate * e, -change * xe],
            [rise, after - 2.0 * e + ee, rise_onset, rise_tau],
            [rate * e, rise_onset, rate * rate * ee, -change * rate * xee],
            [-change * xe, rise_tau, -change * rate * xee, change * change * xxee],
        ]);
        (normal, SVector::from([flat + r, r - re, rate * re, -change * rxe]), flat_squares + rr)
    }

    /// One step of Gauss and Newton on the residuals themselves takes off what rounding of large sums
    /// has left; the onset stays between its samples.
    fn polished(&self, best: Best) -> Found {
        let curve = best.curve;
        let (normal, mut gradient, squares) = self.normal_equations(&curve, best.first);
        let mut free = normal;
        let ends = (self.time_s[best.first - 1], self.time_s[best.first]);
        if curve.onset_s >= ends.1 {
            // At the kink itself: the onset is held.
            free.row_mut(2).fill(0.0);
            free.column_mut(2).fill(0.0);
            free[(2, 2)] = 1.0;
            gradient[2] = 0.0;
        }
        let Some(factor) = free.cholesky() else { return Found { curve, normal, squares } };
        let step = factor.solve(&gradient);
        let curve = FirstOrder {
            before: curve.before + step[0],
            change: curve.change + step[1],
            onset_s: (curve.onset_s + step[2]).clamp(ends.0, ends.1),
            tau_s: curve.tau_s * step[3].clamp(-0.1, 0.1).exp(),
        };
        Found { curve, normal, squares: (squares - gradient.dot(&step)).max(0.0) }
    }
}
