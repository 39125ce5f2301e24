//! Sum of squares of a second-order response and its derivatives over all samples of a record.
//!
//! What a sample adds is made of C and S alone (see the parent), for which theorems of addition hold like
//! those of cosine and sine: on an even grid they are worked out for the first sample of each chunk and for
//! the distances inside one, and multiplied.

use super::{SERIES_BELOW, SecondOrder, modes};
use crate::fit::Point;
use nalgebra::{SMatrix, SVector};

/// Samples of a chunk.
const CHUNK: usize = 32;
/// Samples side by side in a sum, so that one need not wait for the other.
const LANES: usize = 4;
/// After so many of its slowest time constants a response is below the rounding of the data.
const NOTHING_LEFT: f64 = 40.0;

/// Value, three derivatives but for factors that all samples share, and residual.
const COLUMNS: usize = 5;
/// Sums of the columns and of their products.
const SUMS: usize = COLUMNS + COLUMNS * (COLUMNS + 1) / 2;

/// The evaluation at the numbers `p` that are searched for; `spacing_s` is that of all samples where it is one.
pub(super) fn point(time_s: &[f64], y: &[f64], spacing_s: Option<f64>, p: &[f64; 5]) -> Option<Point<5>> {
    let m = SecondOrder::of(p);
    let (w, z, beta) = (m.natural_per_s, m.damping, p[4]);
    let s = z * z - 1.0;
    let slowest = if s > 0.0 { z + s.sqrt() } else { 1.0 / z };
    let moving = time_s.partition_point(|t| *t <= m.onset_s);
    let over = time_s.partition_point(|t| *t < m.onset_s + NOTHING_LEFT * slowest / w).max(moving);
    let table: Option<[[f64; CHUNK]; 2]> = spacing_s.map(|spacing_s| {
        let at: [[f64; 3]; CHUNK] = core::array::from_fn(|k| modes(k as f64 * spacing_s * w, z));
        [at.map(|m| m[0]), at.map(|m| m[1])]
    });
    let mut sums = [[0.0; LANES]; SUMS];
    for (time_s, y) in time_s[moving..over].chunks(CHUNK).zip(y[moving..over].chunks(CHUNK)) {
        let x: [f64; CHUNK] = core::array::from_fn(|k| time_s.get(k).map_or(0.0, |t| w * (t - m.onset_s)));
        let first = modes(x[0], z);
        let mut all = [[0.0; CHUNK]; 3];
        match &table {
            Some([cosines, sines]) if s.abs() * x[0] * x[0] > SERIES_BELOW => {
                for k in 0..CHUNK {
                    let c = first[0] * cosines[k] + s * first[1] * sines[k];
                    let sine = first[1] * cosines[k] + first[0] * sines[k];
                    all[0][k] = c;
                    all[1][k] = sine;
                    all[2][k] = (x[k] * c - sine) / s;
                }
            }
            _ => {
                for k in 0..time_s.len() {
                    let m = modes(x[k], z);
                    (0..3).for_each(|part| all[part][k] = m[part]);
                }
            }
        }
        let mut columns = [[0.0; CHUNK]; COLUMNS];
        for k in 0..CHUNK {
            let [c, sine, mixed] = [all[0][k], all[1][k], all[2][k]];
            columns[0][k] = 1.0 - c - z * sine;
            columns[1][k] = sine;
            columns[2][k] = (2.0 * z - x[k]) * sine;
            columns[3][k] = x[k] * sine - z * mixed;
        }
        for (k, y) in y.iter().enumerate() {
            columns[4][k] = y - m.before - m.change * columns[0][k];
        }
        if time_s.len() < CHUNK {
            for column in &mut columns {
                column[time_s.len()..].fill(0.0);
            }
        }
        add(&mut sums, &columns);
    }
    let sums = sums.map(|lanes| lanes.iter().sum::<f64>());
    let (flat, flat_squares) = residuals(&y[..moving], m.before);
    let (end, end_squares) = residuals(&y[over..], m.before + m.change);
    let ended = (y.len() - over) as f64;
    // Of value and derivatives; the level before has a derivative of 1 everywhere.
    let factors = [1.0, 1.0, -m.change * w, m.change, -m.change / (2.0 * beta)];
    let place = |a: usize| a + a * (a + 1) / 2;
    let sum = |a: usize| sums[place(a)];
    let product = |a: usize, b: usize| sums[place(a.max(b)) + 1 + a.min(b)];
    let mut normal = SMatrix::<f64, 5, 5>::zeros();
    let mut gradient = SVector::<f64, 5>::zeros();
    for a in 0..5 {
        for b in 0..=a {
            let whole = match (a, b) {
                (0, 0) => y.len() as f64,
                (1, 0) => sum(0) + ended,
                (_, 0) => sum(a - 1),
                (1, 1) => product(0, 0) + ended,
                _ => product(a - 1, b - 1),
            };
            normal[(a, b)] = whole * factors[a] * factors[b];
            normal[(b, a)] = normal[(a, b)];
        }
        gradient[a] = factors[a]
            * match a {
                0 => sum(4) + flat + end,
                1 => product(4, 0) + end,
                _ => product(4, a - 1),
            };
    }
    let squares = product(4, 4) + flat_squares + end_squares;
    let finite = squares.is_finite() && normal.iter().all(|v| v.is_finite());
    finite.then_some(Point { residuals: Vec::new(), squares, normal, gradient })
}

/// Adds a chunk: of each column its sum, then its products with the columns up to itself.
fn add(sums: &mut [[f64; LANES]; SUMS], columns: &[[f64; CHUNK]; COLUMNS]) {
    for from in (0..CHUNK).step_by(LANES) {
        let mut at = 0;
        for a in 0..COLUMNS {
            for k in 0..LANES {
                sums[at][k] += columns[a][from + k];
            }
            at += 1;
            for b in 0..=a {
                for k in 0..LANES {
                    sums[at][k] += columns[a][from + k] * columns[b][from + k];
                }
                at += 1;
            }
        }
    }
}

/// Sum and sum of squares of data about a level.
fn residuals(y: &[f64], level: f64) -> (f64, f64) {
    let (mut sum, mut squares) = ([0.0; LANES], [0.0; LANES]);
    let groups = y.chunks_exact(LANES);
    let rest = groups.remainder();
    for group in groups {
        for k in 0..LANES {
            let r = group[k] - level;
            sum[k] += r;
            squares[k] += r * r;
        }
    }
    for y in rest {
        sum[0] += y - level;
        squares[0] += (y - level).powi(2);
    }
    (sum.iter().sum(), squares.iter().sum())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against sums sample by sample of the curve and of its differences, on an even grid and on another.
    #[test]
    fn sums_are_those_of_the_samples() {
        let p = |z: f64| [0.1, 0.9, 0.300_7 + 0.08, 0.08_f64.ln(), 0.25 / (z * z)];
        for z in [0.2, 0.8, 0.999, 1.0, 1.002, 1.5, 6.0] {
            for bend in [0.0, 0.3] {
                let time_s: Vec<f64> =
                    (0..1_000).map(|i| f64::from(i) * 2e-3).map(|t| t + bend * 1e-3 * t.sin()).collect();
                let y: Vec<f64> = (0..1_000).map(|i| (f64::from(i) * 1.7).sin()).collect();
                let found = point(&time_s, &y, (bend == 0.0).then_some(2e-3), &p(z)).unwrap();
                let value = |p: &[f64; 5], t: f64| SecondOrder::of(p).at(t);
                let (mut squares, mut gradient, mut normal) = (0.0, [0.0; 5], [[0.0; 5]; 5]);
                for (t, y) in time_s.iter().zip(&y) {
                    let r = y - value(&p(z), *t);
                    squares += r * r;
                    let slopes: [f64; 5] = core::array::from_fn(|k| {
                        let h = if k == 4 { 1e-5 * p(z)[4] } else { 1e-6 };
                        let (mut low, mut high) = (p(z), p(z));
                        low[k] -= h;
                        high[k] += h;
                        (value(&high, *t) - value(&low, *t)) / (2.0 * h)
                    });
                    for a in 0..5 {
                        gradient[a] += slopes[a] * r;
                        (0..5).for_each(|b| normal[a][b] += slopes[a] * slopes[b]);
                    }
                }
                assert!((found.squares / squares - 1.0).abs() < 1e-12, "{z}");
                for a in 0..5 {
                    // Differences err by a sixth of the square of h over the fast time constant, 5e-7 at most.
                    let size = |a: usize| normal[a][a].sqrt();
                    let off = (found.gradient[a] - gradient[a]).abs() / (size(a) * squares.sqrt());
                    assert!(off < 1e-6, "{z} {a}: {off}");
                    for (b, wanted) in normal[a].iter().enumerate() {
                        let off = (found.normal[(a, b)] - wanted).abs() / (size(a) * size(b));
                        assert!(off < 1e-6, "{z} {a} {b}: {off}");
                    }
                }
            }
        }
    }
}
