//! Bubbles make flows uneven: noise while there is gas, and slugs that stop the meter.
//!
//! Invented in size and shape (no source); to be tuned on a rig.

use crate::noise::{Purpose, Stream};

/// Spacing of samples, us.
const SAMPLE_US: u64 = 1_000;
/// Duration of a drop-out of the meter when a slug of gas passes, us.
const SLUG_US: u64 = 100_000;
/// Below this gas share there are no bubbles.
const BUBBLE_FREE: f64 = 1e-6;
/// Correlation time of bubble noise, s (from memory; tune by measurement).
const BUBBLE_TIME_S: f64 = 50e-3;

/// Lumpiness of a bubbly flow: an Ornstein-Uhlenbeck process of deviation 1, exact at its samples.
#[derive(Clone, Debug)]
struct Process {
    stream: Stream,
    value: f64,
    decay: f64,
    spread: f64,
}

impl Process {
    /// A process sampled every `every_s`.
    fn new(seed: u64, purpose: Purpose, every_s: f64) -> Self {
        let decay = libm::exp(-every_s / BUBBLE_TIME_S);
        Self {
            stream: Stream::new(seed, purpose),
            value: 0.0,
            decay,
            spread: libm::sqrt(1.0 - decay * decay),
        }
    }

    /// The next sample while there is gas; without gas the process stops and reads 0.
    fn sample(&mut self, gas: bool) -> f64 {
        self.value = if gas { self.value * self.decay + self.spread * self.stream.gaussian() } else { 0.0 };
        self.value
    }

    /// Whether something with `probability` happens at this sample.
    fn happens(&mut self, probability: f64) -> bool {
        probability > 0.0 && self.stream.uniform() < probability
    }
}

/// Bubbles of return line and gallery.
#[derive(Clone, Debug)]
pub(crate) struct Bubbles {
    return_line: Process,
    gallery: Process,
    return_now: f64,
    /// Noise on the pump's intake, standard normal; 0 without gas.
    pub gallery_now: f64,
    slug_until_us: u64,
    waited_us: u64,
}

/// Where gas is and whether it moves.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Gas {
    /// Gas share of the return line.
    pub return_share: f64,
    /// Gas share of the gallery.
    pub gallery_share: f64,
    /// Whether the shaft turns.
    pub turning: bool,
}

impl Bubbles {
    /// No bubbles yet.
    pub(crate) fn new(seed: u64) -> Self {
        let every_s = SAMPLE_US as f64 * 1e-6;
        Self {
            return_line: Process::new(seed, Purpose::ReturnBubbles, every_s),
            gallery: Process::new(seed, Purpose::GalleryBubbles, every_s),
            return_now: 0.0,
            gallery_now: 0.0,
            slug_until_us: 0,
            waited_us: 0,
        }
    }

    /// Moves on by `dt_us` to `now_us`, and returns what the flow meter sees of a return flow, m3/s: times
    /// `1 + 0.5 sqrt(phi (1 - phi)) n`, and nothing while a slug passes, one at a rate of `phi^2` per second.
    pub(crate) fn metered_m3_per_s(&mut self, flow_m3_per_s: f64, gas: Gas, dt_us: u64, now_us: u64) -> f64 {
        let share = gas.return_share;
        self.waited_us += dt_us;
        if self.waited_us >= SAMPLE_US {
            self.waited_us = 0;
            self.return_now = self.return_line.sample(share > BUBBLE_FREE && flow_m3_per_s > 0.0);
            self.gallery_now = self.gallery.sample(gas.gallery_share > BUBBLE_FREE && gas.turning);
            let probability = share * share * SAMPLE_US as f64 * 1e-6;
            if self.return_now != 0.0 && self.return_line.happens(probability) {
                self.slug_until_us = now_us + SLUG_US;
            }
        }
        if now_us < self.slug_until_us {
            0.0
        } else if self.return_now == 0.0 {
            flow_m3_per_s
        } else {
            flow_m3_per_s * (1.0 + 0.5 * libm::sqrt(share * (1.0 - share)) * self.return_now).max(0.0)
        }
    }
}
