//! Whether what a curve leaves of a recording is noise.
//!
//! Residuals along the response are summed in blocks, in which noise averages out and a wrong shape
//! does not, and compared with blocks of the same length where nothing happens. Noise that is alike
//! from sample to sample is so in both.

use super::scatter::Memory;
use crate::series::noise_sd;
use statrs::distribution::{ContinuousCDF, FisherSnedecor};

/// Blocks along the response.
const BLOCKS: usize = 24;
/// The same for shapes that are wrong all along.
const COARSE_BLOCKS: usize = 8;
/// Fewest blocks of the flat parts that are taken for the noise; below, neighbours' differences are.
const FLAT_BLOCKS_MIN: usize = 8;
/// A sound curve is refused once in so many recordings.
const PROBABILITY: f64 = 1.0e-3;

/// What a curve leaves beyond noise.
#[derive(Clone, Copy, Debug)]
pub(super) struct Misfit {
    /// It leaves more than noise.
    pub(super) is_plain: bool,
    /// What may hide in what it leaves, as a multiple of the uncertainty from scatter.
    pub(super) hidden: f64,
}

impl Misfit {
    /// Compares residuals inside `response` (sample indices) with those outside it. `sd_least` is a standard
    /// deviation in each sample that means nothing.
    pub(super) fn of(residuals: &[f64], response: (usize, usize), sd_least: f64) -> Misfit {
        let fine = ratio(residuals, response, sd_least, BLOCKS);
        let coarse = ratio(residuals, response, sd_least, COARSE_BLOCKS);
        let surprises = |found: Option<(f64, f64, f64)>| {
            found.is_some_and(|(ratio, blocks, freedom)| {
                ratio > 1.0
                    && FisherSnedecor::new(blocks, freedom).is_ok_and(|f| f.sf(ratio) < PROBABILITY / 2.0)
            })
        };
        let hidden = coarse.map_or(0.0, |(ratio, blocks, freedom)| {
            (ratio - 1.0 - (2.0 / blocks + 2.0 / freedom).sqrt()).max(0.0).sqrt()
        });
        Misfit { is_plain: surprises(fine) || surprises(coarse), hidden }
    }
}

/// Power of the blocks' means inside `response` over that outside, and both counts of blocks.
fn ratio(
    residuals: &[f64],
    (from, to): (usize, usize),
    sd_least: f64,
    blocks: usize,
) -> Option<(f64, f64, f64)> {
    if to < from + 6 {
        return None;
    }
    let length = (to - from).div_ceil(blocks).max(1);
    let powers = |part: &[f64]| {
        let blocks = part.chunks_exact(length);
        let count = blocks.len();
        (blocks.map(|b| b.iter().sum::<f64>().powi(2)).sum::<f64>() / length as f64, count)
    };
    let (moving, blocks) = powers(&residuals[from..to]);
    let (early, late) = (powers(&residuals[..from]), powers(&residuals[to..]));
    let flat_blocks = early.1 + late.1;
    let (flat, freedom) = if flat_blocks >= FLAT_BLOCKS_MIN {
        ((early.0 + late.0) / flat_blocks as f64, flat_blocks as f64)
    } else {
        // Differences do not see what neighbours share; their own residuals tell that, if they can.
        let inflation = Memory::of(&residuals[to..]).inflation();
        (noise_sd(residuals).powi(2) * inflation, (residuals.len() as f64 / 4.0).max(2.0))
    };
    let least = sd_least * sd_least * length as f64;
    Some((moving / blocks as f64 / (flat + least), blocks as f64, freedom))
}
