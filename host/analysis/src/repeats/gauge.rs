//! The crossed gauge study: every appraiser measures every part several times. On a bench an appraiser
//! is an operator, a bench or a day, and a part is a pump.
//!
//! By ranges and by analysis of variance, as the AIAG's Measurement Systems Analysis reference manual
//! (4th edition, chapter III-B) has them.

use super::anova::exceeded;
use crate::reason::Unmeasured;
use crate::series::{check_count, check_finite};
use crate::stats::{extremes, mean};

/// An interaction that chance explains with at least this probability is no interaction, and its sum of
/// squares joins the error (Bancroft, Biometrics 20, 1964, from memory: a preliminary test at 25 % leaves
/// the later ones at about their level).
pub const INTERACTION_POOLED_P: f64 = 0.25;

/// 1/d2 for ranges of 2 to 5 values, many ranges: the manual's K1.
const OF_MANY_RANGES: [f64; 4] = [0.8862, 0.5908, 0.4857, 0.4299];

/// 1/d2* for the range of 2 to 10 values, a single range: the manual's K2 and K3. Equal to
/// 1/sqrt(E(W^2)) of the range W of normal values.
#[expect(clippy::approx_constant, reason = "a table with the digits it is printed with")]
const OF_ONE_RANGE: [f64; 9] = [0.7071, 0.5231, 0.4467, 0.4030, 0.3742, 0.3534, 0.3375, 0.3249, 0.3146];

/// Distinct categories: parts are told apart in steps of the gauge's scatter over the root of two, which
/// the manual rounds.
const CATEGORIES: f64 = 1.41;

/// A complete study.
#[derive(Clone, Copy, Debug)]
pub struct CrossedStudy<'a> {
    /// The readings, trial after trial of one appraiser, appraiser after appraiser of one part, part after
    /// part.
    pub values: &'a [f64],
    /// Number of parts.
    pub parts: usize,
    /// Number of appraisers.
    pub appraisers: usize,
    /// Number of trials of each appraiser with each part.
    pub trials: usize,
}

/// Standard deviations, in the unit of the readings, of what makes readings differ.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GaugeShares {
    /// Between readings of one appraiser of one part: equipment.
    pub repeatability: f64,
    /// Between appraisers, interaction with parts included.
    pub reproducibility: f64,
    /// Both of these together.
    pub gauge: f64,
    /// Between parts.
    pub part: f64,
    /// All of it.
    pub total: f64,
}

impl GaugeShares {
    fn of(repeatability: f64, reproducibility: f64, part: f64) -> GaugeShares {
        let gauge = repeatability.hypot(reproducibility);
        GaugeShares { repeatability, reproducibility, gauge, part, total: gauge.hypot(part) }
    }

    /// How many kinds of parts the gauge tells apart: whole, at least 1.
    #[must_use]
    pub fn distinct_categories(&self) -> usize {
        // A gauge without any scatter tells everything apart: the conversion saturates.
        (CATEGORIES * self.part / self.gauge).max(1.0) as usize
    }
}

impl CrossedStudy<'_> {
    fn check(&self) -> Result<(), Unmeasured> {
        for count in [self.parts, self.appraisers, self.trials] {
            check_count(count, 2)?;
        }
        let needed = self.parts * self.appraisers * self.trials;
        if self.values.len() != needed {
            return Err(Unmeasured::Unpaired { left: self.values.len(), right: needed });
        }
        check_finite(self.values)
    }

    /// The trials of one appraiser with one part, for all of both.
    fn cells(&self) -> impl Iterator<Item = &[f64]> {
        self.values.chunks_exact(self.trials)
    }

    fn part_means(&self) -> Vec<f64> {
        self.values.chunks_exact(self.appraisers * self.trials).map(mean).collect()
    }

    fn appraiser_means(&self) -> Vec<f64> {
        let of = |appraiser: usize| -> Vec<f64> {
            self.cells().skip(appraiser).step_by(self.appraisers).flatten().copied().collect()
        };
        (0..self.appraisers).map(|appraiser| mean(&of(appraiser))).collect()
    }
}

fn range(values: &[f64]) -> f64 {
    let (least, most) = extremes(values.iter().copied());
    most - least
}

/// The factor of a table for `count` values, beginning with two.
fn factor(
    table: &[f64],
    name: &'static str,
    count: usize,
    expected: &'static str,
) -> Result<f64, Unmeasured> {
    let found = count as f64;
    table.get(count - 2).copied().ok_or(Unmeasured::Impossible { name, found, expected })
}

/// The study by averages and ranges.
///
/// # Errors
/// [`Unmeasured::TooFewSamples`] below two parts, appraisers or trials; [`Unmeasured::Unpaired`] when the
/// readings are not as many as these make; [`Unmeasured::NotANumber`]; [`Unmeasured::Impossible`] beyond
/// the tables: 10 parts, 10 appraisers, 5 trials.
pub fn gauge_ranges(study: &CrossedStudy<'_>) -> Result<GaugeShares, Unmeasured> {
    study.check()?;
    let k1 = factor(&OF_MANY_RANGES, "the number of trials", study.trials, "2 to 5")?;
    let k2 = factor(&OF_ONE_RANGE, "the number of appraisers", study.appraisers, "2 to 10")?;
    let k3 = factor(&OF_ONE_RANGE, "the number of parts", study.parts, "2 to 10")?;
    let ranges: Vec<f64> = study.cells().map(range).collect();
    let repeatability = mean(&ranges) * k1;
    // Appraisers' means differ by their own scatter too, which is taken off again.
    let seen = range(&study.appraiser_means()) * k2;
    let by_chance = repeatability.powi(2) / (study.parts * study.trials) as f64;
    let reproducibility = (seen.powi(2) - by_chance).max(0.0).sqrt();
    Ok(GaugeShares::of(repeatability, reproducibility, range(&study.part_means()) * k3))
}

/// The study by analysis of variance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GaugeAnova {
    /// Sums of squares of parts, appraisers, interaction and error, in this order.
    pub squares: [f64; 4],
    /// Their degrees of freedom.
    pub freedom: [f64; 4],
    /// Ratio of the mean squares of interaction and error.
    pub interaction_f: f64,
    /// Probability that chance alone makes so large a ratio.
    pub interaction_p: f64,
    /// What it comes to, with the interaction pooled into the error where
    /// [`INTERACTION_POOLED_P`] says so.
    pub shares: GaugeShares,
}

/// The study by analysis of variance with two random factors and their interaction.
///
/// # Errors
/// As [`gauge_ranges`], without its tables' bounds.
pub fn gauge_anova(study: &CrossedStudy<'_>) -> Result<GaugeAnova, Unmeasured> {
    study.check()?;
    let [p, a, t] = [study.parts, study.appraisers, study.trials].map(|count| count as f64);
    let all = mean(study.values);
    let off = |means: &[f64]| means.iter().map(|m| (m - all).powi(2)).sum::<f64>();
    let cell_means: Vec<f64> = study.cells().map(mean).collect();
    let (part_means, appraiser_means) = (study.part_means(), study.appraiser_means());
    let (part, appraiser) = (a * t * off(&part_means), p * t * off(&appraiser_means));
    let expected = part_means.iter().flat_map(|p| appraiser_means.iter().map(move |a| p + a - all));
    let interaction = t * cell_means.iter().zip(expected).map(|(m, e)| (m - e).powi(2)).sum::<f64>();
    let within = study.cells().zip(&cell_means);
    let error: f64 = within.flat_map(|(cell, m)| cell.iter().map(move |v| (v - m).powi(2))).sum();
    let squares = [part, appraiser, interaction, error];
    let freedom = [p - 1.0, a - 1.0, (p - 1.0) * (a - 1.0), p * a * (t - 1.0)];
    let [ms_part, ms_appraiser, ms_interaction, ms_error] = [0, 1, 2, 3].map(|k| squares[k] / freedom[k]);
    let interaction_f = ms_interaction / ms_error;
    let interaction_p = exceeded(interaction_f, freedom[2], freedom[3]);

    let pooled = interaction_p > INTERACTION_POOLED_P;
    let (repeatability, against) = if pooled {
        let ms = (interaction + error) / (freedom[2] + freedom[3]);
        (ms, ms)
    } else {
        (ms_error, ms_interaction)
    };
    let excess = |ms: f64, below: f64, readings: f64| ((ms - below) / readings).max(0.0);
    let by_part = if pooled { 0.0 } else { excess(ms_interaction, ms_error, t) };
    let reproducibility = excess(ms_appraiser, against, p * t) + by_part;
    let part = excess(ms_part, against, a * t);
    let shares = GaugeShares::of(repeatability.sqrt(), reproducibility.sqrt(), part.sqrt());
    Ok(GaugeAnova { squares, freedom, interaction_f, interaction_p, shares })
}
