//! Random numbers of a trial: one stream a seed, the same on every machine.

use rand_chacha::ChaCha8Rng;
use rand_core::{Rng, SeedableRng};
use std::f64::consts::TAU;

/// A stream of random numbers.
#[derive(Debug)]
pub struct Noise(ChaCha8Rng);

impl Noise {
    /// The stream of a seed.
    #[must_use]
    pub fn new(seed: u64) -> Noise {
        Noise(ChaCha8Rng::seed_from_u64(seed))
    }

    /// Anywhere between two values, all equally likely.
    pub fn uniform(&mut self, from: f64, to: f64) -> f64 {
        // 53 random bits, in the middle of their step: never 0, never 1.
        let share = ((self.0.next_u64() >> 11) as f64 + 0.5) / (1_u64 << 53) as f64;
        from + (to - from) * share
    }

    /// Between two positive values, every ratio equally likely.
    pub fn log_uniform(&mut self, from: f64, to: f64) -> f64 {
        self.uniform(from.ln(), to.ln()).exp()
    }

    /// Normal with mean 0 (Box and Muller, Ann. Math. Stat. 29, 1958).
    pub fn normal(&mut self, standard_deviation: f64) -> f64 {
        let radius = (-2.0 * self.uniform(0.0, 1.0).ln()).sqrt();
        standard_deviation * radius * self.uniform(0.0, TAU).cos()
    }
}
