//! A periodic ripple on top of a step: what the plungers of a pump put there.
//!
//! Its harmonics are fitted to the parts of the record where nothing else happens, before the response
//! and after it, each with a level of its own, and taken off everywhere. Where its period is not known
//! it is looked for: a line in the spectrum that noise does not make.

use crate::series::check_count;
use core::f64::consts::TAU;
use nalgebra::{DMatrix, DVector};

/// Harmonics of a known period that are tried: a shaft turns once while several plungers each push.
const ORDERS: usize = 12;
/// Harmonics of a period that was found.
const ORDERS_FOUND: usize = 3;
/// A harmonic is kept when its power exceeds so many times that of the noise; white noise has one such
/// in a thousand (chi-square of two degrees of freedom).
const POWER_MIN: f64 = 13.8;
/// Fewest whole periods that the flat parts must hold.
const PERIODS_MIN: f64 = 2.0;
/// Most points of a spectrum.
const SPECTRUM_MAX: usize = 4_096;
/// A line stands out when it exceeds the mean of its spectrum so many times; of 2048 lines of white
/// noise one does in 1e4 recordings (an exponential law: 2048 e^-17).
const LINE_MIN: f64 = 17.0;

/// Strength in the second half of a flat part over that in the first, from which on it is a ripple.
const LASTS_MIN: f64 = 0.7;

/// A ripple of which harmonics are known.
#[derive(Clone, Debug)]
pub(super) struct Ripple {
    pub(super) period_s: f64,
    /// Order, cosine and sine part.
    harmonics: Vec<(usize, f64, f64)>,
}

impl Ripple {
    /// Value at a time.
    pub(super) fn at(&self, t_s: f64) -> f64 {
        let angle = TAU * t_s / self.period_s;
        self.harmonics
            .iter()
            .map(|(k, c, s)| {
                let (sin, cos) = (*k as f64 * angle).sin_cos();
                c * cos + s * sin
            })
            .sum()
    }

    /// Ripple of a known period; `None` when none stands out or the flat parts are too short.
    pub(super) fn of_period(time_s: &[f64], y: &[f64], flat: &Flat, period_s: f64) -> Option<Ripple> {
        Ripple::with(time_s, y, flat, period_s, ORDERS)
    }

    fn with(time_s: &[f64], y: &[f64], flat: &Flat, period_s: f64, orders: usize) -> Option<Ripple> {
        if flat.length_s(time_s) < PERIODS_MIN * period_s {
            return None;
        }
        // Two samples a period at the very least.
        let most = (0.4 * period_s / flat.spacing_s(time_s)) as usize;
        let all: Vec<usize> = (1..=orders.min(most)).collect();
        let (amplitudes, u) = harmonics(time_s, y, flat, period_s, &all)?;
        let kept: Vec<usize> = all
            .iter()
            .filter(|k| {
                let (c, s) = amplitudes[**k - 1];
                (c * c + s * s) / (u * u) > POWER_MIN
            })
            .copied()
            .collect();
        if kept.is_empty() {
            return None;
        }
        let (amplitudes, _) = harmonics(time_s, y, flat, period_s, &kept)?;
        let harmonics = kept.iter().zip(amplitudes).map(|(k, (c, s))| (*k, c, s)).collect();
        Some(Ripple { period_s, harmonics })
    }

    /// Looks for a ripple of unknown period in the longer of the flat parts.
    pub(super) fn found(time_s: &[f64], y: &[f64], flat: &Flat) -> Option<Ripple> {
        let (from, to) = flat.longer();
        check_count(to - from, 64).ok()?;
        let spacing_s = (time_s[to.max(1) - 1] - time_s[from]) / (to - from).max(2) as f64;
        let block = (to - from).div_ceil(SPECTRUM_MAX).max(1);
        let count = (to - from) / block;
        if check_count(count, 64).is_err() {
            return None;
        }
        let n = 1 << count.ilog2();
        let middle = y[from..to].iter().sum::<f64>() / (to - from) as f64;
        let mut line: Vec<(f64, f64)> = (0..n)
            .map(|j| {
                let part = &y[from + j * block..from + (j + 1) * block];
                let window = 1.0 - (TAU * (j as f64 + 0.5) / n as f64).cos();
                ((part.iter().sum::<f64>() / block as f64 - middle) * window, 0.0)
            })
            .collect();
        fourier(&mut line);
        let power: Vec<f64> = line[..n / 2].iter().map(|(re, im)| re * re + im * im).collect();
        // Fewer than four periods cannot be told from a drift.
        let peak = (4..n / 2 - 1).max_by(|a, b| power[*a].total_cmp(&power[*b]))?;
        let mut others: Vec<f64> = power[4..].to_vec();
        let half = others.len() / 2;
        // Median of an exponential law: ln 2 of its mean.
        let usual = *others.select_nth_unstable_by(half, f64::total_cmp).1 / core::f64::consts::LN_2;
        // Noise with a memory has a spectrum that is higher at its low end, over many lines.
        let near = power[peak.saturating_sub(12).max(2)..(peak + 13).min(n / 2)].iter().sum::<f64>()
            - power[peak - 1]
            - power[peak]
            - power[peak + 1];
        if power[peak] < LINE_MIN * usual.max(near / 22.0) {
            return None;
        }
        let length_s = n as f64 * block as f64 * spacing_s;
        let bend = power[peak - 1] - 2.0 * power[peak] + power[peak + 1];
        let shift = 0.5 * (power[peak - 1] - power[peak + 1]) / bend;
        let mut frequency = (peak as f64 + shift.clamp(-0.5, 0.5)) / length_s;
        // Sharpened on both flat parts together: the frequency of most power, by golden steps.
        let power_at = |f: f64| {
            harmonics(time_s, y, flat, 1.0 / f, &[1]).map_or(0.0, |(a, _)| a[0].0.powi(2) + a[0].1.powi(2))
        };
        let mut width = 0.25 / length_s;
        for _ in 0..12 {
            let (low, mid, high) =
                (power_at(frequency - width), power_at(frequency), power_at(frequency + width));
            if low > mid && low >= high {
                frequency -= width;
            } else if high > mid {
                frequency += width;
            }
            width *= 0.6;
        }
        let period_s = 1.0 / frequency;
        // A response that rings dies away; a ripple does not.
        let middle = from + (to - from) / 2;
        let strength = |a: usize, b: usize| {
            let all = Flat { until: 0, from: 0, end: b - a };
            let found = harmonics(&time_s[a..b], &y[a..b], &all, period_s, &[1]);
            found.map_or(0.0, |(h, _)| h[0].0.hypot(h[0].1))
        };
        if strength(middle, to) < LASTS_MIN * strength(from, middle) {
            return None;
        }
        Ripple::with(time_s, y, flat, period_s, ORDERS_FOUND)
    }

    /// Numbers of it: a cosine and a sine part for every harmonic.
    pub(super) fn numbers(&self) -> usize {
        2 * self.harmonics.len()
    }

    /// Derivatives with respect to those numbers.
    pub(super) fn fill_slopes(&self, t_s: f64, row: &mut [f64]) {
        let angle = TAU * t_s / self.period_s;
        for ((k, ..), pair) in self.harmonics.iter().zip(row.chunks_exact_mut(2)) {
            let (sin, cos) = (*k as f64 * angle).sin_cos();
            pair[0] = cos;
            pair[1] = sin;
        }
    }

    /// Changes its numbers.
    pub(super) fn add(&mut self, by: &[f64]) {
        for ((_, c, s), pair) in self.harmonics.iter_mut().zip(by.chunks_exact(2)) {
            *c += pair[0];
            *s += pair[1];
        }
    }
}

/// The parts of a record where nothing but ripple and noise happens: samples before the first index and
/// from the second on.
#[derive(Clone, Copy, Debug)]
pub(super) struct Flat {
    pub(super) until: usize,
    pub(super) from: usize,
    pub(super) end: usize,
}

impl Flat {
    fn longer(&self) -> (usize, usize) {
        if self.until > self.end - self.from { (0, self.until) } else { (self.from, self.end) }
    }

    fn length_s(&self, time_s: &[f64]) -> f64 {
        let of = |from: usize, to: usize| if to > from { time_s[to - 1] - time_s[from] } else { 0.0 };
        of(0, self.until).max(of(self.from, self.end))
    }

    fn spacing_s(&self, time_s: &[f64]) -> f64 {
        (time_s[self.end - 1] - time_s[0]) / (self.end - 1) as f64
    }
}

/// Least squares for cosine and sine parts of the given orders beside a level for either part, with the
/// standard uncertainty of one of them.
fn harmonics(
    time_s: &[f64],
    y: &[f64],
    flat: &Flat,
    period_s: f64,
    orders: &[usize],
) -> Option<(Vec<(f64, f64)>, f64)> {
    let p = 2 + 2 * orders.len();
    let (mut normal, mut right) = (DMatrix::<f64>::zeros(p, p), DVector::<f64>::zeros(p));
    let mut row = vec![0.0; p];
    let (mut squares, mut count) = (0.0, 0.0);
    for (part, range) in [0..flat.until, flat.from..flat.end].into_iter().enumerate() {
        for i in range {
            row[part] = 1.0;
            row[1 - part] = 0.0;
            let (sin, cos) = (TAU * time_s[i] / period_s).sin_cos();
            // Powers of one rotation instead of a sine for every order.
            let (mut c, mut s, mut order) = (1.0, 0.0, 0);
            for (slot, k) in orders.iter().enumerate() {
                while order < *k {
                    (c, s) = (c * cos - s * sin, s * cos + c * sin);
                    order += 1;
                }
                row[2 + 2 * slot] = c;
                row[3 + 2 * slot] = s;
            }
            for a in 0..p {
                for b in 0..=a {
                    normal[(a, b)] += row[a] * row[b];
                }
                right[a] += row[a] * y[i];
            }
            squares += y[i] * y[i];
            count += 1.0;
        }
    }
    for part in 0..2 {
        if normal[(part, part)] == 0.0 {
            normal[(part, part)] = 1.0;
        }
    }
    for a in 0..p {
        for b in 0..a {
            normal[(b, a)] = normal[(a, b)];
        }
    }
    if count < 2.0 * p as f64 {
        return None;
    }
    let solution = normal.cholesky()?.solve(&right);
    let left = (squares - solution.dot(&right)).max(0.0) / (count - p as f64);
    let u = (2.0 * left / count).sqrt();
    Some((solution.as_slice()[2..].chunks(2).map(|pair| (pair[0], pair[1])).collect(), u))
}

/// Fast Fourier transform in place, length a power of two (Cooley and Tukey, Math. Comp. 19, 1965).
fn fourier(values: &mut [(f64, f64)]) {
    let n = values.len();
    let bits = n.trailing_zeros();
    for i in 0..n {
        let j = i.reverse_bits() >> (usize::BITS - bits);
        if i < j {
            values.swap(i, j);
        }
    }
    let mut size = 2;
    while size <= n {
        let turn = -TAU / size as f64;
        for start in (0..n).step_by(size) {
            for k in 0..size / 2 {
                let (sin, cos) = (turn * k as f64).sin_cos();
                let (a, b) = (values[start + k], values[start + k + size / 2]);
                let turned = (b.0 * cos - b.1 * sin, b.0 * sin + b.1 * cos);
                values[start + k] = (a.0 + turned.0, a.1 + turned.1);
                values[start + k + size / 2] = (a.0 - turned.0, a.1 - turned.1);
            }
        }
        size *= 2;
    }
}
