//! Capability: how a scatter compares with a tolerance (e-Handbook of Statistical Methods, 6.1.6).

use crate::reason::Unmeasured;
use crate::series::{check_count, check_positive};
use crate::uncertainty::{COVERAGE_PROBABILITY, NORMAL_95};
use statrs::distribution::{ChiSquared, ContinuousCDF};

/// An index with its 95 % confidence interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Index {
    /// Estimate.
    pub value: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end of the interval.
    pub high: f64,
}

/// Capability indices.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Capability {
    /// Width of the tolerance over six standard deviations; `None` where one end is open. The interval
    /// follows from the chi-square distribution of the variance.
    pub cp: Option<Index>,
    /// Distance from the mean to the nearer limit over three standard deviations, negative outside. The
    /// interval is that of Bissell (Appl. Statist. 39, 1990, from memory), an approximation.
    pub cpk: Index,
}

/// Capability of `count` independent values with a `mean` and a `standard_deviation` against limits, all
/// in one unit; an end without a limit is `None`.
///
/// # Errors
/// [`Unmeasured::TooFewSamples`] below two values; [`Unmeasured::Impossible`] for a standard deviation that
/// is not above zero or limits in the wrong order; [`Unmeasured::NotGiven`] without any limit.
pub fn capability(
    mean: f64,
    standard_deviation: f64,
    count: usize,
    lower: Option<f64>,
    upper: Option<f64>,
) -> Result<Capability, Unmeasured> {
    check_count(count, 2)?;
    check_positive("the standard deviation of the values", standard_deviation)?;
    let free = count as f64 - 1.0;
    let to_lower = lower.map(|lower| mean - lower);
    let to_upper = upper.map(|upper| upper - mean);
    let nearest = match (to_lower, to_upper) {
        (Some(a), Some(b)) => a.min(b),
        (Some(one), None) | (None, Some(one)) => one,
        (None, None) => {
            let what_to_do = "give at least one end";
            return Err(Unmeasured::NotGiven { name: "the tolerance", what_to_do });
        }
    };
    let cp = match (lower, upper) {
        (Some(lower), Some(upper)) => {
            check_positive("the width of the tolerance", upper - lower)?;
            let cp = (upper - lower) / (6.0 * standard_deviation);
            let root = |below: f64| (chi_square(below, free) / free).sqrt();
            let tail = (1.0 - COVERAGE_PROBABILITY) / 2.0;
            Some(Index { value: cp, low: cp * root(tail), high: cp * root(1.0 - tail) })
        }
        _ => None,
    };
    let cpk = nearest / (3.0 * standard_deviation);
    let half_width = NORMAL_95 * (1.0 / (9.0 * count as f64) + cpk * cpk / (2.0 * free)).sqrt();
    Ok(Capability { cp, cpk: Index { value: cpk, low: cpk - half_width, high: cpk + half_width } })
}

fn chi_square(below: f64, degrees_of_freedom: f64) -> f64 {
    // Refused only for a freedom that is not positive, which the caller has seen to.
    ChiSquared::new(degrees_of_freedom).map_or(f64::NAN, |distribution| distribution.inverse_cdf(below))
}
