//! The largest difference of settled points at one duty, straight from the points.
//!
//! A smooth curve lowers a peak that stands in one or two of few points. Where the points are known
//! better than that, they speak for themselves (IEC 61298-2, from memory: the largest difference between
//! the readings at one input).

use super::{DRAWS, GAIN_SHARE, SAME_SHARE, SEED, SweepPoint};
use crate::stats::{mean, standard_deviation};
use crate::uncertainty::Measured;
use rand_chacha::ChaCha8Rng;
use rand_core::{Rng, SeedableRng};
use statrs::distribution::{ContinuousCDF, Normal};

/// Hysteresis over the output span. `None` unless every duty but the one that the ways share was come to
/// from both sides, and the scatter of every point is known.
pub(super) fn hysteresis(up: &[SweepPoint], down: &[SweepPoint]) -> Option<Measured> {
    let [first, .., top] = up else { return None };
    let known = up.iter().chain(down).all(|point| point.standard_uncertainty > 0.0);
    let near = SAME_SHARE * (top.duty - first.duty).abs();
    let back = |of: &SweepPoint| down.iter().find(|point| (point.duty - of.duty).abs() <= near);
    let pairs: Vec<(f64, f64)> = up[..up.len() - 1]
        .iter()
        .map(|point| {
            let other = back(point)?;
            let u = point.standard_uncertainty.hypot(other.standard_uncertainty);
            Some((other.output - point.output, u))
        })
        .collect::<Option<_>>()?;
    let span = (top.output - f64::midpoint(first.output, back(first)?.output)).abs();
    if !known || span == 0.0 {
        return None;
    }
    let largest = pairs.iter().map(|(difference, _)| difference.abs()).fold(0.0, f64::max);
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    let normal = Normal::standard();
    let draws: Vec<f64> = (0..DRAWS)
        .map(|_| {
            let mut drawn = |(difference, u): &(f64, f64)| {
                let z = normal.inverse_cdf((rng.next_u32() as f64 + 0.5) / 2.0_f64.powi(32));
                (difference + u * z).abs()
            };
            pairs.iter().map(&mut drawn).fold(0.0, f64::max)
        })
        .collect();
    let value = (largest - GAIN_SHARE * (mean(&draws) - largest)).max(0.0) / span;
    let u_span = top.standard_uncertainty.hypot(0.5 * pairs[0].1);
    Some(
        Measured::new(value)
            .with_given("scatter of the settled points", 1.0, standard_deviation(&draws) / span)
            .with_given("span of the output", value / span, u_span),
    )
}
