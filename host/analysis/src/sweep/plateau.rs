//! The stretch at an end of a way in which the output stays where it is.
//!
//! The way is a constant up to a corner and a smooth curve from there on; where the corner lies is
//! weighed by the likelihood of every place, the smooth curve integrated out, against there being
//! none at all.

use super::smooth::{Basis, ROUGH, beyond};
use nalgebra::{SMatrix, SVector};

/// Longest stretch that is looked for, as a share of the sweep.
const LONGEST: f64 = 0.6;
/// Places of a corner that are tried in the first round and in later ones, each of which looks closer
/// at the best; they end when neighbours of the best are about as likely.
const PLACES_FIRST: usize = 48;
const PLACES: usize = 16;
const ROUNDS: usize = 8;
/// How much likelier a stretch must be than none: one chance in three ends of ways.
const ODDS_MIN: f64 = 2.0;
const COLUMNS: usize = 2 + ROUGH;

/// A reading, seen from the end of its way.
#[derive(Clone, Copy, Debug)]
pub(super) struct Near {
    /// Distance from the end, as a share of the sweep, and the extent of it.
    pub(super) from_end: f64,
    pub(super) width: f64,
    pub(super) output: f64,
    pub(super) weight: f64,
}

/// A stretch at an end of a way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Plateau {
    /// Length, as a share of the sweep, 0 when nothing speaks for one.
    pub(super) length: f64,
    /// Its standard uncertainty.
    pub(super) u: f64,
    pub(super) degrees_of_freedom: f64,
}

/// Looks for a stretch at an end of a way. `None` below eight readings.
pub(super) fn plateau(readings: &[Near]) -> Option<Plateau> {
    if readings.len() < 8 {
        return None;
    }
    let basis = Basis::new(readings.len());
    let mut tried: Vec<(f64, f64)> = Vec::new();
    let (mut from, mut to) = (0.0, LONGEST);
    for round in 0..ROUNDS {
        let places = if round == 0 { PLACES_FIRST } else { PLACES };
        let spacing = (to - from) / places as f64;
        for k in 0..=places {
            let at = from + spacing * k as f64;
            if !tried.iter().any(|(place, _)| *place == at) {
                tried.push((at, unlikelihood(&basis, readings, at)?));
            }
        }
        let best = tried.iter().copied().min_by(|a, b| a.1.total_cmp(&b.1))?;
        let close =
            |(at, value): &&(f64, f64)| (at - best.0).abs() <= 1.01 * spacing && *value < best.1 + 1.0;
        if tried.iter().filter(close).count() >= 3 {
            break;
        }
        (from, to) = ((best.0 - 2.0 * spacing).max(0.0), (best.0 + 2.0 * spacing).min(LONGEST));
    }
    tried.sort_by(|a, b| a.0.total_cmp(&b.0));
    let least = tried.iter().map(|(_, value)| *value).reduce(f64::min)?;
    let likely = |value: f64| (-0.5 * (value - least)).exp();
    // Moments by the trapezium rule.
    let (mut whole, mut first, mut second) = (0.0, 0.0, 0.0);
    for pair in tried.windows(2) {
        let width = 0.5 * (pair[1].0 - pair[0].0);
        for (at, value) in pair {
            let mass = width * likely(*value);
            whole += mass;
            first += mass * at;
            second += mass * at * at;
        }
    }
    let (middle, square) = (first / whole, second / whole);
    let none = likely(tried[0].1);
    let degrees_of_freedom = readings.len() as f64 - 4.0;
    Some(if none * ODDS_MIN > whole / LONGEST {
        Plateau { length: 0.0, u: (square).sqrt(), degrees_of_freedom }
    } else {
        Plateau { length: middle, u: (square - middle * middle).max(0.0).sqrt(), degrees_of_freedom }
    })
}

/// Minus twice the logarithm of the likelihood of a corner at `at`.
fn unlikelihood(basis: &Basis, readings: &[Near], at: f64) -> Option<f64> {
    let origin = basis.rough_at(0.0);
    let mut normal = SMatrix::<f64, COLUMNS, COLUMNS>::zeros();
    let mut right = SVector::<f64, COLUMNS>::zeros();
    let (mut squares, mut weights) = (0.0, 0.0);
    for Near { from_end, width, output, weight } in readings {
        let beyond = beyond(at, (*from_end, *width));
        squares += weight * output * output;
        weights += weight;
        normal[(0, 0)] += weight;
        right[0] += weight * output;
        if beyond == 0.0 {
            continue;
        }
        let rough = basis.rough_at((beyond / (1.0 - at)).min(1.0));
        let mut row = [0.0; COLUMNS];
        row[0] = 1.0;
        row[1] = beyond;
        for j in 0..ROUGH {
            row[2 + j] = rough[j] - origin[j];
        }
        for j in 1..COLUMNS {
            for k in 0..=j {
                normal[(j, k)] += weight * row[j] * row[k];
            }
            right[j] += weight * output * row[j];
        }
    }
    let n = readings.len() as f64;
    let (unit, free) = (weights / n, n - 2.0);
    let mut least: Option<f64> = None;
    for decade in -10..=4 {
        let penalty = unit * 10.0_f64.powi(decade);
        let mut matrix = normal;
        for j in 2..COLUMNS {
            matrix[(j, j)] += penalty;
        }
        let Some(factor) = matrix.cholesky() else { continue };
        let best = factor.solve(&right);
        let left = (squares - best.dot(&right)).max(1e-13 * squares);
        let logarithm: f64 = factor.l_dirty().diagonal().iter().map(|d| d.ln()).sum::<f64>() * 2.0;
        let value = free * left.ln() + logarithm - ROUGH as f64 * penalty.ln();
        least = Some(least.map_or(value, |so_far| so_far.min(value)));
    }
    least
}
