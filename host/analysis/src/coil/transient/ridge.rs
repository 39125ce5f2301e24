//! Eddy share and instant of the step, when the instant is known only to within the interval of two samples.
//!
//! A later step and a smaller share change the current almost alike (by `d/tau` and by the share), so the two
//! lie anywhere on a ridge. What the other parameters do along it is linear; share and instant are integrated
//! over what was thought of them beforehand: the instant anywhere in its interval, and a share that is none or,
//! just as probable, of a density of one in [`SHARE_USUAL`] from nothing on (Bayes' theorem; Kass and Raftery, J. Am.
//! Stat. Assoc. 90, 1995, from memory).

use super::evidence::{Candidate, SHARE_USUAL};
use super::model::{EDGE, P, SHARE};
use super::search::{Driven, inverse};
use super::settled::CHANCE;
use nalgebra::{Matrix2, SMatrix, Vector2};
use statrs::distribution::{Continuous, ContinuousCDF, Normal};
use std::f64::consts::TAU as TWO_PI;

/// Points of the interval at which the likelihood is summed.
const POINTS: u32 = 64;

/// Deviations from its maximum beyond which a likelihood is nothing.
const REACH_DEVIATIONS: f64 = 6.0;

/// A likelihood that reaches this many times as far as the interval does is flat there.
const FLAT_REACHES: f64 = 1.0e3;

/// How far the instant may lie outside its interval, as a share of it: digits of times, jitter of the recorder.
const SLACK_SHARE: f64 = 0.02;

/// Mass and moments of share and instant under one of the two hypotheses.
struct Moments {
    mass: f64,
    first: Vector2<f64>,
    second: Matrix2<f64>,
}

impl Moments {
    fn new() -> Moments {
        Moments { mass: 0.0, first: Vector2::zeros(), second: Matrix2::zeros() }
    }

    fn add(&mut self, mass: f64, share: f64, share_variance: f64, edge_s: f64) {
        let mean = Vector2::new(share, edge_s);
        self.mass += mass;
        self.first += mean * mass;
        self.second += (mean * mean.transpose() + Matrix2::new(share_variance, 0.0, 0.0, 0.0)) * mass;
    }
}

/// Points and their width in the part of `-half..half` near `mean`; none when that is outside.
fn points(mean: f64, sd: f64, half: f64) -> impl Iterator<Item = (f64, f64)> {
    let reach = REACH_DEVIATIONS * sd;
    // A likelihood wider than the interval by far is flat in it, and its maximum rounding.
    let (from, to) = if reach < FLAT_REACHES * half {
        ((mean - reach).max(-half), (mean + reach).min(half))
    } else {
        (-half, half)
    };
    let width = (to - from) / f64::from(POINTS);
    (0..POINTS).filter(move |_| width > 0.0).map(move |k| (from + (f64::from(k) + 0.5) * width, width))
}

/// By how much a share must change to make up for one second of the instant, 1/s.
fn along_step(curvature: Matrix2<f64>) -> f64 {
    curvature[(0, 1)] / curvature[(0, 0)]
}

/// The curves with and without a share, from the fit of both. `None` when the fit lies so far outside of all
/// that was thought possible that neither has any probability.
pub(super) fn integrated(driven: &Driven<'_>, with: &mut Candidate) -> Option<Vec<Candidate>> {
    let closest = &with.closest;
    let (mut normal, mut gradient) = (closest.normal, closest.gradient);
    normal[(EDGE, EDGE)] -= driven.edge_weight;
    gradient[EDGE] += driven.edge_weight * closest.parameters[EDGE];
    let (mut others, mut at_instant) = (closest.free, closest.free);
    at_instant[EDGE] = false;
    (others[SHARE], others[EDGE]) = (false, false);
    let known = inverse(&normal, at_instant)?;
    let inverse = inverse(&normal, others)?;
    let mut along = SMatrix::<f64, P, 2>::zeros();
    for (column, q) in [SHARE, EDGE].into_iter().enumerate() {
        along.set_column(column, &-(inverse * normal.column(q)));
        along[(q, column)] = 1.0;
    }
    let curvature = along.transpose() * normal * along;
    let slope = along.transpose() * gradient;
    let variance = closest.residual_sd().powi(2).max(driven.noise_a.powi(2));
    // Noise of the voltage and another shape of the curve widen the likelihood as they do the share's variance.
    let of_share = with.covariances.given(&known, &(known * variance), variance);
    let wider = variance * (of_share.total(SHARE).powi(2) / of_share.current[(SHARE, SHARE)]);
    let here = Vector2::new(closest.parameters[SHARE], closest.parameters[EDGE]);
    let half_s = 0.5 * 3.0_f64.sqrt() * driven.edge_reach_s;
    let share_sd = (wider / curvature[(0, 0)]).sqrt();
    let log = |share: f64, edge_s: f64| {
        let moved = Vector2::new(share, edge_s) - here;
        (slope.dot(&moved) - 0.5 * moved.dot(&(curvature * moved))) / wider
    };
    let normal_law = Normal::standard();

    // Many recorders are triggered by the step, which then lies at a sample, an end of its interval, more often
    // than by chance. Where the interval rather than the noise hides a share, it is no evidence against one, and
    // the uncertainty goes by the other odds.
    let interval_share = driven.edge_reach_s / 2.0 * along_step(curvature).abs();
    let seen = share_sd.powi(2) / (share_sd.powi(2) + interval_share.powi(2));
    // Without a share the instant alone is open.
    let edge_s = here[1] + (slope[1] + curvature[(0, 1)] * here[0]) / curvature[(1, 1)];
    let edge_sd_s = (wider / curvature[(1, 1)]).sqrt();
    // A share makes the current early, and nothing in a coil makes it later than the voltage.
    let late_s = half_s * (1.0 + 2.0 * SLACK_SHARE) + normal_law.inverse_cdf(1.0 - 1.0 / CHANCE) * edge_sd_s;
    with.is_late = edge_s > late_s;
    let mut none = Moments::new();
    // Likelihoods are told relative to that of the fit, which is all but the greatest there is.
    for (at_s, width) in points(edge_s, edge_sd_s, half_s) {
        none.add(width * log(0.0, at_s).exp(), 0.0, 0.0, at_s);
    }
    // With one, it is a normal variable cut off at nothing, for every instant.
    let coupling = along_step(curvature);
    let ridge_curvature = curvature[(1, 1)] - coupling * curvature[(0, 1)];
    let ridge_s = here[1] + (slope[1] - coupling * slope[0]) / ridge_curvature;
    let mut some = Moments::new();
    for (at_s, width) in points(ridge_s, (wider / ridge_curvature).sqrt(), half_s) {
        let share = here[0] + slope[0] / curvature[(0, 0)] - coupling * (at_s - here[1]);
        let deviations = share / share_sd;
        let inside = normal_law.cdf(deviations);
        if inside > 0.0 {
            let cut = normal_law.pdf(deviations) / inside;
            let mass = width * log(share, at_s).exp() * TWO_PI.sqrt() * share_sd / SHARE_USUAL * inside;
            let left = (1.0 - cut * (deviations + cut)).max(0.0);
            some.add(mass, share + share_sd * cut, share_sd.powi(2) * left, at_s);
        }
    }
    let mass = none.mass + some.mass;
    if !(mass > 0.0 && mass.is_finite()) {
        return None;
    }
    let doubted = seen * none.mass + some.mass;
    let candidate = |moments: &Moments, has_share: bool, seen: f64| {
        let mean = moments.first / moments.mass;
        let spread = moments.second / moments.mass - mean * mean.transpose();
        let moved = inverse * gradient + along * (mean - here);
        let mut closest = closest.clone();
        closest.parameters.iter_mut().zip(moved.iter()).for_each(|(p, moved)| *p += moved);
        closest.free[SHARE] = has_share;
        let scatter = inverse * variance + along * spread * along.transpose();
        let covariances = with.covariances.given(&inverse, &scatter, variance);
        Candidate {
            closest,
            covariances,
            weight: moments.mass / mass,
            believed: seen * moments.mass / doubted,
            is_late: with.is_late,
        }
    };
    let both = [(&some, true, 1.0), (&none, false, seen)];
    Some(
        both.into_iter()
            .filter(|(m, ..)| m.mass > 0.0)
            .map(|(m, has, seen)| candidate(m, has, seen))
            .collect(),
    )
}
