//! Student's t distribution, and the normal one as its limit.

use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

/// Above this many degrees of freedom Student's t is expanded about the normal distribution; the
/// library's inverse of the incomplete beta function loses digits there (5e-6 at 1e5).
const DEGREES_OF_FREEDOM_MANY: f64 = 1.0e3;

/// Two-sided quantile: the value t with P(|T| <= t) = `probability`.
pub(super) fn two_sided(probability: f64, degrees_of_freedom: f64) -> f64 {
    assert!(
        probability > 0.0 && probability < 1.0,
        "a coverage probability lies between 0 and 1, found {probability}"
    );
    let below = f64::midpoint(1.0, probability);
    if degrees_of_freedom > DEGREES_OF_FREEDOM_MANY {
        // Abramowitz and Stegun 26.7.5, first two terms; the third is below 1e-8 here.
        let z = Normal::standard().inverse_cdf(below);
        let first = (z.powi(3) + z) / (4.0 * degrees_of_freedom);
        let second = (5.0 * z.powi(5) + 16.0 * z.powi(3) + 3.0 * z) / (96.0 * degrees_of_freedom.powi(2));
        return z + first + second;
    }
    // The constructor refuses only a scale or a freedom that is not positive; neither can be here.
    StudentsT::new(0.0, 1.0, degrees_of_freedom).map_or(f64::INFINITY, |t| t.inverse_cdf(below))
}

/// The probability that a quantity lies below `limit` when all that is known of it is an `estimate` with
/// its `standard_uncertainty` and its degrees of freedom: a t distribution about the estimate, scaled by
/// the standard uncertainty (JCGM 101:2008, 6.4.9.2), the normal one when they are infinite. Without
/// uncertainty it is 0 or 1, and 1 at the limit itself. All in one unit.
#[must_use]
pub fn probability_below(
    limit: f64,
    estimate: f64,
    standard_uncertainty: f64,
    degrees_of_freedom: f64,
) -> f64 {
    if standard_uncertainty == 0.0 {
        return f64::from(u8::from(estimate <= limit));
    }
    let t = (limit - estimate) / standard_uncertainty;
    if degrees_of_freedom > DEGREES_OF_FREEDOM_NORMAL {
        return Normal::standard().cdf(t);
    }
    StudentsT::new(0.0, 1.0, degrees_of_freedom).map_or(f64::NAN, |distribution| distribution.cdf(t))
}

/// Above this many degrees of freedom probabilities differ from those of the normal distribution by less
/// than 2e-8, and the logarithm of the gamma function that Student's t needs begins to lose as much.
const DEGREES_OF_FREEDOM_NORMAL: f64 = 1.0e7;
