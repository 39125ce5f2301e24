//! Whether part of the current follows the voltage at once: two curves, weighted by their probability.
//!
//! With an edge share that is anywhere from nothing to [`SHARE_USUAL`] beforehand, and a normal likelihood, the
//! odds of the curve with a share are the likelihood's mean over that range to its value at nothing
//! (Laplace's form of the Bayes factor; Kass and Raftery, J. Am. Stat. Assoc. 90, 1995, from memory). Both
//! curves are equally probable beforehand. A quantity's value is the weighted mean of what the two say, and
//! its variance holds how far they are apart.

use super::budget::{Covariances, covariances};
use super::model::{P, Parameters, SHARE, TAU};
use super::ridge;
use super::search::{Closest, Driven};
use super::voltage::Prepared;
use crate::reason::{Signal, Unmeasured};
use crate::uncertainty::Measured;
use statrs::distribution::{ContinuousCDF, Normal};
use std::f64::consts::TAU as TWO_PI;

/// A share is thought to be anywhere up to this: 27 ohm of eddy resistance across 3 ohm of winding. A larger one
/// that the data show is not cut off.
pub(super) const SHARE_USUAL: f64 = 0.1;

/// A curve less probable than this is left out.
const WEIGHT_MIN: f64 = 1.0e-3;

/// Name of what the unknown instants of jumps contribute.
pub(super) const JUMPS: &str = "instants of the steps";

/// A curve, what it is worth, and how sure its parameters are.
#[derive(Debug)]
pub(super) struct Candidate {
    pub(super) closest: Closest,
    pub(super) covariances: Covariances,
    /// Its probability, by which it enters values.
    pub(super) weight: f64,
    /// How far it is believed in uncertainties: its probability, but for what an interval between samples hides.
    pub(super) believed: f64,
    /// The current sets in later than the voltage can have jumped.
    pub(super) is_late: bool,
}

impl Candidate {
    pub(super) fn new(prepared: &Prepared, driven: &Driven<'_>, closest: Closest) -> Candidate {
        let (covariances, _) = covariances(prepared, driven, &closest);
        Candidate { closest, covariances, weight: 1.0, believed: 1.0, is_late: false }
    }
}

/// Weighs `with`, a curve with a share, against the one without.
pub(super) fn weigh(
    prepared: &Prepared,
    driven: &Driven<'_>,
    mut with: Candidate,
) -> Result<Vec<Candidate>, Unmeasured> {
    if prepared.edge_is_open
        && let Some(both) = ridge::integrated(driven, &mut with)
    {
        return Ok(both);
    }
    let share = with.closest.parameters[SHARE];
    let u = with.covariances.total(SHARE);
    let odds = if u > 0.0 { odds(share, u) } else { f64::INFINITY };
    with.weight = if odds.is_finite() { odds / (1.0 + odds) } else { 1.0 };
    if with.weight > 1.0 - WEIGHT_MIN {
        with.weight = 1.0;
        return Ok(vec![with]);
    }
    let (mut parameters, mut free) = (with.closest.parameters, with.closest.free);
    // The other parameters go where they belong without a share, to first order.
    for (q, parameter) in parameters.iter_mut().enumerate() {
        *parameter -= with.closest.inverse[(q, SHARE)] / with.closest.inverse[(SHARE, SHARE)] * share;
    }
    parameters[TAU] = parameters[TAU].max(0.25 * with.closest.parameters[TAU]);
    parameters[SHARE] = 0.0;
    free[SHARE] = false;
    let mut without = Candidate::new(prepared, driven, driven.search(parameters, free)?);
    without.weight = 1.0 - with.weight;
    without.is_late = with.is_late;
    (with.believed, without.believed) = (with.weight, without.weight);
    if with.weight < WEIGHT_MIN {
        without.weight = 1.0;
        without.believed = 1.0;
        return Ok(vec![without]);
    }
    Ok(vec![with, without])
}

/// Odds of a share to none when it was found to be `share` with standard uncertainty `u`.
fn odds(share: f64, u: f64) -> f64 {
    let normal = Normal::standard();
    (0.5 * (share / u).powi(2)).exp() * TWO_PI.sqrt() * u / SHARE_USUAL * normal.cdf(share / u)
}

/// A quantity (value and derivatives at given parameters) from all candidates, with its budget.
pub(super) fn combined(
    prepared: &Prepared,
    candidates: &[Candidate],
    quantity: fn(&Parameters) -> (f64, Parameters),
) -> Measured {
    let found: Vec<([f64; 2], f64, [f64; 4])> = candidates
        .iter()
        .map(|candidate| {
            let (value, slopes) = quantity(&candidate.closest.parameters);
            ([candidate.weight, candidate.believed], value, candidate.covariances.of(&slopes))
        })
        .collect();
    let value: f64 = found.iter().map(|([weight, _], value, _)| weight * value).sum();
    let part =
        |k: usize| found.iter().map(|([_, believed], _, u)| believed * u[k].powi(2)).sum::<f64>().sqrt();
    let apart =
        found.iter().map(|([_, believed], one, _)| believed * (one - value).powi(2)).sum::<f64>().sqrt();
    let freedom = candidates[0].closest.degrees_of_freedom;
    Measured::new(value)
        .with_scatter("noise of the current", part(0), freedom)
        .with_scatter("noise of the voltage", part(1), prepared.noise_v.1)
        .with_given(JUMPS, 1.0, part(2))
        .with_scatter("shape of the curve", part(3), freedom)
        .with_given("whether there is an eddy share", 1.0, apart)
}

/// The share by the more probable curve.
pub(super) fn edge_share(prepared: &Prepared, best: &Candidate) -> Result<Measured, Unmeasured> {
    if !best.closest.free[SHARE] {
        return Err(Unmeasured::NoStep { signal: Signal::CoilCurrent });
    }
    let mut by = [0.0; P];
    by[SHARE] = 1.0;
    let [current, voltage, jumps, shape] = best.covariances.of(&by);
    Ok(Measured::new(best.closest.parameters[SHARE])
        .with_scatter("noise of the current", current, best.closest.degrees_of_freedom)
        .with_scatter("noise of the voltage", voltage, prepared.noise_v.1)
        .with_given(JUMPS, 1.0, jumps)
        .with_scatter("shape of the curve", shape, best.closest.degrees_of_freedom))
}
