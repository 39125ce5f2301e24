//! Whether what a fit leaves over is noise, and long recordings made short.

use crate::stats::{lag1_autocorrelation, mean, variance_inflation};

/// Residuals are looked at in so many blocks: enough to see a bend, few enough that each averages
/// its noise down.
const BLOCKS: usize = 12;

/// From so many samples on, the variance of a block is known well enough to compare blocks.
const LONG_BLOCK: usize = 20;

/// The chi-squared of that many blocks that noise exceeds once in 10 000 recordings.
const BLOCKS_CHI_SQUARED_MAX: f64 = 39.134;

/// A lag-1 autocorrelation is taken for real beyond this many of its standard deviations, 1/sqrt n.
const LAG1_DEVIATIONS: f64 = 3.0;

/// How far block means of residuals stray from zero.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Wander {
    /// Root mean square of the block means.
    pub(crate) rms: f64,
    /// More than noise explains.
    pub(crate) is_real: bool,
}

/// The slow part of residuals. What is below `negligible` is not looked at.
pub(crate) fn wander(residuals: &[f64], negligible: f64) -> Wander {
    let n = residuals.len();
    let blocks = BLOCKS.min(n / 3).max(1);
    let mut parts: Vec<(f64, Vec<f64>)> = Vec::with_capacity(blocks);
    let mut means = Vec::with_capacity(blocks);
    for k in 0..blocks {
        let block = &residuals[n * k / blocks..n * (k + 1) / blocks];
        let middle = mean(block);
        means.push((middle, block.len() as f64));
        let within: Vec<f64> = block.iter().map(|r| r - middle).collect();
        parts.push((within.iter().map(|d| d * d).sum::<f64>() / block.len() as f64, within));
    }
    // A misfit that fills one block must not pass for its noise: the least quiet quarter of long blocks
    // does not count.
    parts.sort_by(|a, b| a.0.total_cmp(&b.0));
    let quiet = if n >= LONG_BLOCK * blocks { blocks - blocks / 4 } else { blocks };
    let within: Vec<f64> = parts.into_iter().take(quiet).flat_map(|(_, within)| within).collect();
    let degrees = (within.len() - quiet).max(1) as f64;
    let variance = within.iter().map(|d| d * d).sum::<f64>() / degrees * inflation(&within);
    let squares: f64 = means.iter().map(|(m, count)| m * m * count).sum();
    let floor = negligible * negligible;
    Wander {
        rms: (squares / n.max(1) as f64).sqrt(),
        is_real: squares / (variance + floor * n as f64 / blocks as f64) > BLOCKS_CHI_SQUARED_MAX,
    }
}

/// How many times the likeness of neighbours inflates every variance of a fit: 1 unless it is real.
pub(crate) fn inflation(residuals: &[f64]) -> f64 {
    let surely = LAG1_DEVIATIONS / (residuals.len().max(1) as f64).sqrt();
    if lag1_autocorrelation(residuals) > surely { variance_inflation(residuals) } else { 1.0 }
}

/// Groups of neighbours so that at most `most` remain, as ranges of equal length (the last may be longer).
pub(crate) fn groups(n: usize, most: usize) -> impl Iterator<Item = core::ops::Range<usize>> {
    let each = n.div_ceil(most).max(1);
    let count = (n / each).max(1);
    (0..count).map(move |k| k * each..if k + 1 == count { n } else { (k + 1) * each })
}

/// A column with every group replaced by its mean.
pub(crate) fn thinned(values: &[f64], most: usize) -> Vec<f64> {
    if values.len() <= most {
        return values.to_vec();
    }
    groups(values.len(), most).map(|group| mean(&values[group])).collect()
}
