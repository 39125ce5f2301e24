//! How probable it is that what was measured conforms (JCGM 106:2012, clause 7).

use crate::finding::Value;
use crate::sheet::Tolerance;
use stepwell_analysis::uncertainty::probability_below;

/// Probability, 0 to 1, that the true value lies within `tolerance`, its limits included, as the
/// measurement alone tells it: the true value is taken to be distributed about the estimate as Student's t
/// with the effective degrees of freedom, scaled by the standard uncertainty; as the normal distribution
/// when they are infinite (JCGM 106:2012, 7.2 to 7.4; JCGM 101:2008, 6.4.9). An open end is never
/// exceeded.
///
/// `None` for a value that is no number, and for one whose degrees of freedom were not kept.
#[must_use]
pub fn probability_of_conformity(value: &Value, tolerance: &Tolerance) -> Option<f64> {
    let freedom = value.degrees_of_freedom?;
    let (estimate, u) = (value.estimate, value.standard_uncertainty());
    if !estimate.is_finite() || !u.is_finite() {
        return None;
    }
    let not_above = tolerance.max.map_or(1.0, |max| probability_below(max, estimate, u, freedom));
    // The mirror image, so that the limit itself conforms on this side too.
    let not_below = tolerance.min.map_or(1.0, |min| probability_below(-min, -estimate, u, freedom));
    Some((not_above + not_below - 1.0).clamp(0.0, 1.0))
}

#[cfg(test)]
mod tests {
    use super::{Tolerance, Value, probability_of_conformity};
    use crate::finding::{Verdict, judge};
    use stepwell_analysis::Measured;

    /// Whatever is measured with a normal distribution.
    fn normal(estimate: f64, u: f64) -> Value {
        Value::from(&Measured::new(estimate).with_given("all", 1.0, u))
    }

    fn within(min: f64, max: f64) -> Tolerance {
        Tolerance { min: Some(min), max: Some(max) }
    }

    const fn at_most(max: f64) -> Tolerance {
        Tolerance { min: None, max: Some(max) }
    }

    const fn at_least(min: f64) -> Tolerance {
        Tolerance { min: Some(min), max: None }
    }

    #[track_caller]
    fn assert_probability(value: &Value, tolerance: &Tolerance, expected: f64, off: f64) {
        let found = probability_of_conformity(value, tolerance).expect("a probability");
        assert!((found - expected).abs() <= off, "found {found}, expected {expected}");
    }

    /// JCGM 106:2012, 7.4, examples (from memory): a breakdown voltage, an oil's viscosity, a burst
    /// pressure; 0.92, 0.66 and 0.99 as published, more digits by scipy 1.17.1.
    #[test]
    fn examples_of_the_guide() {
        assert_probability(&normal(-5.47, 0.05), &at_most(-5.40), 0.919_243, 5e-7);
        assert_probability(&normal(13.6, 1.8), &within(12.5, 16.3), 0.662_630, 5e-7);
        assert_probability(&normal(509.7, 8.6), &at_least(490.0), 0.989_010, 5e-7);
    }

    /// One-sided factors of JCGM 106:2012, 7.3 (from memory), digits by scipy 1.17.1; 1.65 is that of
    /// ISO 14253-1:2017 for 95 %.
    #[test]
    fn one_sided_factors() {
        for (z, probability) in
            [(0.841_621, 0.80), (1.281_552, 0.90), (1.644_854, 0.95), (2.326_348, 0.99), (3.090_232, 0.999)]
        {
            assert_probability(&normal(5.0 - 0.2 * z, 0.2), &at_most(5.0), probability, 2e-7);
            assert_probability(&normal(5.0 + 0.2 * z, 0.2), &at_least(5.0), probability, 2e-7);
        }
    }

    /// Both limits matter where the uncertainty is not small against the tolerance: within 0 to 10 with
    /// 0.2, and within -1 to 1 with 0.4, where 0.340493 is the farthest value with 95 %. By scipy 1.17.1.
    #[test]
    fn two_limits() {
        for (y, probability) in [
            (9.5, 0.993_790),
            (9.6, 0.977_250),
            (9.7, 0.933_193),
            (9.8, 0.841_345),
            (9.9, 0.691_462),
            (10.0, 0.5),
        ] {
            assert_probability(&normal(y, 0.2), &within(0.0, 10.0), probability, 5e-7);
            assert_probability(&normal(10.0 - y, 0.2), &within(0.0, 10.0), probability, 5e-7);
        }
        assert_probability(&normal(0.340_493, 0.4), &within(-1.0, 1.0), 0.95, 1e-6);
    }

    /// JCGM 106:2012, 9.5 (scenario from memory): items of N(1500, 0.12) measured with 0.04 against
    /// 1500 ± 0.2, accepted within limits drawn in by w: risks of consumer and producer by numerical
    /// integration in scipy 1.17.1. Here from what is known of an item once it is measured.
    #[test]
    fn global_risks() {
        let (process, u, limit): (f64, f64, f64) = (0.12, 0.04, 0.2);
        let measured_sd = process.hypot(u);
        let weight = process.powi(2) / measured_sd.powi(2);
        let known_u = process * u / measured_sd;
        for (w, consumer, producer) in [
            (0.0, 0.018_942, 0.037_208),
            (0.04, 0.004_334, 0.114_657),
            (0.08, 0.000_469, 0.247_670),
            (-0.04, 0.044_898, 0.007_097),
        ] {
            let (mut wrongly_in, mut wrongly_out, mut good) = (0.0, 0.0, 0.0);
            // Midpoints over eight standard deviations; the acceptance limits fall between two of them.
            let step = 1e-4;
            for k in -12_000..12_000 {
                let y = (f64::from(k) + 0.5) * step;
                let density =
                    (-0.5 * (y / measured_sd).powi(2)).exp() / (measured_sd * std::f64::consts::TAU.sqrt());
                let known = normal(weight * y, known_u);
                let p = probability_of_conformity(&known, &within(-limit, limit)).expect("a probability");
                good += density * p * step;
                if y.abs() <= limit - w {
                    wrongly_in += density * (1.0 - p) * step;
                } else {
                    wrongly_out += density * p * step;
                }
            }
            assert!((good - 0.904_419).abs() < 2e-6, "{good}");
            assert!((wrongly_in - consumer).abs() < 2e-6, "w {w}: {wrongly_in}");
            assert!((wrongly_out - producer).abs() < 2e-6, "w {w}: {wrongly_out}");
        }
    }

    /// Risk at the acceptance limit with a guard band of r times U = 2 u: 2.275, 4.947 and 50 % for
    /// r = 1, 0.825 and 0 (ILAC-G8:09/2019, 5.2; JCGM 106:2012, 8.3.3; digits by scipy 1.17.1).
    #[test]
    fn risk_at_the_acceptance_limit() {
        for (r, risk) in [(1.0, 0.022_75), (0.825, 0.049_47), (0.0, 0.5)] {
            assert_probability(&normal(7.0 - r * 2.0 * 0.3, 0.3), &at_most(7.0), 1.0 - risk, 5e-6);
        }
    }

    /// The worst pass and the worst conditional fail, whatever the degrees of freedom: the guard band is
    /// the half-width of a 95 % interval, so 2.5 % are left on the one side that counts.
    #[test]
    fn a_pass_is_right_in_at_least_39_of_40_cases() {
        for freedom in [2.0, 5.0, 17.3, 400.0, f64::INFINITY] {
            let measured = |estimate| Value::from(&Measured::new(estimate).with_scatter("all", 0.5, freedom));
            let reach = measured(0.0).expanded_uncertainty * (1.0 + 1e-12);
            let worst = measured(100.0 - reach);
            assert_eq!(judge(&worst, &at_most(100.0)), Verdict::Pass);
            assert_probability(&worst, &at_most(100.0), 0.975, 1e-7);
            let worst = measured(100.0 + reach);
            assert_eq!(judge(&worst, &at_most(100.0)), Verdict::Fail);
            assert_probability(&worst, &at_most(100.0), 0.025, 1e-7);
        }
    }

    #[test]
    fn exact_values_conform_or_do_not() {
        let exact = |estimate| Value::from(&Measured::new(estimate));
        for (estimate, probability) in [(1.0, 1.0), (2.0, 1.0), (3.0, 1.0), (0.999, 0.0), (3.001, 0.0)] {
            assert_probability(&exact(estimate), &within(1.0, 3.0), probability, 0.0);
        }
        assert_eq!(probability_of_conformity(&exact(f64::NAN), &within(1.0, 3.0)), None);
        let kept_long_ago = Value { degrees_of_freedom: None, ..exact(2.0) };
        assert_eq!(probability_of_conformity(&kept_long_ago, &within(1.0, 3.0)), None);
    }
}
