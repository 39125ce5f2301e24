//! Analysis of variance with one factor.

use crate::reason::Unmeasured;
use crate::series::{check_count, check_finite};
use crate::stats::mean;
use statrs::distribution::{ContinuousCDF, FisherSnedecor};

/// What differs between groups against what differs within them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Anova {
    /// Sum of squares between groups.
    pub between_squares: f64,
    /// Its degrees of freedom: groups less one.
    pub between_freedom: f64,
    /// Sum of squares within groups.
    pub within_squares: f64,
    /// Its degrees of freedom: values less groups.
    pub within_freedom: f64,
}

impl Anova {
    /// Ratio of the mean squares. Infinite, or not a number, when nothing differs within groups.
    #[must_use]
    pub fn f(&self) -> f64 {
        (self.between_squares / self.between_freedom) / (self.within_squares / self.within_freedom)
    }

    /// Probability that chance alone makes so large a ratio or a larger one.
    #[must_use]
    pub fn p(&self) -> f64 {
        exceeded(self.f(), self.between_freedom, self.within_freedom)
    }

    /// Standard deviation within groups.
    #[must_use]
    pub fn within_sd(&self) -> f64 {
        (self.within_squares / self.within_freedom).sqrt()
    }

    /// Standard deviation of what the groups really differ by, for groups of `group_size` values each:
    /// zero when chance explains it all.
    #[must_use]
    pub fn between_sd(&self, group_size: usize) -> f64 {
        let excess = self.between_squares / self.between_freedom - self.within_squares / self.within_freedom;
        (excess / group_size as f64).max(0.0).sqrt()
    }
}

/// Probability of an F ratio of at least `f`; 0 for an infinite one, 1 for one that is no number.
pub(super) fn exceeded(f: f64, freedom: f64, freedom_below: f64) -> f64 {
    if f.is_nan() {
        return 1.0;
    }
    FisherSnedecor::new(freedom, freedom_below).map_or(1.0, |distribution| distribution.sf(f))
}

/// Analysis of variance of groups of values: do groups (benches, days, operators) differ by more than the
/// values within them? Groups may differ in size.
///
/// # Errors
/// [`Unmeasured::NotANumber`], counted within its group; [`Unmeasured::TooFewSamples`] below two groups,
/// for an empty group, and when no group holds two values.
pub fn one_way(groups: &[&[f64]]) -> Result<Anova, Unmeasured> {
    check_count(groups.len(), 2)?;
    for group in groups {
        check_count(group.len(), 1)?;
        check_finite(group)?;
    }
    let count: usize = groups.iter().map(|group| group.len()).sum();
    check_count(count, groups.len() + 1)?;
    // Values close to each other differ exactly in binary, so taking one of them off all costs nothing and
    // leaves the sums their digits.
    let offset = groups[0][0];
    let centred: Vec<Vec<f64>> =
        groups.iter().map(|group| group.iter().map(|v| v - offset).collect()).collect();
    let means: Vec<f64> = centred.iter().map(|group| mean(group)).collect();
    let all =
        centred.iter().zip(&means).map(|(group, mean)| group.len() as f64 * mean).sum::<f64>() / count as f64;
    let sized = || centred.iter().zip(&means);
    Ok(Anova {
        between_squares: sized().map(|(group, mean)| group.len() as f64 * (mean - all).powi(2)).sum(),
        between_freedom: groups.len() as f64 - 1.0,
        within_squares: sized().flat_map(|(group, mean)| group.iter().map(move |v| (v - mean).powi(2))).sum(),
        within_freedom: (count - groups.len()) as f64,
    })
}
