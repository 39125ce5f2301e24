//! Quantities that are given beside a recording: `80 degC`, or `80 degC within 2 K`.
//!
//! As in sheets, "within" is the half-width of a 95 % interval; without it the quantity is taken as exact,
//! and a note says so.

use crate::failure::Failure;
use stepwell_analysis::Input;
use stepwell_procedure::quantity::Dimension;

/// Between a value and the half-width of its interval.
const WITHIN: [&str; 3] = [" within ", "±", "+-"];

/// Temperatures at which enamelled copper is used, in °C (common practice, no source).
const CELSIUS: std::ops::RangeInclusive<f64> = -60.0..=250.0;

/// Reads the quantity behind `--name`.
pub(crate) fn quantity(name: &str, dimension: Dimension, text: &str) -> Result<Input, Failure> {
    let wrong = |found: &stepwell_procedure::quantity::NotAQuantity| {
        let help = found.help.as_ref().map_or(String::new(), |help| format!("; {help}"));
        Failure::Usage(format!("reading --{name} {text:?}: {}{help}", found.message))
    };
    let parted = WITHIN.iter().find_map(|sign| text.split_once(sign));
    let (value, within) = parted.map_or((text, None), |(value, within)| (value, Some(within)));
    let value = dimension.parse(value).map_err(|found| wrong(&found))?;
    let may_be_negative = matches!(dimension, Dimension::Temperature | Dimension::Time);
    if value <= 0.0 && !may_be_negative {
        return Err(Failure::Usage(format!("reading --{name} {text:?}: it must be above zero")));
    }
    if dimension == Dimension::Temperature && !CELSIUS.contains(&value) {
        return Err(Failure::Usage(format!(
            "reading --{name} {text:?}: no coil of a valve is at {}; {} to {} is possible here",
            dimension.display(value),
            dimension.display(*CELSIUS.start()),
            dimension.display(*CELSIUS.end())
        )));
    }
    let Some(within) = within else { return Ok(Input::exact(value)) };
    let difference = match dimension {
        Dimension::Temperature => Dimension::TemperatureDifference,
        other => other,
    };
    let half_width = if within.trim_end().ends_with('%') {
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
    Ok(Input::new(value, half_width / 2.0))
}

#[cfg(test)]
mod tests {
    use super::{Dimension, quantity};

    #[test]
    fn a_quantity_with_or_without_the_half_width_of_its_interval() {
        let read =
            |dimension, text| quantity("x", dimension, text).map(|i| (i.value, i.standard_uncertainty));
        assert_eq!(read(Dimension::Temperature, "80 degC").unwrap(), (80.0, 0.0));
        assert_eq!(read(Dimension::Temperature, "80 degC within 2 K").unwrap(), (80.0, 1.0));
        assert_eq!(read(Dimension::Volume, "40 mL ± 1 mL").unwrap(), (4e-5, 5e-7));
        let (value, u) = read(Dimension::Pressure, "1.4 GPa+-5 %").unwrap();
        assert_eq!(value, 1.4e9);
        assert!((u - 3.5e7).abs() < 1e-3);
        for wrong in ["80", "80 bar", "hot", "80 degC within 2 bar", "80 degC within -2 K", ""] {
            assert!(read(Dimension::Temperature, wrong).is_err(), "{wrong}");
        }
    }
}
