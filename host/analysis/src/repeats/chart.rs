//! The individuals and moving-range chart (e-Handbook of Statistical Methods, 6.3.2.2).

use crate::reason::Unmeasured;
use crate::series::{check_count, check_finite};
use crate::stats::mean;

/// Mean range of two values of a normal distribution over its standard deviation, with the digits of the
/// published tables and examples (2/sqrt pi = 1.128379).
const D2_OF_TWO: f64 = 1.128;

/// Upper limit of a range of two over its mean (same tables).
const D4_OF_TWO: f64 = 3.267;

/// So many values in a row on the same side of the centre are a signal (e-Handbook, 6.3.2, WECO rules).
pub const SAME_SIDE_MAX: usize = 8;

/// Limits of a chart for single values.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct IndividualsChart {
    /// Mean of the values.
    pub centre: f64,
    /// Centre less three standard deviations as neighbours' differences tell them.
    pub lower: f64,
    /// Centre plus the same.
    pub upper: f64,
    /// Mean difference of neighbours.
    pub moving_range: f64,
    /// The largest difference of neighbours that chance makes.
    pub moving_range_upper: f64,
}

/// Why a value on the chart is a signal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rule {
    /// Beyond a limit, not on it.
    BeyondLimit,
    /// It and those before it, [`SAME_SIDE_MAX`] together, are on the same side of the centre.
    SameSide,
    /// It differs from the one before by more than the moving range's limit.
    Jump,
}

/// A value on the chart that chance does not explain.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Signal {
    /// Which value, counted from 0.
    pub index: usize,
    /// Why.
    pub rule: Rule,
}

impl IndividualsChart {
    /// The chart of values in the order in which they were found.
    ///
    /// # Errors
    /// [`Unmeasured::TooFewSamples`] below two values, [`Unmeasured::NotANumber`].
    pub fn of(values: &[f64]) -> Result<IndividualsChart, Unmeasured> {
        check_count(values.len(), 2)?;
        check_finite(values)?;
        let ranges: Vec<f64> = values.windows(2).map(|pair| (pair[1] - pair[0]).abs()).collect();
        let (centre, moving_range) = (mean(values), mean(&ranges));
        let reach = 3.0 * moving_range / D2_OF_TWO;
        Ok(IndividualsChart {
            centre,
            lower: centre - reach,
            upper: centre + reach,
            moving_range,
            moving_range_upper: D4_OF_TWO * moving_range,
        })
    }

    /// The signals among `values`: those the chart was made of, or later ones. In their order; one value
    /// can be a signal by several rules.
    #[must_use]
    pub fn signals(&self, values: &[f64]) -> Vec<Signal> {
        let mut signals = Vec::new();
        let mut in_a_row = 0;
        let mut last_side = 0.0;
        for (index, value) in values.iter().enumerate() {
            let side = if *value == self.centre { 0.0 } else { (value - self.centre).signum() };
            in_a_row = if side != 0.0 && side == last_side { in_a_row + 1 } else { 1 };
            last_side = side;
            let jumped = index > 0 && (value - values[index - 1]).abs() > self.moving_range_upper;
            for (rule, holds) in [
                (Rule::BeyondLimit, *value > self.upper || *value < self.lower),
                (Rule::SameSide, side != 0.0 && in_a_row >= SAME_SIDE_MAX),
                (Rule::Jump, jumped),
            ] {
                if holds {
                    signals.push(Signal { index, rule });
                }
            }
        }
        signals
    }
}
