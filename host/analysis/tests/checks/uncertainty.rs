//! The GUM's own examples, and the coverage factors of its table.

use crate::common::{Table, assert_close, assert_near};
use stepwell_analysis::stats::line;
use stepwell_analysis::uncertainty::{Joint, probability_below};
use stepwell_analysis::{Input, Measured, Unmeasured};

/// JCGM 100:2008 G.4.1, example: three relative uncertainties of 0.25, 0.57 and 0.82 % from 10, 5
/// and 15 repetitions. Published: uc 1.03 %, nu_eff 19.0, t95 2.09, U95 2.2 %; recomputed digits.
#[test]
fn gum_g41() {
    let product = Measured::new(100.0)
        .with_scatter("first", 0.25, 9.0)
        .with_scatter("second", 0.57, 4.0)
        .with_scatter("third", 0.82, 14.0);
    assert_near(product.standard_uncertainty(), 1.029_466, 5e-7);
    assert_near(product.degrees_of_freedom(), 18.998_742, 5e-7);
    // 2.093024 is t for 19 degrees of freedom; at 18.9987 it is larger by 1e-5.
    assert_near(product.coverage_factor(0.95), 2.093_024, 2e-5);
    assert_near(product.expanded_uncertainty(), 2.154_7, 5e-5);
}

/// JCGM 100:2008 H.1, end gauge, in nm: contributions of Table H.1. Published: uc 32, nu_eff 16
/// (16.75 rounded down), t99 2.92, U99 93; recomputed digits.
#[test]
fn gum_h1() {
    let length = Measured::new(50_000_838.0)
        .with_scatter("standard", 25.0, 18.0)
        .with_scatter("repeated observations", 5.8, 24.0)
        .with_scatter("random effects of comparator", 3.9, 5.0)
        .with_scatter("systematic effects of comparator", 6.7, 8.0)
        .with_scatter("difference of expansion", 50_000_623.0 * 0.1 * 1.0e-6 / 3.0_f64.sqrt(), 50.0)
        .with_scatter("difference of temperature", 50_000_623.0 * 11.5e-6 * 0.05 / 3.0_f64.sqrt(), 2.0);
    assert_near(length.standard_uncertainty(), 31.663_879, 1e-6);
    assert_near(length.degrees_of_freedom(), 16.751_856, 1e-6);
    // With the table's whole 16 degrees of freedom, as published.
    let rounded = Measured::new(0.0).with_scatter("all", 32.0, 16.0);
    assert_near(rounded.coverage_factor(0.99), 2.920_782, 2e-6);
    assert_near(rounded.coverage_factor(0.99) * 32.0, 93.0, 0.5);
    // H.1.7: the two terms of second order, 11.7 and 1.7 nm, make it 34. The deviation of the temperature
    // has u = 0.41 degC of 0.2 and an arcsine of 0.5, the coefficient 2e-6 rectangular.
    let u_theta = 0.2_f64.hypot(0.5 / 2.0_f64.sqrt());
    let [one, other] = [1.0e-6 * u_theta, 2.0e-6 / 3.0_f64.sqrt() * 0.05].map(|u| u * 50_000_623.0);
    assert_near(one / 3.0_f64.sqrt(), 11.7, 0.05);
    assert_near(other / 3.0_f64.sqrt(), 1.7, 0.05);
    let second = length.with_given("expansion and temperature", one, 1.0 / 3.0_f64.sqrt()).with_given(
        "coefficient and difference",
        other,
        1.0 / 3.0_f64.sqrt(),
    );
    assert_near(second.standard_uncertainty(), 34.0, 0.5);
}

/// JCGM 100:2008 H.2: resistance, reactance and impedance of one element from five simultaneous readings
/// of voltage, current and phase. Published: R 127.732 u 0.071, X 219.847 u 0.295, Z 254.260 u 0.236,
/// r(R, X) -0.588, r(R, Z) -0.485, r(X, Z) 0.993; more digits recomputed with numpy 2.4.6.
#[test]
fn gum_h2() {
    let table = Table::read("gum_h2.csv");
    let [volt, ampere, phase] = ["V_volt", "I_ampere", "phi_rad"].map(|name| table.column(name));
    let read = Joint::of_readings([&volt, &ampere, &phase]).unwrap();
    // Table H.2: correlations of the means.
    for ((j, k), r) in [((0, 1), -0.36), ((0, 2), 0.86), ((1, 2), -0.65)] {
        assert_near(read.correlation(j, k), r, 0.005);
    }
    let [v, i, phi] = read.values;
    let z = v / i;
    let (cos, sin) = (phi.cos(), phi.sin());
    let element = read.mapped(
        [z * cos, z * sin, z],
        [[cos / i, -z * cos / i, -z * sin], [sin / i, -z * sin / i, z * cos], [1.0 / i, -z / i, 0.0]],
    );
    for (k, value, u) in
        [(0, 127.732_170, 0.071_071), (1, 219.846_512, 0.295_582), (2, 254.259_702, 0.236_336)]
    {
        assert_near(element.values[k], value, 5e-7);
        assert_near(element.standard_uncertainty(k), u, 1e-6);
    }
    for ((j, k), r) in [((0, 1), -0.588), ((0, 2), -0.485), ((1, 2), 0.993)] {
        assert_near(element.correlation(j, k), r, 0.001);
        assert_close(element.correlation(j, k), element.correlation(k, j), 1e-14);
    }
    // Z again from R and X: without their correlation it would be 0.258.
    let [r, x, z] = element.values;
    let again = element.combined("impedance", r.hypot(x), [r / z, x / z, 0.0]);
    assert_near(again.value, 254.259_702, 5e-7);
    assert_near(again.standard_uncertainty(), 0.236_336, 1e-6);
    assert_eq!(again.degrees_of_freedom(), 4.0);
}

/// JCGM 100:2008 H.3: correction of a thermometer at 30 degC from a line about 20 degC. Published: r -0.930,
/// b(30) -0.1494 u 0.0041 with 9 degrees of freedom; digits recomputed with numpy 2.4.6.
#[test]
fn gum_h3() {
    let table = Table::read("gum_h3.csv");
    let from_20: Vec<f64> = table.column("t_degC").iter().map(|t| t - 20.0).collect();
    let both = line(&from_20, &table.column("b_degC")).unwrap().joint();
    assert_near(both.correlation(0, 1), -0.930_429_603, 1e-9);
    let correction = both.combined("calibration line", both.values[0] + 10.0 * both.values[1], [1.0, 10.0]);
    assert_near(correction.value, -0.149_376_812_732, 1e-12);
    assert_near(correction.standard_uncertainty(), 0.004_138_595_753, 1e-12);
    assert_eq!(correction.degrees_of_freedom(), 9.0);
}

#[test]
fn readings_that_do_not_belong_together_are_refused() {
    let unpaired = Joint::of_readings([&[1.0, 2.0][..], &[1.0]]);
    assert_eq!(unpaired, Err(Unmeasured::Unpaired { left: 2, right: 1 }));
    assert_eq!(Joint::of_readings([&[1.0][..]]), Err(Unmeasured::TooFewSamples { found: 1, needed: 2 }));
}

/// A budget: one line a name, largest first, shares that sum to 1.
#[test]
fn budget_of_a_result() {
    let result = Measured::new(5.0)
        .with_given("gain", 1.0, 0.2)
        .with_scatter("noise", 0.3, 4.0)
        .with_scatter("noise", -0.4, 4.0)
        .with_shared("zero", 1.0, 0.5)
        .with_shared("zero", -1.0, 0.1);
    let budget = result.budget();
    let names: Vec<&str> = budget.iter().map(|share| share.name).collect();
    assert_eq!(names, ["noise", "zero", "gain"]);
    // Noise 0.3 and 0.4 in quadrature, zero 0.5 - 0.1.
    assert_close(budget[0].standard_uncertainty, 0.5, 1e-15);
    assert_close(budget[1].standard_uncertainty, 0.4, 1e-15);
    assert_close(result.standard_uncertainty(), (0.25_f64 + 0.16 + 0.04).sqrt(), 1e-15);
    assert_close(budget[0].share, 0.25 / 0.45, 1e-14);
    assert_close(budget.iter().map(|share| share.share).sum(), 1.0, 1e-14);
    // Welch and Satterthwaite within the line: 0.25^2/(0.09^2/4 + 0.16^2/4).
    assert_close(budget[0].degrees_of_freedom, 0.0625 / ((0.0081 + 0.0256) / 4.0), 1e-13);
    assert_eq!(budget[1].degrees_of_freedom, f64::INFINITY);
    assert!(Measured::new(1.0).budget().is_empty());
}

/// Results that share an input are combined with their correlation (JCGM 100, F.1.2.3), in any order of
/// sums and through products, and what cancels is gone.
#[test]
fn shared_inputs_keep_their_signs() {
    let of = |value: f64, sensitivity: f64, own: f64| {
        Measured::new(value).with_shared("gain", sensitivity, 0.01).with_scatter("own", own, 9.0)
    };
    let (a, b) = (of(4.0, 4.0, 0.01), of(3.0, 3.0, 0.02));
    let own = 0.01_f64.hypot(0.02);
    for (signs, gain) in [([1.0, 1.0], 0.07), ([1.0, -1.0], 0.01), ([-1.0, 1.0], 0.01), ([-1.0, -1.0], 0.07)]
    {
        let found = Measured::combined(0.0, &[(signs[0], &a), (signs[1], &b)]);
        assert_close(found.standard_uncertainty(), own.hypot(gain), 1e-14);
        // Scaled back and forth it is still the same input.
        let again = found.scaled(-2.0).scaled(-0.5);
        assert_close(again.standard_uncertainty(), own.hypot(gain), 1e-14);
    }
    let nothing = Measured::combined(0.0, &[(1.0, &a), (-1.0, &a)]);
    assert_close(nothing.standard_uncertainty(), 0.01 * 2.0_f64.sqrt(), 1e-14);
    assert_eq!(nothing.contributions.len(), 2, "its own scatter, taken as two; of the gain nothing is left");
    // Contributions of the same name that nobody has called shared stay apart.
    let apart = Measured::new(1.0).with_given("gain", 1.0, 0.3).with_given("gain", -1.0, 0.4);
    assert_close(apart.standard_uncertainty(), 0.5, 1e-15);
}

/// One-sided factors of JCGM 106:2012, 7.3 (from memory; digits by scipy 1.17.1), Student's distribution
/// by scipy 1.17.1.
#[test]
fn probabilities_below_a_limit() {
    for (probability, z) in
        [(0.80, 0.841_621), (0.90, 1.281_552), (0.95, 1.644_854), (0.99, 2.326_348), (0.999, 3.090_232)]
    {
        assert_near(probability_below(10.0 + 2.0 * z, 10.0, 2.0, f64::INFINITY), probability, 2e-7);
        assert_near(probability_below(10.0 - 2.0 * z, 10.0, 2.0, f64::INFINITY), 1.0 - probability, 2e-7);
    }
    for (t, nu, probability) in [
        (-1.0, 3.0, 0.195_501_109_477_885_3),
        (2.0, 1_001.0, 0.977_114_961_723_289_8),
        (-3.0, 1e5, 0.001_350_230_442_032_361_7),
        (0.5, 1e6, 0.691_462_406_263_814_3),
    ] {
        assert_near(probability_below(t, 0.0, 1.0, nu), probability, 1e-9);
    }
    for (limit, probability) in [(0.9, 0.0), (1.0, 1.0), (1.1, 1.0)] {
        assert_eq!(probability_below(limit, 1.0, 0.0, f64::INFINITY), probability);
    }
    // The expanded uncertainty is the distance at which 2.5 % are left, whatever the freedom.
    for nu in [1.0, 4.5, 30.0, 2_000.0, f64::INFINITY] {
        let measured = Measured::new(0.0).with_scatter("", 1.0, nu);
        assert_near(probability_below(-measured.expanded_uncertainty(), 0.0, 1.0, nu), 0.025, 1e-8);
    }
}

/// JCGM 100:2008 Table G.2, recomputed to five digits with scipy 1.17.1.
#[test]
fn student_factors() {
    for (nu, t) in [
        (1.0, 12.7062),
        (2.0, 4.3027),
        (3.0, 3.1824),
        (5.0, 2.5706),
        (10.0, 2.2281),
        (20.0, 2.0860),
        (50.0, 2.0086),
    ] {
        assert_near(Measured::new(0.0).with_scatter("", 1.0, nu).coverage_factor(0.95), t, 5e-5);
    }
    assert_near(Measured::new(0.0).with_scatter("", 1.0, 10.0).coverage_factor(0.9545), 2.2837, 5e-5);
    assert_near(Measured::new(0.0).with_given("", 1.0, 1.0).coverage_factor(0.95), 1.959_964, 5e-7);
    // Many degrees of freedom, where an expansion takes over: Simpson integration of the density in
    // Python 3.11, good to 1e-9 (the logarithm of gamma at 5e5 loses six of sixteen digits).
    for (nu, t) in [
        (20.0, 2.085_963_447),
        (999.0, 1.962_341_461),
        (1_001.0, 1.962_336_705),
        (5_000.0, 1.960_438_552),
        (100_000.0, 1.959_987_708),
        (1_000_000.0, 1.959_966_361),
    ] {
        assert_near(Measured::new(0.0).with_scatter("", 1.0, nu).coverage_factor(0.95), t, 1e-7);
    }
}

/// JCGM 100:2008 4.3.7: half-width a gives a/sqrt 3.
#[test]
fn given_quantities() {
    assert_close(Input::rectangular(5.0, 1.0).standard_uncertainty, 0.577_350_269, 1e-9);
    assert_close(Input::relative(-5.0, 0.01).standard_uncertainty, 0.05, 1e-15);
    assert_eq!(Input::exact(5.0).standard_uncertainty, 0.0);
}

/// For a quotient relative uncertainties add in quadrature (JCGM 100, 5.1.6).
#[test]
fn quotient_adds_relative_uncertainties() {
    let up = Measured::new(8.0).with_scatter("a", 0.24, 7.0);
    let down = Measured::new(-2.0).with_given("b", 1.0, 0.08);
    let quotient = up.over(&down);
    assert_eq!(quotient.value, -4.0);
    assert_close(quotient.standard_uncertainty(), 4.0 * 0.03_f64.hypot(0.04), 1e-14);
    assert_close(quotient.degrees_of_freedom(), 7.0 * (0.05_f64 / 0.03).powi(4), 1e-12);
}

#[test]
fn an_exact_value_has_no_uncertainty() {
    let exact = Measured::new(3.0).with_given("nothing", 5.0, 0.0);
    assert!(exact.contributions.is_empty());
    assert_eq!(exact.expanded_uncertainty(), 0.0);
    assert_eq!(exact.degrees_of_freedom(), f64::INFINITY);
}

/// Fourth powers of SI flows (1e-9 m3/s) must not vanish.
#[test]
fn small_units_keep_their_degrees_of_freedom() {
    let flow = Measured::new(2.4e-6).with_scatter("a", 1.0e-90, 6.0).with_scatter("b", 1.0e-90, 6.0);
    assert_close(flow.degrees_of_freedom(), 12.0, 1e-12);
}

#[test]
#[should_panic(expected = "divided by one that is zero")]
fn division_by_zero_is_a_fault_of_the_caller() {
    let _ = Measured::new(1.0).over(&Measured::new(0.0));
}
