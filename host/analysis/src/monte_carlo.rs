//! Propagation of whole distributions by Monte Carlo (JCGM 101:2008), to check what the law of
//! propagation of uncertainty makes of a model that is not linear.
//!
//! The same seed gives the same numbers on every machine.

use crate::reason::Unmeasured;
use crate::series::check_count;
use crate::stats::{mean, standard_deviation};
use crate::uncertainty::{Input, Measured};
use rand_chacha::ChaCha8Rng;
use rand_core::{Rng, SeedableRng};
use std::f64::consts::TAU;

/// Fewest values from which an interval is read.
pub const VALUES_MIN: usize = 1_000;

/// What is known of an input (JCGM 101, 6.4, table 1). Widths are not negative.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Distribution {
    /// A best estimate and its standard uncertainty (6.4.7).
    Normal {
        /// Best estimate.
        mean: f64,
        /// Standard uncertainty.
        sd: f64,
    },
    /// Anywhere between two limits (6.4.2).
    Rectangular {
        /// Middle of the limits.
        centre: f64,
        /// Half their distance.
        half_width: f64,
    },
    /// The sum of two equal rectangular ones (6.4.5).
    Triangular {
        /// Middle of the limits.
        centre: f64,
        /// Half their distance.
        half_width: f64,
    },
    /// A sine wave at an unknown phase (6.4.6).
    Arcsine {
        /// Middle of the wave.
        centre: f64,
        /// Its amplitude.
        half_width: f64,
    },
    /// A mean of few readings: Student's t, shifted and scaled (6.4.9). Its standard deviation exceeds
    /// the scale.
    StudentT {
        /// Mean of the readings.
        mean: f64,
        /// Standard uncertainty of that mean.
        scale: f64,
        /// Readings less one; infinite for a normal distribution.
        degrees_of_freedom: f64,
    },
}

impl From<Input> for Distribution {
    fn from(input: Input) -> Distribution {
        Distribution::Normal { mean: input.value, sd: input.standard_uncertainty }
    }
}

impl From<&Measured> for Distribution {
    fn from(measured: &Measured) -> Distribution {
        Distribution::StudentT {
            mean: measured.value,
            scale: measured.standard_uncertainty(),
            degrees_of_freedom: measured.degrees_of_freedom(),
        }
    }
}

impl Distribution {
    fn draw(&self, random: &mut Random) -> f64 {
        match *self {
            Distribution::Normal { mean, sd } => mean + sd * random.t(f64::INFINITY),
            Distribution::StudentT { mean, scale, degrees_of_freedom } => {
                mean + scale * random.t(degrees_of_freedom)
            }
            Distribution::Rectangular { centre, half_width } => {
                centre + half_width * (2.0 * random.uniform() - 1.0)
            }
            Distribution::Triangular { centre, half_width } => {
                centre + half_width * (random.uniform() + random.uniform() - 1.0)
            }
            Distribution::Arcsine { centre, half_width } => {
                centre + half_width * (TAU * random.uniform()).sin()
            }
        }
    }
}

struct Random(ChaCha8Rng);

impl Random {
    /// Above 0, below 1: 53 random bits, in the middle of their step.
    fn uniform(&mut self) -> f64 {
        ((self.0.next_u64() >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    }

    /// Student's t from two uniform variables (Bailey, Math. Comp. 62, 1994), for which the method of
    /// Box and Muller is the limit of infinitely many degrees of freedom.
    fn t(&mut self, degrees_of_freedom: f64) -> f64 {
        let log = self.uniform().ln();
        let radius_squared = if degrees_of_freedom.is_finite() {
            degrees_of_freedom * (-2.0 * log / degrees_of_freedom).exp_m1()
        } else {
            -2.0 * log
        };
        radius_squared.sqrt() * (TAU * self.uniform()).cos()
    }
}

/// What the model made of the inputs.
#[derive(Clone, Debug, PartialEq)]
pub struct Propagated {
    /// Mean of the model's values: the estimate (7.6).
    pub mean: f64,
    /// Their standard deviation: the standard uncertainty (7.6).
    pub standard_uncertainty: f64,
    /// Trials in which the model had no value; what is told here holds for the others.
    pub refused: usize,
    /// The model's values in rising order: the distribution function in discrete form (7.5).
    pub values: Vec<f64>,
}

impl Propagated {
    /// The interval that leaves out equally much on both sides, for a coverage `probability` (7.7.2).
    ///
    /// # Panics
    /// If `probability` is not inside 0 to 1.
    #[must_use]
    pub fn symmetric_interval(&self, probability: f64) -> (f64, f64) {
        let inside = self.inside(probability);
        // The place r of the standard counts from 1.
        let below = (self.values.len() - inside).div_ceil(2).saturating_sub(1);
        (self.values[below], self.values[below + inside])
    }

    /// The shortest interval of a coverage `probability` (7.7.2 and 5.3.4). Its ends scatter more from
    /// seed to seed than its length does.
    ///
    /// # Panics
    /// If `probability` is not inside 0 to 1.
    #[must_use]
    pub fn shortest_interval(&self, probability: f64) -> (f64, f64) {
        let inside = self.inside(probability);
        let ends = self.values.iter().zip(&self.values[inside..]);
        ends.map(|(low, high)| (*low, *high))
            .reduce(|best, next| if next.1 - next.0 < best.1 - best.0 { next } else { best })
            .expect("an interval holds fewer values than there are")
    }

    /// Values between the ends of an interval: less than all of them.
    fn inside(&self, probability: f64) -> usize {
        assert!(
            probability > 0.0 && probability < 1.0,
            "a coverage probability lies between 0 and 1, found {probability}"
        );
        let values = self.values.len();
        ((probability * values as f64).round() as usize).min(values - 1)
    }
}

/// Draws independent inputs `trials` times and lets `model` compute a result from each set; a set for
/// which it has none (`None`) is counted and left out.
///
/// ```
/// use stepwell_analysis::monte_carlo::{Distribution, propagate};
/// let volt = Distribution::Normal { mean: 12.0, sd: 0.06 };
/// let ampere = Distribution::StudentT { mean: 4.0, scale: 0.01, degrees_of_freedom: 9.0 };
/// let ohm = propagate(&[volt, ampere], 100_000, 1, |[v, i]| (*i > 0.0).then(|| v / i))?;
/// assert!((ohm.mean - 3.0).abs() < 0.001);
/// let (low, high) = ohm.symmetric_interval(0.95);
/// assert!(low < 3.0 - 1.9 * 0.0168 && 3.0 + 1.9 * 0.0168 < high);
/// # Ok::<(), stepwell_analysis::Unmeasured>(())
/// ```
///
/// # Errors
/// [`Unmeasured::TooFewSamples`] when the model has a finite value for fewer than [`VALUES_MIN`] sets.
pub fn propagate<const N: usize>(
    inputs: &[Distribution; N],
    trials: usize,
    seed: u64,
    model: impl Fn(&[f64; N]) -> Option<f64>,
) -> Result<Propagated, Unmeasured> {
    let mut random = Random(ChaCha8Rng::seed_from_u64(seed));
    let mut values: Vec<f64> = (0..trials)
        .filter_map(|_| model(&inputs.map(|input| input.draw(&mut random))))
        .filter(|value| value.is_finite())
        .collect();
    check_count(values.len(), VALUES_MIN)?;
    values.sort_unstable_by(f64::total_cmp);
    Ok(Propagated {
        mean: mean(&values),
        standard_uncertainty: standard_deviation(&values),
        refused: trials - values.len(),
        values,
    })
}
