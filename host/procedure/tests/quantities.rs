//! Quantities as people write and read them.

use proptest::prelude::*;
use stepwell_procedure::quantity::Dimension::{self, *};

fn refused(dimension: Dimension, text: &str) -> String {
    let refused = dimension.parse(text).expect_err(text);
    format!("{} | {}", refused.message, refused.help.unwrap_or_default())
}

#[test]
fn what_people_write_is_read() {
    for (dimension, text, si) in [
        (Resistance, "2.1 ohm", 2.1),
        (Resistance, "2,1 Ω", 2.1),
        (Resistance, "2.2kohm", 2200.0),
        (Pressure, "40 MPa", 40e6),
        (Pressure, "40MPa", 40e6),
        (Pressure, "  2,5 bar ", 2.5e5),
        (Pressure, "2.5e2 kPa", 2.5e5),
        (Pressure, "0,125 bar", 12_500.0),
        (Pressure, "1234,567 bar", 123_456_700.0),
        (Pressure, "-1 mbar", -100.0),
        (Pressure, "\u{2212}1 mbar", -100.0),
        (Speed, "250 rpm", 250.0 / 60.0),
        (Speed, "250 1/min", 250.0 / 60.0),
        (Displacement, "0.6 cm3/rev", 0.6e-6),
        (Displacement, "0.6 cm³ / rev", 0.6e-6),
        (Displacement, "0.6 cm^3/rev", 0.6e-6),
        (Fraction, "5 %", 0.05),
        (Fraction, "5%", 0.05),
        (Voltage, "12 V", 12.0),
        (Temperature, "25 degC", 25.0),
        (Temperature, "25 °C", 25.0),
        (Temperature, "77 degF", 25.0),
        (Temperature, "273.15 K", 0.0),
        (Time, "10 s", 10.0),
        (Time, "200 ms", 0.2),
        (Time, "2 min", 120.0),
        (VoltPerAmpere, "1 V/A", 1.0),
        (VoltPerOhm, "2 mV/ohm", 2e-3),
        (PulsesPerVolume, "10000 /L", 1e7),
        (PulsesPerVolume, "10000 pulses/L", 1e7),
        (Flow, "0.05 cm3/s", 0.05e-6),
        (Flow, "1.5 L/min", 1.5 / 6e4),
        (Volume, "25 cm3", 25e-6),
    ] {
        let read = dimension.parse(text).unwrap_or_else(|e| panic!("{text}: {e}"));
        // Reading the digits and scaling them round once each.
        assert!((read - si).abs() <= 2.0 * f64::EPSILON * si.abs(), "{text}: {read:e}");
    }
}

/// 1 psi = 6 894.757 Pa: NIST SP 811:2008, table B.8.
#[test]
fn pound_per_square_inch() {
    let pa = Pressure.parse("1 psi").unwrap();
    assert!((pa - 6_894.757).abs() < 5e-4, "{pa}");
}

#[test]
fn what_can_be_read_in_two_ways_is_refused_with_both() {
    assert_eq!(
        refused(Pressure, "1,234 bar"),
        "\"1,234\" can be read in two ways | write \"1.234 bar\" or \"1234 bar\", whichever is meant"
    );
    assert_eq!(
        refused(Pressure, "1.234,5 bar"),
        "\"1.234,5\" has more than one decimal sign | \
         write \"1234.5 bar\" if that is meant: no sign between thousands"
    );
    for text in ["1,234.5 bar", "1,234,567 bar", "1.234.567 bar"] {
        assert!(refused(Pressure, text).contains("more than one decimal sign"), "{text}");
    }
    assert!(refused(Pressure, "-12,345 bar").contains("two ways"));
    assert_eq!(
        refused(PulsesPerVolume, "10 000 /L"),
        "\"10 000 /L\" has a gap in its number | write the number in one piece: \"10000 /L\""
    );
}

#[test]
fn a_wrong_unit_is_answered_with_the_right_ones() {
    assert_eq!(
        refused(Time, "2.5 A"),
        "\"A\" is a unit of current, but a time is wanted here (s, ms, min, h, us, ns) | "
    );
    assert_eq!(
        refused(Pressure, "40 mpa"),
        "\"mpa\" is no unit known here; a pressure is wanted here \
         (MPa, bar, kPa, mbar, Pa, GPa, psi) | did you mean \"40 MPa\"?"
    );
    let slip = refused(Speed, "250 rmp");
    assert!(
        slip.contains("(rpm, ") && slip.ends_with("did you mean \"250 rpm\"?"),
        "as the list has it: {slip}"
    );
    assert_eq!(
        refused(Resistance, "2.1"),
        "2.1 needs a unit: a resistance is wanted here (ohm, mohm, kohm, Mohm) | \
         write \"2.1 ohm\" or \"2.1 mohm\""
    );
    assert_eq!(
        refused(Fraction, "0.15"),
        "0.15 needs a unit: a percentage is wanted here (%) | \
         write \"15 %\" if 0.15 of the whole is meant, \"0.15 %\" if 0.15 in a hundred"
    );
    assert_eq!(
        refused(Displacement, "0.6 cm3"),
        "\"cm3\" is a unit of volume, but a volume per revolution is wanted here \
         (cm3/rev, mL/rev, mm3/rev) | "
    );
}

#[test]
fn what_is_no_finite_number_is_refused() {
    for text in
        ["NaN bar", "inf bar", "-inf bar", "1e400 bar", "1e308 GPa", "1e-400 bar", "bar", "", ".5 bar"]
    {
        assert!(Pressure.parse(text).is_err(), "{text}");
    }
}

#[test]
fn shown_for_people() {
    for (dimension, si, text) in [
        (Pressure, 40e6, "40 MPa"),
        (Pressure, 357_000.0, "3.57 bar"),
        (Pressure, 999_999.0, "10 bar"),
        (Pressure, 0.0, "0 bar"),
        (Pressure, -12_340_000.0, "-12.34 MPa"),
        (Time, 0.0482, "48.2 ms"),
        (Time, 41.8, "41.8 s"),
        (Flow, 2.38e-6, "2.38 cm³/s"),
        (Fraction, 0.965, "96.5 %"),
        (Resistance, 3.0, "3 Ω"),
        (Resistance, 0.15, "150 mΩ"),
        (Temperature, 25.04, "25.04 °C"),
        (Speed, 250.0 / 60.0, "250 rpm"),
        (Displacement, 0.6e-6, "0.6 cm³/rev"),
        (PulsesPerVolume, 1e7, "10000 /L"),
    ] {
        assert_eq!(dimension.display(si), text);
    }
}

#[test]
fn uncertainty_has_two_digits_and_sets_the_place_of_the_value() {
    for (dimension, si, expanded, text) in [
        (Pressure, 8.213e6, 0.341e6, "(8.21 ± 0.34) MPa"),
        (Pressure, 8.213e6, 0.0996e6, "(8.21 ± 0.10) MPa"),
        (Pressure, 8.213e6, 3.41e6, "(8.2 ± 3.4) MPa"),
        (Speed, 248.9 / 60.0, 126.0 / 60.0, "(250 ± 130) rpm"),
        (Pressure, -30.0, 2_000.0, "(0.000 ± 0.020) bar"),
        (Temperature, 25.0, 1.5, "(25.0 ± 1.5) °C"),
        (Resistance, 3.0, 0.0, "3 Ω"),
        (Resistance, 3.0, f64::INFINITY, "3 Ω, uncertainty unknown"),
    ] {
        assert_eq!(dimension.display_with_uncertainty(si, expanded), text);
    }
}

/// JCGM 100:2008, 7.2.6: two significant digits; always in the unit of the value, whatever its own size.
#[test]
fn standard_uncertainties_are_shown_in_the_unit_of_their_value() {
    for (dimension, si, standard, text) in [
        (Dimension::Resistance, 3.03, 0.068_8, "0.069 Ω"),
        (Dimension::Resistance, 3.03, 0.000_059, "0.000059 Ω"),
        (Dimension::Resistance, 3.03, 4.26e-9, "4.3e-9 Ω"),
        (Dimension::Pressure, 8.143e6, 6_900.0, "0.0069 MPa"),
        (Dimension::Temperature, 353.15, 0.5, "0.50 °C"),
        (Dimension::Pressure, 0.0, 1234.0, "0.012 bar"),
    ] {
        assert_eq!(dimension.display_uncertainty_of(si, standard), text);
    }
}

fn any_dimension() -> impl Strategy<Value = Dimension> {
    (0..Dimension::ALL.len()).prop_map(|index| Dimension::ALL[index])
}

proptest! {
    /// Four digits are shown at least, so no more than half a unit of the fourth is lost: 5e-4 of
    /// 1.000; twice that, because scaling may tip the last digit.
    #[test]
    fn what_is_shown_is_read_again(
        dimension in any_dimension(),
        mantissa in 1.0_f64..10.0,
        exponent in -12_i32..12,
        negative: bool,
    ) {
        let si = mantissa * 10_f64.powi(exponent) * if negative { -1.0 } else { 1.0 };
        let shown = dimension.display(si);
        let read = dimension.parse(&shown).map_err(|e| TestCaseError::fail(format!("{shown}: {e}")))?;
        prop_assert!((read - si).abs() <= 1e-3 * si.abs(), "{} {} {}", si, shown, read);
        // A comma in place of the point means the same or is refused.
        if let Ok(with_comma) = dimension.parse(&shown.replace('.', ",")) {
            prop_assert_eq!(with_comma, read);
        }
    }

    #[test]
    fn no_text_panics(dimension in any_dimension(), text: String) {
        if let Ok(si) = dimension.parse(&text) {
            prop_assert!(si.is_finite());
        }
    }

    #[test]
    fn nothing_like_a_quantity_panics(
        dimension in any_dimension(),
        text in "[-+−]?[0-9.,e ']{0,12} ?[a-zA-ZΩ°³/%]{0,6}",
    ) {
        if let Ok(si) = dimension.parse(&text) {
            prop_assert!(si.is_finite());
        }
    }
}
