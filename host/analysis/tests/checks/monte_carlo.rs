//! Propagation of distributions against the examples of JCGM 101 and GUM H.1, and against the law of
//! propagation where models are linear.

use crate::common::{assert_close, assert_near};
use statrs::distribution::{Binomial, DiscreteCDF};
use stepwell_analysis::monte_carlo::{Distribution, Propagated, propagate};
use stepwell_analysis::{Input, Measured, Unmeasured};

const TRIALS: usize = 200_000;

/// Four standard errors: a sound generator is beyond them once in 16 000 seeds, and seeds are fixed.
const ERRORS: f64 = 4.0;

/// How far the standard deviation of so many values may be off: that of a distribution whose fourth
/// moment is `kurtosis` squared variances has a relative standard error of sqrt((kurtosis - 1)/(4 M)).
fn spread(kurtosis: f64) -> f64 {
    ERRORS * ((kurtosis - 1.0) / (4.0 * TRIALS as f64)).sqrt()
}

/// How far a 2.5 % quantile may be off where the density is so large.
fn quantile_error(density: f64) -> f64 {
    ERRORS * (0.025 * 0.975 / TRIALS as f64).sqrt() / density
}

/// Density of the standard normal distribution at its 2.5 % quantile.
const NORMAL_DENSITY: f64 = 0.058_445;

fn assert_ends(found: (f64, f64), low: f64, high: f64, off: f64) {
    assert_near(found.0, low, off);
    assert_near(found.1, high, off);
}

/// JCGM 101, 6.4 and table 1: standard deviations of half-width a are a/sqrt 3, a/sqrt 6 and a/sqrt 2;
/// that of t with scale 1 and 10 degrees of freedom is sqrt(10/8), its kurtosis 3 + 6/(10 - 4).
#[test]
fn moments_of_the_distributions() {
    let half_width = 1.0;
    for (distribution, sd, kurtosis) in [
        (Distribution::Normal { mean: 5.0, sd: 1.0 }, 1.0, 3.0),
        (Distribution::Rectangular { centre: 5.0, half_width }, 0.577_350, 1.8),
        (Distribution::Triangular { centre: 5.0, half_width }, 0.408_248, 2.4),
        (Distribution::Arcsine { centre: 5.0, half_width }, 0.5_f64.sqrt(), 1.5),
        (Distribution::StudentT { mean: 5.0, scale: 1.0, degrees_of_freedom: 10.0 }, 1.25_f64.sqrt(), 4.0),
    ] {
        let found = propagate(&[distribution], TRIALS, 1, |[x]| Some(*x)).unwrap();
        assert_close(found.standard_uncertainty, sd, spread(kurtosis) + 1e-6);
        assert_near(found.mean, 5.0, ERRORS * sd / (TRIALS as f64).sqrt());
    }
}

/// Student's t by quantiles, which a few far values do not move: JCGM 100, table G.2, 3.18 for 3
/// degrees of freedom (3.182446; density there 0.019194, scipy 1.17.1).
#[test]
fn few_degrees_of_freedom() {
    let t = Distribution::StudentT { mean: 0.0, scale: 1.0, degrees_of_freedom: 3.0 };
    let found = propagate(&[t], TRIALS, 5, |[x]| Some(*x)).unwrap();
    assert_ends(found.symmetric_interval(0.95), -3.182_446, 3.182_446, quantile_error(0.019_194));
}

/// JCGM 101:2008, 9.2.2: the sum of four standard normal inputs. Published: u 2.0, interval -3.92 to 3.92.
#[test]
fn sum_of_four_normal_inputs() {
    let input = Distribution::Normal { mean: 0.0, sd: 1.0 };
    let found = propagate(&[input; 4], TRIALS, 1, |x| Some(x.iter().sum())).unwrap();
    assert_close(found.standard_uncertainty, 2.0, spread(3.0));
    let off = quantile_error(NORMAL_DENSITY / 2.0);
    assert_ends(found.symmetric_interval(0.95), -3.919_928, 3.919_928, off);
    let (low, high) = found.shortest_interval(0.95);
    // Shorter by its nature, and by no more than chance: both ends of the other can be off.
    assert!(high - low <= 2.0 * 3.919_928 + off && high - low >= 2.0 * (3.919_928 - off), "{low} to {high}");
}

/// JCGM 101:2008, 9.2.3: four rectangular inputs of standard deviation 1. Exact half-width of the 95 %
/// interval 2 sqrt 3 (2 - (3/5)^(1/4)) = 3.88; the density there is h^3/6 over the width 2 sqrt 3 of one
/// input, with h^4/24 = 2.5 % for the tail.
#[test]
fn sum_of_four_rectangular_inputs() {
    let input = Distribution::Rectangular { centre: 0.0, half_width: 3.0_f64.sqrt() };
    let found = propagate(&[input; 4], TRIALS, 2, |x| Some(x.iter().sum())).unwrap();
    // Kurtosis of a sum of four: 3 - 1.2/4.
    assert_close(found.standard_uncertainty, 2.0, spread(2.7));
    let density = 0.6_f64.powf(0.75) / 6.0 / 12.0_f64.sqrt();
    assert_ends(found.symmetric_interval(0.95), -3.879_406_741, 3.879_406_741, quantile_error(density));
}

/// JCGM 101:2008, 9.3: calibration of a mass in air, deviation from nominal in mg. Published (results from
/// memory): first order 0.0539, Monte Carlo 1.234, 0.0754 and 1.0834 to 1.3825, second order 0.0750; the
/// symmetric interval 1.0847 to 1.3838 from 2e6 trials with numpy 2.4.6, with an error of their own.
#[test]
fn mass_calibration() {
    let inputs = [
        Distribution::Normal { mean: 100_000.0, sd: 0.050 },
        Distribution::Normal { mean: 1.234, sd: 0.020 },
        Distribution::Rectangular { centre: 1.20, half_width: 0.10 },
        Distribution::Rectangular { centre: 8_000.0, half_width: 1_000.0 },
        Distribution::Rectangular { centre: 8_000.0, half_width: 50.0 },
    ];
    let found = propagate(&inputs, TRIALS, 3, |[m, dm, air, weight, reference]| {
        Some((m + dm) * (1.0 + (air - 1.2) * (1.0 / weight - 1.0 / reference)) - 100_000.0)
    })
    .unwrap();
    // Half of the printed digit on top.
    assert_near(found.mean, 1.234, 5e-4 + ERRORS * 0.0754 / (TRIALS as f64).sqrt());
    assert_near(found.standard_uncertainty, 0.0754, 5e-5 + 0.0754 * spread(3.0));
    // The product of two rectangular inputs has longer tails and half the density there at worst.
    let off = 2.0 * quantile_error(NORMAL_DENSITY / 0.0754);
    let both = 1.0 + (TRIALS as f64 / 2e6).sqrt();
    assert_ends(found.symmetric_interval(0.95), 1.0847, 1.3838, 5e-5 + both * off);
    let (low, high) = found.shortest_interval(0.95);
    assert_near(high - low, 1.3825 - 1.0834, 1e-4 + 2.0 * off);

    let first = Measured::new(1.234).with_given("m_RC", 1.0, 0.050).with_given("dm_RC", 1.0, 0.020);
    assert_near(first.standard_uncertainty(), 0.053_852, 5e-7);
    // Air against either density: 1e5/8000^2 for each.
    let u_air = Input::rectangular(1.2, 0.1).standard_uncertainty;
    let second = first
        .with_given("air and weight", 1e5 / 8e3_f64.powi(2) * u_air, 1_000.0 / 3.0_f64.sqrt())
        .with_given("air and reference", 1e5 / 8e3_f64.powi(2) * u_air, 50.0 / 3.0_f64.sqrt());
    assert_near(second.standard_uncertainty(), 0.074_963, 5e-7);
    assert_near(second.standard_uncertainty(), 0.0750, 5e-5);
}

/// Length of an end gauge in nm over nominal, as GUM H.1 and JCGM 101, 9.5 model it.
fn end_gauge([standard, d1, d2, d3, alpha, theta, wave, d_alpha, d_theta]: &[f64; 9]) -> f64 {
    let nominal = 50_000_623.0;
    let length = nominal + standard;
    length + 215.0 + d1 + d2 + d3 - length * (d_alpha * (theta + wave) + alpha * d_theta) - nominal
}

/// JCGM 100:2008, H.1.7: with the terms of second order the standard uncertainty is 34 nm. All inputs
/// normal but for those that are given as rectangular or arcsine.
#[test]
fn end_gauge_has_terms_of_second_order() {
    let normal = |sd| Distribution::Normal { mean: 0.0, sd };
    let rectangular = |centre, half_width| Distribution::Rectangular { centre, half_width };
    let inputs = [
        normal(25.0),
        normal(5.8),
        normal(3.9),
        normal(6.7),
        rectangular(11.5e-6, 2e-6),
        Distribution::Normal { mean: -0.1, sd: 0.2 },
        Distribution::Arcsine { centre: 0.0, half_width: 0.5 },
        rectangular(0.0, 1e-6),
        rectangular(0.0, 0.05),
    ];
    let found = propagate(&inputs, TRIALS, 4, |inputs| Some(end_gauge(inputs))).unwrap();
    assert_near(found.mean, 215.0, ERRORS * 34.0 / (TRIALS as f64).sqrt());
    // Exact for this model, squares in nm^2: 25, 5.8, 3.9, 6.7, then
    // (l u(d_alpha))^2 (0.1^2 + 0.2^2 + 0.5^2/2) and (l u(d_theta))^2 (alpha^2 + u(alpha)^2).
    let l_u_alpha = 50_000_623.0 * 1e-6 / 3.0_f64.sqrt();
    let l_u_theta = 50_000_623.0 * 0.05 / 3.0_f64.sqrt();
    let exact = (25.0_f64.powi(2)
        + 5.8_f64.powi(2)
        + 3.9_f64.powi(2)
        + 6.7_f64.powi(2)
        + l_u_alpha.powi(2) * (0.01 + 0.04 + 0.125)
        + l_u_theta.powi(2) * (11.5e-6_f64.powi(2) + 2e-6_f64.powi(2) / 3.0))
        .sqrt();
    assert_near(exact, 34.0, 0.5);
    assert_close(found.standard_uncertainty, exact, spread(3.0));
}

/// JCGM 101:2008, 9.5: the same with t distributions for what was found from few readings and limits that
/// are themselves not well known (6.4.3). Published (from memory): 838 nm, u 36 nm; u 35.808 and the 99 %
/// interval 744.38 to 931.70 from 4e6 trials of the same distributions with numpy 2.4.6 and scipy 1.17.1.
#[test]
fn end_gauge_of_jcgm_101() {
    let t = |scale, degrees_of_freedom| Distribution::StudentT { mean: 0.0, scale, degrees_of_freedom };
    let rectangular = |centre, half_width| Distribution::Rectangular { centre, half_width };
    let inputs = [
        t(25.0, 18.0),
        t(6.0, 24.0),
        t(4.0, 5.0),
        t(7.0, 8.0),
        rectangular(11.5e-6, 2e-6),
        Distribution::Normal { mean: -0.1, sd: 0.2 },
        Distribution::Arcsine { centre: 0.0, half_width: 0.5 },
        rectangular(0.0, 1.0),
        rectangular(0.0, 1.0),
        rectangular(1e-6, 0.1e-6),
        rectangular(0.05, 0.025),
    ];
    let found = propagate(&inputs, TRIALS, 6, |[a, b, c, d, alpha, theta, wave, x, y, x_limit, y_limit]| {
        Some(end_gauge(&[*a, *b, *c, *d, *alpha, *theta, *wave, x * x_limit, y * y_limit]))
    })
    .unwrap();
    assert_near(found.mean + 623.0, 838.0, 0.5 + ERRORS * 36.0 / (TRIALS as f64).sqrt());
    assert_near(found.standard_uncertainty, 36.0, 0.5);
    // Both sides are off by chance.
    let both = (1.0 + TRIALS as f64 / 4e6).sqrt();
    assert_close(found.standard_uncertainty, 35.808, both * spread(4.0));
    // Density of a normal distribution at its 0.5 % quantile 0.01446; half of that for longer tails.
    let error = ERRORS * (0.005 * 0.995 / TRIALS as f64).sqrt() / (0.01446 / 36.0 / 2.0);
    let (low, high) = found.symmetric_interval(0.99);
    assert_ends((low + 623.0, high + 623.0), 744.38, 931.70, both * error);
}

/// A quotient of nearly exact values is nearly linear: both ways agree.
#[test]
fn quotient_agrees_with_the_law_of_propagation() {
    let up = Measured::new(12.0).with_scatter("noise", 0.003, 40.0).with_given("gain", 12.0, 0.000_4);
    let down = Measured::new(4.0).with_given("gain", 4.0, 0.000_5);
    let quotient = up.over(&down);
    let found = propagate(&[(&up).into(), (&down).into()], TRIALS, 7, |[u, d]| Some(u / d)).unwrap();
    // Terms of second order are of the size of 0.0005 squared. A t distribution's variance exceeds that of
    // its scale by 2/(freedom - 2).
    let freedom = up.degrees_of_freedom();
    let wider = (1.0 + 2.0 / (freedom - 2.0)).sqrt() - 1.0;
    assert_close(found.standard_uncertainty, quotient.standard_uncertainty(), spread(3.0) + wider);
    let half_width = quotient.expanded_uncertainty();
    let second_order = 3.0 * (1.96 * 0.000_5_f64).powi(2);
    let off = quantile_error(NORMAL_DENSITY / quotient.standard_uncertainty()) + second_order;
    assert_ends(found.symmetric_interval(0.95), 3.0 - half_width, 3.0 + half_width, off);
}

/// A gain that numerator and denominator share drops out of their ratio, a zero does not.
#[test]
fn a_shared_input_is_counted_once() {
    let (gain, zero) = (Input::new(1.0, 0.02), Input::new(0.0, 0.05));
    let reading = |value: f64| {
        Measured::new(value).with_shared("gain", value, gain.standard_uncertainty).with_shared(
            "zero",
            1.0,
            zero.standard_uncertainty,
        )
    };
    let (high, low) = (reading(9.0), reading(3.0));
    let ratio = high.over(&low);
    let found = propagate(&[gain.into(), zero.into()], TRIALS, 8, |[gain, zero]| {
        Some((9.0 * gain + zero) / (3.0 * gain + zero))
    })
    .unwrap();
    // By hand: d(9 + z)/(3 + z)/dz = (3 - 9)/9.
    assert_close(ratio.standard_uncertainty(), 0.05 * 6.0 / 9.0, 1e-12);
    // Second order: (0.05/3)^2.
    assert_close(found.standard_uncertainty, ratio.standard_uncertainty(), spread(3.0) + 1e-3);
}

#[test]
fn models_that_fail_are_counted() {
    let input = [Distribution::Normal { mean: 0.0, sd: 1.0 }];
    let found = propagate(&input, 100_000, 9, |[x]| (*x > 0.0).then_some(*x)).unwrap();
    let chance = Binomial::new(0.5, 100_000).unwrap();
    assert!((chance.inverse_cdf(5e-5)..=chance.inverse_cdf(1.0 - 5e-5)).contains(&(found.refused as u64)));
    assert_eq!(found.refused + found.values.len(), 100_000);
    assert!(found.symmetric_interval(0.95).0 > 0.0);
    let none = propagate(&input, 5_000, 9, |[x]| Some((x - 100.0).sqrt()));
    assert_eq!(none, Err(Unmeasured::TooFewSamples { found: 0, needed: 1_000 }));
}

#[test]
fn a_seed_is_a_result() {
    let input = [Distribution::Normal { mean: 0.0, sd: 1.0 }];
    let with = |seed| -> Propagated { propagate(&input, 2_000, seed, |[x]| Some(*x)).unwrap() };
    assert_eq!(with(1), with(1));
    assert_ne!(with(1), with(2));
}
