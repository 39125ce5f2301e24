//! Quantities that are given beside a recording: `80 degC`, or `80 degC within 2 K`.
//!
//! As in sheets, "within" is the half-width of a 95 % interval; without it the quantity is taken as exact,
//! and a note says so.

use crate::failure::Failure;
use stepwell_analysis::Input;
use stepwell_procedure::quantity::Dimension;
use stepwell_procedure::sheet;

/// Between a value and the half-width of its interval.
const WITHIN: [&str; 3] = [" within ", "±", "+-"];

/// What can be meant, in the unit a quantity is kept in: what sheets may say, and enamelled copper between hard
/// frost and burnt (common practice, no source).
fn possible(dimension: Dimension) -> (&'static str, std::ops::RangeInclusive<f64>) {
    match dimension {
        Dimension::Temperature => ("the temperature of a coil", -60.0..=250.0),
        Dimension::Volume => ("the volume of a rail with its pipes", sheet::RAIL_M3),
        Dimension::Pressure => ("the bulk modulus of a liquid", sheet::MODULUS_PA),
        Dimension::PulsesPerVolume => ("the pulses of a meter per volume", sheet::PULSES_PER_M3),
        _ => ("it", f64::MIN..=f64::MAX),
    }
}

/// Reads the quantity behind `--name`.
pub(crate) fn quantity(name: &str, dimension: Dimension, text: &str) -> Result<Input, Failure> {
    let wrong = |found: &stepwell_procedure::quantity::NotAQuantity| {
        let help = found.help.as_ref().map_or(String::new(), |help| format!("; {help}"));
        Failure::Usage(format!("reading --{name} {text:?}: {}{help}", found.message))
    };
    let parted = WITHIN.iter().find_map(|sign| text.split_once(sign));
    let (value, within) = parted.map_or((text, None), |(value, within)| (value, Some(within)));
    let value = dimension.parse(value).map_err(|found| wrong(&found))?;
    let (what, range) = possible(dimension);
    if !range.contains(&value) {
        return Err(Failure::Usage(format!(
            "reading --{name} {text:?}: {what} is not {}; {} to {} is possible here",
            dimension.display(value),
            dimension.display(*range.start()),
            dimension.display(*range.end())
        )));
    }
    let Some(within) = within else { return Ok(Input::exact(value)) };
    let difference = match dimension {
        Dimension::Temperature => Dimension::TemperatureDifference,
        other => other,
    };
    let half_width = if within.trim_end().ends_with('%') && dimension == Dimension::Temperature {
        return Err(Failure::Usage(format!(
            "reading --{name} {text:?}: a share of a Celsius temperature says nothing; write \"within 2 K\""
        )));
    } else if within.trim_end().ends_with('%') {
        Dimension::Fraction.parse(within).map(|share| (share * value).abs())
    } else {
        difference.parse(within)
    };
    let half_width = half_width.map_err(|found| wrong(&found))?;
    if half_width < 0.0 {
        return Err(Failure::Usage(format!(
            "reading --{name} {text:?}: an interval has no negative half-width"
        )));
    }
    if half_width >= value.abs() && !matches!(dimension, Dimension::Temperature | Dimension::Time) {
        return Err(Failure::Usage(format!(
            "reading --{name} {text:?}: with an interval that reaches zero it says nothing; check the units of both"
        )));
    }
    Ok(Input::within(value, half_width))
}

#[cfg(test)]
mod tests {
    use super::{Dimension, quantity};

    #[test]
    fn a_quantity_with_or_without_the_half_width_of_its_interval() {
        // JCGM 100:2008, 4.3.4: the half-width of a 95 % interval is 1.96 standard uncertainties.
        let read = |dimension, text| {
            quantity("x", dimension, text)
                .map(|i| (i.value, (1.96 * i.standard_uncertainty * 1e3).round() / 1e3))
        };
        assert_eq!(read(Dimension::Temperature, "80 degC").unwrap(), (80.0, 0.0));
        assert_eq!(read(Dimension::Temperature, "80 degC within 2 K").unwrap(), (80.0, 2.0));
        let (value, half_width) = read(Dimension::PulsesPerVolume, "40 /L ± 1 /L").unwrap();
        assert_eq!((value, half_width), (4e4, 1_000.018));
        let (value, half_width) = read(Dimension::Pressure, "1.4 GPa+-5 %").unwrap();
        assert_eq!(value, 1.4e9);
        assert!((half_width - 7e7).abs() < 2e3, "{half_width}");
        for wrong in [
            "80",
            "80 bar",
            "hot",
            "80 degC within 2 bar",
            "80 degC within -2 K",
            "80 degC within 5 %",
            "800 degC",
            "",
        ] {
            assert!(read(Dimension::Temperature, wrong).is_err(), "{wrong}");
        }
        for wrong in ["25 m3", "-25 mL", "0 mL", "25 mL within 40 mL", "0.025 mL"] {
            assert!(read(Dimension::Volume, wrong).is_err(), "{wrong}");
        }
        for wrong in ["1.4 MPa", "14 GPa"] {
            assert!(read(Dimension::Pressure, wrong).is_err(), "{wrong}");
        }
    }
}
