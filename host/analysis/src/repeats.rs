//! Statistics of repeated runs: how well a bench repeats itself, whether it has changed, and how much of
//! what it shows is the bench and how much the pumps.
//!
//! ```
//! use stepwell_analysis::repeats::{IndividualsChart, Rule, repeatability};
//! // One finding of two pumps, three runs each, in ohm.
//! let bench = repeatability(&[&[2.951, 2.957, 2.954], &[3.062, 3.060, 3.064]])?;
//! assert!((bench.standard_deviation - 0.00255).abs() < 0.00005);
//! assert_eq!(bench.degrees_of_freedom, 4.0);
//! // Two runs of one pump that differ by more than this are not explained by chance (95 %).
//! assert!((bench.limit() - 0.0071).abs() < 0.0001);
//!
//! // The same pump week after week: is the bench still what it was?
//! let chart = IndividualsChart::of(&[2.951, 2.957, 2.954, 2.958, 2.953, 2.955, 2.952, 2.956])?;
//! let later = chart.signals(&[2.955, 2.971]);
//! assert!(later.iter().any(|signal| signal.index == 1 && signal.rule == Rule::BeyondLimit));
//! # Ok::<(), stepwell_analysis::Unmeasured>(())
//! ```

mod anova;
mod capability;
mod chart;
mod gauge;

pub use anova::{Anova, one_way};
pub use capability::{Capability, Index, capability};
pub use chart::{IndividualsChart, Rule, SAME_SIDE_MAX, Signal};
pub use gauge::{CrossedStudy, GaugeAnova, GaugeShares, INTERACTION_POOLED_P, gauge_anova, gauge_ranges};

use crate::reason::Unmeasured;
use crate::series::{check_count, check_finite};
use crate::stats::standard_deviation;
use crate::uncertainty::NORMAL_95;

/// Scatter of results of the same thing, by the same means, within a short time (ISO 5725-2:2019,
/// repeatability).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Repeatability {
    /// Standard deviation of one result, pooled over the groups.
    pub standard_deviation: f64,
    /// Its degrees of freedom: results less groups.
    pub degrees_of_freedom: f64,
}

impl Repeatability {
    /// Two results differ by less than this with a probability of 95 %: 1.96 times the root of two times
    /// the standard deviation (ISO 5725-6:1994, 4.1; it rounds the factor to 2.8).
    #[must_use]
    pub fn limit(&self) -> f64 {
        NORMAL_95 * 2.0_f64.sqrt() * self.standard_deviation
    }
}

/// Repeatability from repeated results of several things: each group holds the results of one pump.
/// Groups of one result tell nothing and are passed over.
///
/// # Errors
/// [`Unmeasured::NotANumber`], counted within its group; [`Unmeasured::TooFewSamples`] when no group
/// holds two.
pub fn repeatability(groups: &[&[f64]]) -> Result<Repeatability, Unmeasured> {
    let mut squares = 0.0;
    let mut degrees_of_freedom = 0.0;
    for group in groups.iter().filter(|group| group.len() > 1) {
        check_finite(group)?;
        let free = group.len() as f64 - 1.0;
        squares += standard_deviation(group).powi(2) * free;
        degrees_of_freedom += free;
    }
    check_count(degrees_of_freedom as usize, 1)?;
    Ok(Repeatability { standard_deviation: (squares / degrees_of_freedom).sqrt(), degrees_of_freedom })
}
