//! The rough shape of a step: levels, places on the way and the highest point, good enough to start a
//! fit from.

use crate::series::smoothed;
use crate::stats::mean;

/// Samples are averaged until their noise is below this share of the change.
const NOISE_SHARE: f64 = 0.05;
/// Shares of a record that are taken for its first and its last level where nothing better is known.
const FIRST_SHARE: f64 = 0.05;
const LAST_SHARE: f64 = 0.1;
/// The onset is looked for over so many time constants before the middle of the rise.
const BACK_TIME_CONSTANTS: f64 = 20.0;

/// Rough shape of a step.
#[derive(Clone, Copy, Debug)]
pub(super) struct Rough {
    pub(super) before: f64,
    pub(super) change: f64,
    /// Times at which 10, 50 and 90 % of the change are passed, s.
    pub(super) early_s: f64,
    pub(super) middle_s: f64,
    pub(super) late_s: f64,
    /// Time constant by the rule of two points, s.
    pub(super) tau_s: f64,
    /// First sample that may follow the onset, and first sample beyond the middle.
    pub(super) lowest: usize,
    pub(super) middle: usize,
    /// Highest point beyond the level after, as a share of the change.
    pub(super) overshoot: f64,
}

impl Rough {
    /// Shape of `y`, whose first `edge` samples lie before the step where that is known. `None` when
    /// the middle of the rise is not inside the record.
    pub(super) fn of(time_s: &[f64], y: &[f64], edge: Option<usize>) -> Option<Rough> {
        let n = y.len();
        let first = edge.unwrap_or(0).max((FIRST_SHARE * n as f64) as usize).max(4).min(n);
        let before = mean(&y[..edge.filter(|e| *e >= 4).unwrap_or(first)]);
        let change = mean(&y[n - ((LAST_SHARE * n as f64) as usize).clamp(4, n)..]) - before;
        // Enough for how much to smooth: second differences, of which a kink is but one.
        let second: f64 = y.windows(3).map(|w| (w[0] - 2.0 * w[1] + w[2]).powi(2)).sum();
        let noise = (second / (6.0 * n as f64)).sqrt() / change.abs();
        let half = ((noise / NOISE_SHARE).powi(2) / 2.0).min(n as f64 / 40.0) as usize;
        let way: Vec<f64> = smoothed(y, half).iter().map(|v| (v - before) / change).collect();
        let start = edge.unwrap_or(0);
        let middle = (start..n).find(|i| way[*i] >= 0.5).filter(|i| *i >= 2 && *i + 4 < n)?;
        // From the middle outward, so that noise on the flat parts is never met first.
        let upward = |share: f64| (middle..n).find(|i| way[*i] >= share).unwrap_or(n - 1);
        let downward = |share: f64| (1..=middle).rev().find(|i| way[i - 1] < share).unwrap_or(1);
        let passed_s = |i: usize, share: f64| {
            let i = i.max(1);
            let (from, to) = (way[i - 1], way[i]);
            let part = if to > from { ((share - from) / (to - from)).clamp(0.0, 1.0) } else { 0.5 };
            time_s[i - 1] + part * (time_s[i] - time_s[i - 1])
        };
        let at_s = |share: f64| passed_s(if share < 0.5 { downward(share) } else { upward(share) }, share);
        // Exact for first order with dead time: t63.2 - t28.3 = 0.667 tau.
        let spacing_s = (time_s[n - 1] - time_s[0]) / (n - 1) as f64;
        let tau_s = ((at_s(0.632) - at_s(0.283)) / 0.667).max(0.3 * spacing_s);
        let middle_s = at_s(0.5);
        let back_s = middle_s - BACK_TIME_CONSTANTS * tau_s;
        Some(Rough {
            before,
            change,
            early_s: at_s(0.1),
            middle_s,
            late_s: at_s(0.9).max(middle_s + 0.5 * spacing_s),
            tau_s,
            lowest: time_s.partition_point(|t| *t < back_s).max(1),
            middle,
            overshoot: way[middle..].iter().copied().fold(f64::NEG_INFINITY, f64::max) - 1.0,
        })
    }
}
