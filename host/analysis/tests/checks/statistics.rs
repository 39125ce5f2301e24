//! Means, spreads and lines against certified values, and the honesty of their uncertainties.

use crate::common::{Noise, Table, assert_close, assert_covers, assert_near};
use stepwell_analysis::Unmeasured;
use stepwell_analysis::stats::{
    lag1_autocorrelation, line, mean, mean_of_series, standard_deviation, variance_inflation,
};
use stepwell_analysis::{copper, uncertainty::Measured};

/// NIST StRD univariate sets, certified to 15 digits. Double precision keeps 13 of the standard
/// deviation of Mavro, whose spread is 1/5000 of its values; 1e-12 leaves one digit for the order
/// of summation.
#[test]
fn nist_univariate_sets() {
    let table = Table::read("nist_univariate.csv");
    for (name, n, m, sd, r1) in [
        ("Lottery", 218, 518.958_715_596_330, 291.699_727_470_969, -0.120_948_622_967_393),
        ("Michelso", 100, 299.852_4, 0.079_010_547_819_051_8, 0.535_199_668_621_283),
        ("Mavro", 50, 2.001_856, 0.000_429_123_454_003_053, 0.937_989_183_438_248),
        ("Lew", 200, -177.435, 277.332_168_044_316, -0.307_304_800_605_679),
    ] {
        let values = table.column_where("value", "dataset", name);
        assert_eq!(values.len(), n, "{name}");
        assert_close(mean(&values), m, 1e-14);
        assert_close(standard_deviation(&values), sd, 1e-12);
        assert_close(lag1_autocorrelation(&values), r1, 1e-12);
    }
}

/// NIST StRD NumAcc1 to 4: small spread on a large offset. The decimal inputs of NumAcc3 and 4 are
/// themselves rounded to 1.2e-10 and 1.9e-9 (2^-33, 2^-29), half of which is 6e-10 and 1e-8 of the
/// spread of 0.1.
#[test]
fn nist_numerical_accuracy_sets() {
    let alternating = |centre: f64, low: f64, high: f64| {
        let mut values = vec![centre];
        values.extend([low, high].iter().cycle().take(1000));
        values
    };
    for (values, m, sd, r1, tolerance) in [
        (vec![10_000_001.0, 10_000_003.0, 10_000_002.0], 10_000_002.0, 1.0, -0.5, 1e-15),
        (alternating(1.2, 1.1, 1.3), 1.2, 0.1, -0.999, 1e-14),
        (alternating(1_000_000.2, 1_000_000.1, 1_000_000.3), 1_000_000.2, 0.1, -0.999, 6e-10),
        (alternating(10_000_000.2, 10_000_000.1, 10_000_000.3), 10_000_000.2, 0.1, -0.999, 1e-8),
    ] {
        assert_close(mean(&values), m, 1e-15);
        assert_close(standard_deviation(&values), sd, tolerance);
        assert_close(lag1_autocorrelation(&values), r1, tolerance.max(1e-14));
    }
}

/// NIST StRD Norris (linear regression, lower difficulty). The intercept loses three digits to the
/// slope, hence 1e-11 for it.
#[test]
fn nist_norris() {
    let table = Table::read("nist_norris.csv");
    let fit = line(&table.column("x"), &table.column("y")).unwrap();
    assert_close(fit.slope, 1.002_116_818_020_45, 1e-12);
    assert_close(fit.intercept, -0.262_323_073_774_029, 1e-11);
    assert_close(fit.residual_sd, 0.884_796_396_144_373, 1e-11);
    assert_close(fit.slope_uncertainty(), 0.429_796_848_199_937e-3, 1e-11);
    assert_close(fit.uncertainty_at(0.0), 0.232_818_234_301_152, 1e-11);
    assert_eq!(fit.degrees_of_freedom(), 34.0);
}

/// GUM example H.3 (JCGM 100:2008, H.3.3): calibration of a thermometer, digits recomputed from
/// its Table H.6; the prediction at 30 degC is -0.1494 degC with u = 0.0041 degC.
#[test]
fn gum_h3_thermometer() {
    let table = Table::read("gum_h3.csv");
    let from_20: Vec<f64> = table.column("t_degC").iter().map(|t| t - 20.0).collect();
    let fit = line(&from_20, &table.column("b_degC")).unwrap();
    assert_near(fit.intercept, -0.171_203_790_131, 1e-12);
    assert_near(fit.slope, 0.002_182_697_740, 1e-12);
    assert_near(fit.uncertainty_at(0.0), 0.002_877_597_835, 1e-12);
    assert_near(fit.slope_uncertainty(), 0.000_667_938_773, 1e-12);
    assert_near(fit.at(10.0), -0.149_376_812_732, 1e-12);
    assert_near(fit.uncertainty_at(10.0), 0.004_138_595_753, 1e-12);
}

/// The same variances as the Cramer-Rao bounds of a line in white noise (Kay, Fundamentals of
/// Statistical Signal Processing I, example 3.7): 2(2N-1)/(N(N+1)) and 12/(N(N^2-1)) for sd 1.
#[test]
fn line_uncertainty_is_the_bound() {
    for n in [10usize, 100] {
        let x: Vec<f64> = (0..n).map(|i| i as f64).collect();
        // Any residuals of known sd do: the formulas are linear in it.
        let y: Vec<f64> = (0..n).map(|i| [1.0, -1.0, -1.0, 1.0][i % 4]).collect();
        let fit = line(&x, &y).unwrap();
        let big_n = n as f64;
        let intercept = 2.0 * (2.0 * big_n - 1.0) / (big_n * (big_n + 1.0));
        let slope = 12.0 / (big_n * (big_n * big_n - 1.0));
        assert_close((fit.uncertainty_at(0.0) / fit.residual_sd).powi(2), intercept, 1e-12);
        assert_close((fit.slope_uncertainty() / fit.residual_sd).powi(2), slope, 1e-12);
    }
}

/// For a first-order process the variance of a long mean is (1 + r)/(1 - r) that of independent
/// samples; the estimate of r from 20 000 samples has a standard error of
/// sqrt((1 - r^2)/n), whose threefold effect on the factor sets the tolerance.
#[test]
fn inflation_of_correlated_samples() {
    for r in [0.0, 0.3, 0.7, 0.9] {
        let n = 20_000;
        let values = Noise::seeded(11).correlated(n, 1.0, r);
        let u_r = ((1.0 - r * r) / n as f64).sqrt();
        let relative = 3.0 * u_r * 2.0 / (1.0 - r * r);
        assert_close(variance_inflation(&values), (1.0 + r) / (1.0 - r), relative);
    }
    // No credit for samples that alternate.
    assert_eq!(variance_inflation(&[1.0, -1.0, 1.0, -1.0, 1.0, -1.0, 1.0, -1.0, 1.0, -1.0]), 1.0);
}

#[test]
fn coverage_of_the_mean_of_correlated_samples() {
    let repeats = 1000;
    for r in [0.0, 0.5, 0.8] {
        let mut noise = Noise::seeded(5);
        let covered = (0..repeats)
            .filter(|_| {
                let found = mean_of_series(&noise.correlated(300, 0.2, r)).unwrap();
                let measured = Measured::new(found.mean).with_scatter(
                    "scatter",
                    found.standard_uncertainty,
                    found.degrees_of_freedom,
                );
                measured.value.abs() <= measured.expanded_uncertainty()
            })
            .count();
        assert_covers(&format!("mean of series, r = {r}"), repeats, covered as u64);
    }
}

#[test]
fn too_little_is_refused() {
    assert_eq!(mean_of_series(&[1.0; 7]), Err(Unmeasured::TooFewSamples { found: 7, needed: 8 }));
    assert_eq!(line(&[1.0, 2.0], &[1.0, 2.0]), Err(Unmeasured::TooFewSamples { found: 2, needed: 3 }));
    assert_eq!(line(&[1.0, 2.0], &[1.0]), Err(Unmeasured::Unpaired { left: 2, right: 1 }));
    assert!(matches!(line(&[1.0; 3], &[1.0, 2.0, 3.0]), Err(Unmeasured::NoFit { .. })));
}

/// Wire table: resistance at eight temperatures from that at 20 degC, computed from IEC 60028:1925
/// to six decimals of ohm/km; half a unit of the last place over the smallest entry (2.5) is 2e-7.
#[test]
fn iec_60028_wire_table() {
    let table = Table::read("copper_awg.csv");
    let at_20 = table.column("r20_ohm_per_km");
    assert!(at_20.len() >= 10);
    for (column, celsius) in [
        ("r_m40", -40.0),
        ("r_0", 0.0),
        ("r_25", 25.0),
        ("r_50", 50.0),
        ("r_75", 75.0),
        ("r_100", 100.0),
        ("r_120", 120.0),
    ] {
        for (r_20, r_t) in at_20.iter().zip(table.column(column)) {
            assert_close(r_20 * copper::factor_from_20c(celsius), r_t, 4e-7);
            assert_near(copper::celsius_from_resistance(r_t, *r_20), celsius, 2e-4);
        }
    }
    // Published two-decimal and whole-number figures of public wire tables, ohm/km at 20 degC; the
    // rounding of the printed digit is the tolerance.
    for (gauge, printed, tolerance) in
        [(10, 3.277, 5e-4), (24, 84.2, 5e-2), (26, 134.0, 0.5), (36, 1360.0, 5.0)]
    {
        let found = at_20[table.column("awg").iter().position(|g| *g == f64::from(gauge)).unwrap()];
        assert_near(found, printed, tolerance);
    }
}
