//! The columns that recordings may have: names of the trade, each with its dimension.

use stepwell_procedure::quantity::Dimension;

/// A column that means something here.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Name {
    Time,
    Voltage,
    Current,
    Pressure,
    AbsolutePressure,
    Flow,
    Duty,
    Temperature,
}

impl Name {
    const ALL: [Name; 8] = [
        Name::Time,
        Name::Voltage,
        Name::Current,
        Name::Pressure,
        Name::AbsolutePressure,
        Name::Flow,
        Name::Duty,
        Name::Temperature,
    ];

    pub(crate) const fn word(self) -> &'static str {
        match self {
            Name::Time => "time",
            Name::Voltage => "voltage",
            Name::Current => "current",
            Name::Pressure => "pressure",
            Name::AbsolutePressure => "absolute pressure",
            Name::Flow => "flow",
            Name::Duty => "duty",
            Name::Temperature => "temperature",
        }
    }

    pub(crate) const fn dimension(self) -> Dimension {
        match self {
            Name::Time => Dimension::Time,
            Name::Voltage => Dimension::Voltage,
            Name::Current => Dimension::Current,
            Name::Pressure | Name::AbsolutePressure => Dimension::Pressure,
            Name::Flow => Dimension::Flow,
            Name::Duty => Dimension::Fraction,
            Name::Temperature => Dimension::Temperature,
        }
    }

    /// The heading as it is to be written.
    pub(crate) fn heading(self) -> String {
        let unit = self.dimension().unit_names().next().unwrap_or("1");
        format!("{} [{unit}]", self.word())
    }
}

/// What a heading says.
pub(crate) enum Heading<'a> {
    /// A column of ours, with its unit.
    Known(Name, &'a str),
    /// A name of ours without a unit in brackets.
    WithoutUnit(Name),
    /// A name of ours with its unit in brackets of another kind.
    InOtherBrackets(Name),
    /// None of ours.
    Unknown,
}

/// Reads `name [unit]`; capitals and spaces do not matter.
pub(crate) fn heading(text: &str) -> Heading<'_> {
    let (name, unit) = match text.split_once('[') {
        Some((name, rest)) => (name, rest.trim_end().strip_suffix(']')),
        None => (text, None),
    };
    let known = |name: &str| {
        let plain = name.split_whitespace().collect::<Vec<_>>().join(" ").to_lowercase();
        Name::ALL.into_iter().find(|known| known.word() == plain)
    };
    if let Some(other) = text.split_once(['(', '{']).and_then(|(name, _)| known(name)) {
        return Heading::InOtherBrackets(other);
    }
    match (known(name), unit) {
        (Some(known), Some(unit)) => Heading::Known(known, unit.trim()),
        (Some(known), None) => Heading::WithoutUnit(known),
        (None, _) => Heading::Unknown,
    }
}
