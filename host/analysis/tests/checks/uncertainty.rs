//! The GUM's own examples, and the coverage factors of its table.

use crate::common::{assert_close, assert_near};
use stepwell_analysis::{Input, Measured};

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
