//! Randomness: one seeded stream per purpose, with a cheap Gaussian.
//!
//! Numbers are drawn only at sample instants, so a trajectory does not depend on how often anything else is read.

use rand_chacha::ChaCha8Rng;
use rand_core::{Rng, SeedableRng};

/// What a stream is for; part of its seed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Purpose {
    /// Tolerances drawn once.
    Tolerance,
    /// Noise of the analog channel with this index.
    Channel(usize),
    /// Noise of the burst samples of the coil with this index.
    Burst(usize),
    /// Spacing of flow-meter pulses.
    Meter,
    /// Bubbles in the return line.
    ReturnBubbles,
    /// Bubbles in the gallery.
    GalleryBubbles,
    /// The loose contact of the channel with this index.
    Contact(usize),
}

impl Purpose {
    fn number(self) -> u64 {
        match self {
            Self::Tolerance => 0,
            Self::Channel(k) => 0x100 + k as u64,
            Self::Burst(k) => 0x200 + k as u64,
            Self::Meter => 1,
            Self::ReturnBubbles => 2,
            Self::GalleryBubbles => 3,
            Self::Contact(k) => 0x300 + k as u64,
        }
    }
}

/// Mean of the sum of eight bytes.
const BYTES_MEAN: f64 = 8.0 * 127.5;
/// One over the standard deviation of that sum, `sqrt(8 (256^2 - 1)/12)`.
const PER_BYTES_DEVIATION: f64 = 1.0 / 209.021_53;

/// One stream of random numbers.
#[derive(Clone, Debug)]
pub struct Stream(ChaCha8Rng);

impl Stream {
    /// The stream for `purpose` under `seed`.
    pub fn new(seed: u64, purpose: Purpose) -> Self {
        let mut key = [0; 32];
        key[..8].copy_from_slice(&seed.to_le_bytes());
        key[8..16].copy_from_slice(&purpose.number().to_le_bytes());
        Self(ChaCha8Rng::from_seed(key))
    }

    /// A number with mean 0 and deviation 1, near enough Gaussian: the sum of eight random bytes (Irwin-Hall),
    /// kurtosis 2.85 instead of 3, never beyond 4.9.
    pub fn gaussian(&mut self) -> f64 {
        const EVEN: u64 = 0x00ff_00ff_00ff_00ff;
        const GATHER: u64 = 0x0001_0001_0001_0001;
        let bytes = self.0.next_u64();
        let pairs = (bytes & EVEN) + ((bytes >> 8) & EVEN);
        let sum = pairs.wrapping_mul(GATHER) >> 48;
        (sum as f64 - BYTES_MEAN) * PER_BYTES_DEVIATION
    }

    /// A number evenly spread over 0..1, never 0.
    pub fn uniform(&mut self) -> f64 {
        ((self.0.next_u64() >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    }

    /// A number evenly spread over -1..1.
    pub fn symmetric(&mut self) -> f64 {
        2.0 * self.uniform() - 1.0
    }

    /// A waiting time with mean `mean_s`, s.
    pub fn waiting_s(&mut self, mean_s: f64) -> f64 {
        -mean_s * libm::log(self.uniform())
    }
}
