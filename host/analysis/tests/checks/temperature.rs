//! Temperature sensors against their standards and published tables.

use crate::common::{Table, assert_close, assert_near};
use stepwell_analysis::copper::{ALPHA_20_PER_K, celsius_from_resistance, factor_from_20c};
use stepwell_analysis::temperature::{
    beta_celsius, beta_ohm, platinum_celsius, platinum_ratio, steinhart_hart_celsius, steinhart_hart_ohm,
    steinhart_hart_through,
};

/// IEC 60751, the whole table, computed from the standard's polynomial to six decimals of 100 ohm; half of
/// the last over the smallest slope (0.29 ohm/K at 850 degC) is 2e-6 K.
#[test]
fn iec_60751_table() {
    let table = Table::read("pt_iec60751.csv");
    let (celsius, ohm) = (table.column("t_degC"), table.column("r_pt100_ohm"));
    assert!(celsius.len() > 50 && celsius[0] == -200.0);
    for (celsius, ohm) in celsius.iter().zip(ohm) {
        assert_near(100.0 * platinum_ratio(*celsius), ohm, 5.1e-7);
        assert_near(platinum_celsius(ohm / 100.0), *celsius, 2e-6);
    }
}

/// Two-decimal rows of IEC 60751 as public tables print them.
#[test]
fn iec_60751_printed_rows() {
    for (celsius, printed) in [
        (-200.0, 18.52),
        (-100.0, 60.26),
        (-50.0, 80.31),
        (-40.0, 84.27),
        (0.0, 100.00),
        (20.0, 107.79),
        (40.0, 115.54),
        (100.0, 138.51),
        (200.0, 175.86),
        (400.0, 247.09),
        (850.0, 390.48),
    ] {
        assert_near(100.0 * platinum_ratio(celsius), printed, 5.001e-3);
    }
}

/// Inverses by root finding in scipy 1.17.1, below 0 degC with the whole polynomial; the mean coefficient
/// from 0 to 100 degC is the 0.003851 of the standard.
#[test]
fn iec_60751_inverse() {
    for (ohm, celsius) in [(115.0, 38.600_019), (138.505_5, 100.0), (175.856, 200.0), (80.0, -50.771_137)] {
        assert_near(platinum_celsius(ohm / 100.0), celsius, 6e-7);
    }
    assert_near((platinum_ratio(100.0) - 1.0) / 100.0, 0.003_850_55, 5e-9);
    assert!(platinum_celsius(8.0).is_nan(), "no platinum sensor has it");
}

/// Steinhart and Hart with the usual set for 10 kohm at 25 degC (the set from memory); temperatures and
/// resistances computed with Python 3.11.
#[test]
fn steinhart_and_hart() {
    let usual = [1.129_148e-3, 2.341_25e-4, 8.767_41e-8];
    for (ohm, celsius) in [
        (32_650.0, 0.000_225),
        (10_000.0, 24.999_668),
        (5_000.0, 41.572_125),
        (2_000.0, 66.153_972),
        (1_000.0, 87.168_140),
    ] {
        assert_near(steinhart_hart_celsius(ohm, usual), celsius, 5e-7);
    }
    for (celsius, ohm) in [(0.0, 32_650.374_7), (25.0, 9_999.854_4), (40.0, 5_324.942_3), (60.0, 2_487.106_9)]
    {
        assert_near(steinhart_hart_ohm(celsius, usual), ohm, 5.1e-5);
        assert_near(steinhart_hart_celsius(steinhart_hart_ohm(celsius, usual), usual), celsius, 1e-9);
    }
}

/// The curve through three points of a table, solved with numpy 2.4.6.
#[test]
fn steinhart_and_hart_through_three_points() {
    let points = [(32_650.0, 0.0), (10_000.0, 25.0), (3_603.0, 50.0)];
    let found = steinhart_hart_through(points);
    for (found, expected) in found.into_iter().zip([1.125_256_67e-3, 2.347_204_47e-4, 8.563_052_73e-8]) {
        // Nine printed digits; the last coefficient is a second difference and loses four of sixteen.
        assert_close(found, expected, 1e-8);
    }
    for (ohm, celsius) in points {
        assert_near(steinhart_hart_celsius(ohm, found), celsius, 1e-9);
    }
    assert_near(steinhart_hart_celsius(20_000.0, found), 9.896_952, 5e-7);
    assert_near(steinhart_hart_celsius(5_000.0, found), 41.580_290, 5e-7);
}

/// 10 kohm at 25 degC, beta 3950 K; computed with Python 3.11.
#[test]
fn beta_form() {
    for (celsius, ohm) in [
        (-20.0, 105_384.69),
        (0.0, 33_620.604),
        (20.0, 12_535.326),
        (40.0, 5_301.467),
        (60.0, 2_486.165),
        (80.0, 1_270.320),
        (100.0, 697.520),
    ] {
        assert_close(beta_ohm(celsius, 1e4, 3950.0), ohm, 1e-6);
        assert_near(beta_celsius(beta_ohm(celsius, 1e4, 3950.0), 1e4, 3950.0), celsius, 1e-10);
    }
    for (ohm, celsius) in [(5_000.0, 41.460_235), (3_000.0, 54.803_454), (1_000.0, 87.719_674)] {
        assert_near(beta_celsius(ohm, 1e4, 3950.0), celsius, 5e-7);
    }
}

/// IEC 60028:1925: 0.00393 per kelvin at 20 degC, hence 0.00426525 at 0 degC and 0.00385426 at 25 degC; a
/// handbook's worked form: one kelvin is 1/254.5 of the resistance at 20 degC. Resistances at 20 degC from
/// readings at other temperatures, computed with Python 3.11 to six decimals.
#[test]
fn iec_60028_copper() {
    assert_near(ALPHA_20_PER_K / factor_from_20c(0.0), 0.004_265_25, 5e-9);
    assert_near(ALPHA_20_PER_K / factor_from_20c(25.0), 0.003_854_26, 5e-9);
    assert_near(factor_from_20c(21.0) - 1.0, 1.0 / 254.5, 5e-6);
    for (ohm, celsius, at_20c_ohm) in [
        (3.2, 80.0, 2.589_416),
        (2.87, 55.0, 2.522_966),
        (5.0, 0.0, 5.426_525),
        (1.0, -20.0, 1.186_521),
        (10.0, 120.0, 7.178_751),
    ] {
        assert_near(ohm / factor_from_20c(celsius), at_20c_ohm, 5.1e-7);
        assert_near(celsius_from_resistance(ohm, at_20c_ohm), celsius, 5e-4);
    }
    // One kelvin of error at 80 degC is 0.318 % of the resistance at 20 degC.
    assert_near(factor_from_20c(81.0) / factor_from_20c(80.0) - 1.0, 0.003_18, 5e-6);
}
