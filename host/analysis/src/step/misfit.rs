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
/// Fewest blocks of the flat parts that are taken for the noise; below, neighbours' differences are.
const FLAT_BLOCKS_MIN: usize = 8;
/// A sound curve is refused once in so many recordings.
const PROBABILITY: f64 = 1.0e-3;

/// Whether residuals inside `response` (sample indices) exceed those outside it by more than chance
/// allows. `sd_least` is a standard deviation in each sample that means nothing.
pub(super) fn is_misfit(residuals: &[f64], response: (usize, usize), sd_least: f64) -> bool {
    let (from, to) = response;
    if to < from + 6 {
        return false;
    }
    let length = (to - from).div_ceil(BLOCKS).max(1);
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
    let ratio = moving / blocks as f64 / (flat + least);
    ratio > 1.0 && FisherSnedecor::new(blocks as f64, freedom).is_ok_and(|f| f.sf(ratio) < PROBABILITY)
}
