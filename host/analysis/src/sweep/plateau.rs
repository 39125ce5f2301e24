//! The stretch at an end of a way in which the output stays where it is.
//!
//! The way is a constant up to a corner and a smooth curve from there on; where the corner lies is
//! told by the likelihood of every place, the smooth curve and its smoothness integrated out.

use super::penalty::{Penalised, eliminated};
use super::spline::{ROUGH, ROUGHEST, Spline};
use nalgebra::DMatrix;

/// Longest stretch that is looked for, as a share of the sweep.
pub(super) const LONGEST: f64 = 0.6;
/// Places of a corner that are tried in the first round and in later ones, each of which looks closer
/// at the best; they end when neighbours of the best are about as likely.
const PLACES_FIRST: usize = 48;
const PLACES: usize = 16;
const ROUNDS: usize = 8;
/// Penalties on roughness, as powers of ten of the mean weight: from [`ROUGHEST`] on.
const DECADES: core::ops::RangeInclusive<i32> = ROUGHEST..=4;
/// Level, slope and bend; the sum of squares; the rough columns.
const FREE: usize = 3;
const COLUMNS: usize = FREE + 1 + ROUGH;

/// A reading, seen from the end of its way.
#[derive(Clone, Copy, Debug)]
pub(super) struct Near {
    /// Distance from the end, as a share of the sweep, and the extent of it.
    pub(super) from_end: f64,
    pub(super) width: f64,
    pub(super) output: f64,
    /// How many samples it is the mean of.
    pub(super) weight: f64,
}

/// How likely every length of a stretch at an end of a way is, as far as that way alone tells.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Plateau {
    /// Length, as a share of the sweep, rising from 0; logarithm of its likelihood, 0 for the likeliest.
    pub(super) tried: Vec<(f64, f64)>,
    /// Readings of the way.
    pub(super) readings: usize,
}

impl Plateau {
    /// Degrees of freedom of the noise.
    pub(super) fn degrees_of_freedom(&self) -> f64 {
        self.readings as f64 - 4.0
    }

    /// Likelihood of a length, at most 1. On each side of the likeliest the root of its logarithm is about
    /// straight, which makes the likelihood a normal distribution.
    pub(super) fn likelihood(&self, length: f64) -> f64 {
        let after = self.tried.partition_point(|(at, _)| *at < length).clamp(1, self.tried.len() - 1);
        let ((from, a), (to, b)) = (self.tried[after - 1], self.tried[after]);
        let (a, b) = ((-a).sqrt(), (-b).sqrt());
        (-(a + (b - a) * (length - from) / (to - from)).powi(2)).exp()
    }
}

/// Looks for a stretch at an end of a way. `None` below eight readings.
pub(super) fn plateau(readings: &[Near]) -> Option<Plateau> {
    if readings.len() < 8 {
        return None;
    }
    let way = Way::of(readings);
    let mut tried: Vec<(f64, f64)> = Vec::new();
    let (mut from, mut to) = (0.0, LONGEST);
    for round in 0..ROUNDS {
        let places = if round == 0 { PLACES_FIRST } else { PLACES };
        let spacing = (to - from) / places as f64;
        for k in 0..=places {
            let at = from + spacing * k as f64;
            if !tried.iter().any(|(place, _)| *place == at) {
                tried.push((at, way.ln_likelihood(at)?));
            }
        }
        let best = tried.iter().copied().max_by(|a, b| a.1.total_cmp(&b.1))?;
        let close =
            |(at, value): &&(f64, f64)| (at - best.0).abs() <= 1.01 * spacing && *value > best.1 - 0.5;
        if tried.iter().filter(close).count() >= 3 {
            break;
        }
        (from, to) = ((best.0 - 2.0 * spacing).max(0.0), (best.0 + 2.0 * spacing).min(LONGEST));
    }
    tried.sort_by(|a, b| a.0.total_cmp(&b.0));
    let most = tried.iter().map(|(_, value)| *value).reduce(f64::max)?;
    for (_, value) in &mut tried {
        *value -= most;
    }
    Some(Plateau { tried, readings: readings.len() })
}

/// Mean of `(x - corner)`, where it is above zero, over so many samples one distance apart that spread as much
/// as an even spread of this width.
pub(super) fn beyond(corner: f64, at: f64, width: f64, samples: f64) -> f64 {
    let apart = width / (samples * samples - 1.0).sqrt();
    let most = at + 0.5 * (samples - 1.0) * apart - corner;
    if width == 0.0 || most - (samples - 1.0) * apart >= 0.0 {
        return (at - corner).max(0.0);
    }
    let above = (most / apart).floor() + 1.0;
    if above <= 0.0 { 0.0 } else { above / samples * (most - 0.5 * (above - 1.0) * apart) }
}

/// The readings of a way, from its end on, with what all beyond each of them come to.
struct Way {
    spline: Spline,
    readings: Vec<Near>,
    /// Bordered normal equations of the readings from each one on.
    from: Vec<DMatrix<f64>>,
    squares: f64,
    unit: f64,
}

impl Way {
    fn of(readings: &[Near]) -> Way {
        let spline = Spline::new(readings.len());
        let mut readings = readings.to_vec();
        readings.sort_by(|a, b| (a.from_end - 0.5 * a.width).total_cmp(&(b.from_end - 0.5 * b.width)));
        let mut sum = DMatrix::zeros(COLUMNS, COLUMNS);
        let mut from = vec![sum.clone()];
        for reading in readings.iter().rev() {
            add(&mut sum, &row(&spline, reading.from_end, reading.output), reading.weight);
            from.push(sum.clone());
        }
        from.reverse();
        let squares = readings.iter().map(|r| r.weight * r.output * r.output).sum();
        let unit = readings.iter().map(|r| r.weight).sum::<f64>() / readings.len() as f64;
        Way { spline, readings, from, squares, unit }
    }

    /// Logarithm of the likelihood of a corner at `at`.
    fn ln_likelihood(&self, at: f64) -> Option<f64> {
        let whole = self.readings.partition_point(|r| r.from_end - 0.5 * r.width < at);
        let mut bordered = self.from[whole].clone();
        // All readings below the corner are readings of the same.
        let (mut weight, mut sum, mut squares) = (0.0, 0.0, 0.0);
        for r in &self.readings[..whole] {
            let beyond = beyond(at, r.from_end, r.width, r.weight);
            if beyond > 0.0 {
                add(&mut bordered, &row(&self.spline, at + beyond, r.output), r.weight);
            } else {
                weight += r.weight;
                sum += r.weight * r.output;
                squares += r.weight * r.output * r.output;
            }
        }
        if weight > 0.0 {
            let mean = sum / weight;
            add(&mut bordered, &row(&self.spline, at, mean), weight);
            bordered[(FREE, FREE)] += squares - mean * sum;
        }
        let (rest, logarithm) = eliminated(bordered, FREE)?;
        let rest = Penalised::new(rest);
        let free = self.readings.len() as f64 - FREE as f64;
        let ln =
            |left: f64, rough: f64| -0.5 * (free * left.max(1e-13 * self.squares).ln() + logarithm + rough);
        // A curve bent one way is as likely beforehand as all rougher ones together.
        let mut values: Vec<f64> = DECADES
            .filter_map(|decade| rest.under(self.unit * 10.0_f64.powi(decade)))
            .map(|(left, rough)| ln(left, rough) - (DECADES.count() as f64).ln())
            .collect();
        values.push(ln(rest.without(), 0.0));
        let most = values.iter().copied().reduce(f64::max)?;
        Some(most + values.iter().map(|value| (value - most).exp()).sum::<f64>().ln())
    }
}

fn row(spline: &Spline, at: f64, output: f64) -> [f64; COLUMNS] {
    let mut row = [0.0; COLUMNS];
    row[..=FREE].copy_from_slice(&[1.0, at, at * at, output]);
    row[FREE + 1..].copy_from_slice(&spline.rough_at(at));
    row
}

/// Adds a row to the lower triangle of the bordered normal equations.
fn add(bordered: &mut DMatrix<f64>, row: &[f64; COLUMNS], weight: f64) {
    for k in 0..COLUMNS {
        let weighted = weight * row[k];
        for j in k..COLUMNS {
            bordered[(j, k)] += weighted * row[j];
        }
    }
}
