//! Quantities: numbers with units, as people write and read them.
//!
//! In: `"40 MPa"`, `"2,5 bar"`, `"0.6cm3/rev"` become a plain number in the SI unit of the wanted
//! [`Dimension`]; whatever is not plainly that is refused with the way out. Out: a unit that fits the
//! size of the value, and no more digits than are meant. Numbers inside the program are in SI units
//! always (temperatures in °C); units exist only here.

mod number;
mod unit;

use number::{at_place, exponent, plain};
use serde::{Deserialize, Serialize};
use unit::Unit;

/// What kind of quantity a number is. The unit in brackets is the one numbers are kept in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Dimension {
    /// A share of a whole \[1\].
    Fraction,
    /// \[s\].
    Time,
    /// Above atmosphere unless said otherwise \[Pa\].
    Pressure,
    /// Volume flow \[m³/s\].
    Flow,
    /// \[m³\].
    Volume,
    /// Volume per revolution \[m³/rev\].
    Displacement,
    /// Rotational speed \[rev/s\].
    Speed,
    /// \[Ω\].
    Resistance,
    /// \[V\].
    Voltage,
    /// \[A\].
    Current,
    /// \[H\].
    Inductance,
    /// On the Celsius scale \[°C\].
    Temperature,
    /// \[K\].
    TemperatureDifference,
    /// Output of a current measurement \[V/A\].
    VoltPerAmpere,
    /// Output of a resistance measurement \[V/Ω\].
    VoltPerOhm,
    /// Pulses per volume \[1/m³\].
    PulsesPerVolume,
    /// Pressure per time \[Pa/s\].
    PressureRate,
}

/// A text that is not a quantity of the wanted dimension.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{message}")]
pub struct NotAQuantity {
    /// What was found and what was expected.
    pub message: String,
    /// What to write instead.
    pub help: Option<String>,
}

impl NotAQuantity {
    fn new(message: String, help: String) -> NotAQuantity {
        NotAQuantity { message, help: Some(help) }
    }
}

impl Dimension {
    /// Every dimension there is.
    pub const ALL: [Dimension; 17] = [
        Dimension::Fraction,
        Dimension::Time,
        Dimension::Pressure,
        Dimension::Flow,
        Dimension::Volume,
        Dimension::Displacement,
        Dimension::Speed,
        Dimension::Resistance,
        Dimension::Voltage,
        Dimension::Current,
        Dimension::Inductance,
        Dimension::Temperature,
        Dimension::TemperatureDifference,
        Dimension::VoltPerAmpere,
        Dimension::VoltPerOhm,
        Dimension::PulsesPerVolume,
        Dimension::PressureRate,
    ];

    /// The dimension in words, without an article.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Dimension::Fraction => "percentage",
            Dimension::Time => "time",
            Dimension::Pressure => "pressure",
            Dimension::Flow => "flow",
            Dimension::Volume => "volume",
            Dimension::Displacement => "volume per revolution",
            Dimension::Speed => "speed",
            Dimension::Resistance => "resistance",
            Dimension::Voltage => "voltage",
            Dimension::Current => "current",
            Dimension::Inductance => "inductance",
            Dimension::Temperature => "temperature",
            Dimension::TemperatureDifference => "temperature difference",
            Dimension::VoltPerAmpere => "voltage per current",
            Dimension::VoltPerOhm => "voltage per resistance",
            Dimension::PulsesPerVolume => "number of pulses per volume",
            Dimension::PressureRate => "pressure per time",
        }
    }

    /// The units that files may use, the usual ones first.
    pub fn unit_names(self) -> impl Iterator<Item = &'static str> {
        unit::of(self).iter().map(|unit| unit.written)
    }

    /// What is wanted, for messages: `a time is wanted here (s, ms, min, h)`.
    #[must_use]
    pub fn wanted(self) -> String {
        let article = if self == Dimension::Inductance { "an" } else { "a" };
        let units: Vec<&str> = self.unit_names().collect();
        format!("{article} {} is wanted here ({})", self.name(), units.join(", "))
    }

    /// Reads a number with a unit; the result is in the dimension's own unit.
    ///
    /// The decimal sign is a point or a comma, where it cannot be taken for a thousands separator.
    ///
    /// # Errors
    ///
    /// When there is no number, no unit, a unit of something else, an unknown unit, a number that can
    /// be read in two ways, or one too large or too small to be kept.
    pub fn parse(self, text: &str) -> Result<f64, NotAQuantity> {
        let text = text.trim();
        let (digits, unit) = number::split(text);
        if digits.is_empty() {
            return Err(self.no_number(text));
        }
        let number = number::read(digits, unit)?;
        let unit = self.unit(digits, number, unit)?;
        let si = unit.to_si(number);
        if !si.is_finite() {
            return Err(NotAQuantity::new(
                format!("{text:?} is too large to be a {}", self.name()),
                "check the exponent and the unit".to_owned(),
            ));
        }
        Ok(si)
    }

    /// A number in a unit written elsewhere, as in the heading of a column.
    ///
    /// # Errors
    ///
    /// When the unit is one of something else, or unknown.
    pub fn in_unit(self, unit: &str) -> Result<impl Fn(f64) -> f64 + use<>, NotAQuantity> {
        let found = unit::find(self, unit).ok_or_else(|| self.no_such_unit("", unit))?;
        Ok(|number| found.to_si(number))
    }

    fn no_number(self, text: &str) -> NotAQuantity {
        let bare_point =
            text.strip_prefix(['.', ',']).filter(|rest| rest.starts_with(|c: char| c.is_ascii_digit()));
        if let Some(rest) = bare_point {
            return NotAQuantity::new(
                format!("{text:?} begins with a decimal sign, which is easily overlooked"),
                format!("write \"0.{rest}\""),
            );
        }
        let found = if text.is_empty() {
            "there is nothing here".to_owned()
        } else {
            format!("{text:?} does not begin with a number")
        };
        NotAQuantity::new(
            format!("{found}, but {}", self.wanted()),
            format!("write a number and a unit, such as \"{}\"", self.example()),
        )
    }

    /// An example of the dimension for help texts.
    const fn example(self) -> &'static str {
        match self {
            Dimension::Fraction => "15 %",
            Dimension::Time => "10 s",
            Dimension::Pressure => "40 MPa",
            Dimension::Flow => "2.4 cm3/s",
            Dimension::Volume => "25 cm3",
            Dimension::Displacement => "0.6 cm3/rev",
            Dimension::Speed => "250 rpm",
            Dimension::Resistance => "2.1 ohm",
            Dimension::Voltage => "12 V",
            Dimension::Current => "1.5 A",
            Dimension::Inductance => "18 mH",
            Dimension::Temperature => "25 degC",
            Dimension::TemperatureDifference => "3 K",
            Dimension::VoltPerAmpere => "1 V/A",
            Dimension::VoltPerOhm => "2 mV/ohm",
            Dimension::PulsesPerVolume => "10000 /L",
            Dimension::PressureRate => "2 bar/s",
        }
    }

    fn unit(self, digits: &str, number: f64, found: &str) -> Result<&'static Unit, NotAQuantity> {
        if found.is_empty() {
            return Err(self.needs_unit(digits, number));
        }
        unit::find(self, found).ok_or_else(|| self.no_such_unit(digits, found))
    }

    fn no_such_unit(self, digits: &str, found: &str) -> NotAQuantity {
        let other = Dimension::ALL.into_iter().find(|other| unit::find(*other, found).is_some());
        if let Some(other) = other {
            return NotAQuantity {
                message: format!("{found:?} is a unit of {}, but {}", other.name(), self.wanted()),
                help: None,
            };
        }
        let others = unit::of(self).iter().flat_map(|unit| unit.also.iter().copied());
        // Whatever was nearly written, it is told as the list beside spells it.
        let nearest = nearest(found, self.unit_names().chain(others))
            .and_then(|near| unit::find(self, near))
            .map(|unit| unit.written);
        NotAQuantity {
            message: format!("{found:?} is no unit known here; {}", self.wanted()),
            help: nearest
                .map(|unit| format!("did you mean \"{}\"?", format!("{digits} {unit}").trim_start())),
        }
    }

    /// What to say of a number without a unit.
    #[must_use]
    pub(crate) fn needs_unit(self, digits: &str, number: f64) -> NotAQuantity {
        let help = match self {
            Dimension::Fraction if number != 0.0 && number.abs() < 1.0 => format!(
                "write \"{} %\" if {digits} of the whole is meant, \"{digits} %\" if {digits} in a hundred",
                plain(number * 100.0)
            ),
            _ => {
                let choices: Vec<String> =
                    self.unit_names().take(2).map(|unit| format!("\"{digits} {unit}\"")).collect();
                format!("write {}", choices.join(" or "))
            }
        };
        NotAQuantity::new(format!("{digits} needs a unit: {}", self.wanted()), help)
    }

    /// The unit in which a value is shown: bar below 1 MPa and MPa from there on, because feed and
    /// return pressures are talked of in bar and rail pressures in MPa; other dimensions by their
    /// size, with the usual unit for zero.
    fn unit_for(self, si: f64) -> &'static Unit {
        let at_least = |floor: f64| si.abs() >= floor;
        let written = match self {
            Dimension::Pressure if at_least(1e9) => "GPa",
            Dimension::Pressure if at_least(1e6) => "MPa",
            Dimension::Pressure => "bar",
            Dimension::Time if si == 0.0 || at_least(1.0) => "s",
            Dimension::Time => "ms",
            Dimension::Volume if at_least(1e-3) => "L",
            Dimension::Resistance if at_least(1e6) => "Mohm",
            Dimension::Resistance if at_least(1e3) => "kohm",
            Dimension::Resistance if si != 0.0 && !at_least(1.0) => "mohm",
            Dimension::Voltage if si != 0.0 && !at_least(1.0) => "mV",
            Dimension::Current if si != 0.0 && !at_least(1.0) => "mA",
            Dimension::Inductance if at_least(1.0) => "H",
            _ => unit::of(self)[0].written,
        };
        unit::of(self).iter().find(|unit| unit.written == written).unwrap_or(&unit::of(self)[0])
    }

    /// The unit in which a value of this size is shown, and how many of it there are in one of the
    /// dimension's own unit: for axes.
    #[must_use]
    pub fn scale_for(self, si: f64) -> (&'static str, f64) {
        let unit = self.unit_for(si);
        (unit.shown, unit.per / unit.times)
    }

    /// The value for people, with at least four significant digits less trailing zeros.
    #[must_use]
    pub fn display(self, si: f64) -> String {
        let unit = self.unit_for(si);
        with_unit(&plain(unit.number(si)), unit)
    }

    /// The value with the half-width of its interval: the uncertainty to two significant digits, the
    /// value to the same place (JCGM 100:2008, 7.2.6). A value whose uncertainty is not finite is
    /// shown as [`Self::display`] does, with a word on it.
    #[must_use]
    pub fn display_with_uncertainty(self, si: f64, expanded: f64) -> String {
        if !expanded.is_finite() {
            return format!("{}, uncertainty unknown", self.display(si));
        }
        let unit = self.unit_for(si);
        let half_width = expanded.abs() * unit.per / unit.times;
        if half_width == 0.0 {
            return self.display(si);
        }
        let place = exponent(half_width, 2) - 1;
        let number = unit.number(si);
        with_unit(&format!("({} ± {})", at_place(number, place), at_place(half_width, place)), unit)
    }

    /// A standard uncertainty of the value `si` to two significant digits, in the unit in which that
    /// value is shown.
    #[must_use]
    pub fn display_uncertainty_of(self, si: f64, standard: f64) -> String {
        let unit = self.unit_for(si);
        let number = standard.abs() * unit.per / unit.times;
        let text =
            if number < SMALL { format!("{number:.1e}") } else { at_place(number, exponent(number, 2) - 1) };
        with_unit(&text, unit)
    }
}

/// Below, a number is written with an exponent.
const SMALL: f64 = 1e-6;

/// The candidate nearest to `found`, when one is near enough to be meant.
pub(crate) fn nearest<'a>(found: &str, candidates: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let folded = found.to_lowercase();
    // One slip in three letters, but one at least.
    let slips_max = (folded.chars().count() / 3).max(1);
    candidates
        .map(|candidate| (strsim::damerau_levenshtein(&folded, &candidate.to_lowercase()), candidate))
        .filter(|(slips, candidate)| *slips <= slips_max && *slips < candidate.chars().count())
        .min_by_key(|(slips, _)| *slips)
        .map(|(_, candidate)| candidate)
}

fn with_unit(number: &str, unit: &Unit) -> String {
    // "10000 /L" keeps its space too: a number never touches its unit.
    format!("{number} {}", unit.shown)
}
