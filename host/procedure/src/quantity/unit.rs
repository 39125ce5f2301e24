//! The units files may use, and the ones values are shown in. No other file knows a factor.

use super::Dimension;

/// One unit: `si = (number + offset) * times / per`. Two factors, because powers of ten are
/// exact in a divisor and not as factors below one.
#[derive(Debug)]
pub(super) struct Unit {
    /// As files write it.
    pub(super) written: &'static str,
    /// As people read it.
    pub(super) shown: &'static str,
    /// What else people write.
    pub(super) also: &'static [&'static str],
    pub(super) offset: f64,
    pub(super) times: f64,
    pub(super) per: f64,
}

impl Unit {
    const fn new(written: &'static str, also: &'static [&'static str], times: f64, per: f64) -> Unit {
        Unit { written, shown: written, also, offset: 0.0, times, per }
    }

    const fn shown(self, shown: &'static str) -> Unit {
        Unit { shown, ..self }
    }

    const fn offset(self, offset: f64) -> Unit {
        Unit { offset, ..self }
    }

    pub(super) fn to_si(&self, number: f64) -> f64 {
        (number + self.offset) * self.times / self.per
    }

    pub(super) fn number(&self, si: f64) -> f64 {
        si * self.per / self.times - self.offset
    }
}

/// The units of a dimension, the usual ones first.
pub(super) fn of(dimension: Dimension) -> &'static [Unit] {
    match dimension {
        Dimension::Fraction => &FRACTION,
        Dimension::Time => &TIME,
        Dimension::Pressure => &PRESSURE,
        Dimension::Flow => &FLOW,
        Dimension::Volume => &VOLUME,
        Dimension::Displacement => &DISPLACEMENT,
        Dimension::Speed => &SPEED,
        Dimension::Resistance => &RESISTANCE,
        Dimension::Voltage => &VOLTAGE,
        Dimension::Current => &CURRENT,
        Dimension::Inductance => &INDUCTANCE,
        Dimension::Temperature => &TEMPERATURE,
        Dimension::TemperatureDifference => &TEMPERATURE_DIFFERENCE,
        Dimension::VoltPerAmpere => &VOLT_PER_AMPERE,
        Dimension::VoltPerOhm => &VOLT_PER_OHM,
        Dimension::PulsesPerVolume => &PULSES_PER_VOLUME,
        Dimension::PressureRate => &PRESSURE_RATE,
    }
}

/// The unit of `dimension` that people mean by `found`.
pub(super) fn find(dimension: Dimension, found: &str) -> Option<&'static Unit> {
    let found = spelled_plainly(found);
    of(dimension).iter().find(|unit| unit.written == found || unit.also.contains(&found.as_str()))
}

/// The unit as people write it, in the letters of the tables above.
fn spelled_plainly(unit: &str) -> String {
    let mut plain = String::new();
    for c in unit.chars().filter(|c| !c.is_whitespace() && *c != '^') {
        match c {
            '³' => plain.push('3'),
            '°' => plain.push_str("deg"),
            'Ω' | '\u{2126}' => plain.push_str("ohm"),
            'µ' | 'μ' => plain.push('u'),
            c => plain.push(c),
        }
    }
    plain
}

// Each list begins with the units people would use first.
static FRACTION: [Unit; 1] = [Unit::new("%", &["percent"], 1.0, 1e2)];
static TIME: [Unit; 6] = [
    Unit::new("s", &["sec", "second", "seconds"], 1.0, 1.0),
    Unit::new("ms", &["msec"], 1.0, 1e3),
    Unit::new("min", &["minute", "minutes"], 60.0, 1.0),
    Unit::new("h", &["hour", "hours"], 3600.0, 1.0),
    Unit::new("us", &["usec"], 1.0, 1e6).shown("µs"),
    Unit::new("ns", &[], 1.0, 1e9),
];
static PRESSURE: [Unit; 7] = [
    Unit::new("MPa", &[], 1e6, 1.0),
    Unit::new("bar", &["bars"], 1e5, 1.0),
    Unit::new("kPa", &[], 1e3, 1.0),
    Unit::new("mbar", &[], 1e2, 1.0),
    Unit::new("Pa", &[], 1.0, 1.0),
    Unit::new("GPa", &[], 1e9, 1.0),
    // Pound-force per square inch: 0.453 592 37 kg x 9.806 65 m/s² / (0.0254 m)², all exact.
    Unit::new("psi", &[], 0.453_592_37 * 9.806_65, 0.0254 * 0.0254),
];
static FLOW: [Unit; 9] = [
    Unit::new("cm3/s", &[], 1.0, 1e6).shown("cm³/s"),
    Unit::new("mL/min", &["ml/min"], 1.0, 6e7),
    Unit::new("L/min", &["l/min"], 1.0, 6e4),
    Unit::new("L/h", &["l/h"], 1.0, 3.6e6),
    Unit::new("mL/s", &["ml/s"], 1.0, 1e6),
    Unit::new("cm3/min", &[], 1.0, 6e7).shown("cm³/min"),
    Unit::new("m3/s", &[], 1.0, 1.0).shown("m³/s"),
    Unit::new("L/s", &["l/s"], 1.0, 1e3),
    Unit::new("mm3/s", &[], 1.0, 1e9).shown("mm³/s"),
];
static VOLUME: [Unit; 5] = [
    Unit::new("cm3", &[], 1.0, 1e6).shown("cm³"),
    Unit::new("mL", &["ml"], 1.0, 1e6),
    Unit::new("L", &["l"], 1.0, 1e3),
    Unit::new("mm3", &[], 1.0, 1e9).shown("mm³"),
    Unit::new("m3", &[], 1.0, 1.0).shown("m³"),
];
static DISPLACEMENT: [Unit; 3] = [
    Unit::new("cm3/rev", &["cm3/r"], 1.0, 1e6).shown("cm³/rev"),
    Unit::new("mL/rev", &["ml/rev"], 1.0, 1e6),
    Unit::new("mm3/rev", &[], 1.0, 1e9).shown("mm³/rev"),
];
static SPEED: [Unit; 3] = [
    Unit::new("rpm", &["RPM", "r/min", "1/min", "/min"], 1.0, 60.0),
    Unit::new("rev/min", &[], 1.0, 60.0),
    Unit::new("rev/s", &["r/s"], 1.0, 1.0),
];
static RESISTANCE: [Unit; 4] = [
    Unit::new("ohm", &["Ohm", "ohms", "Ohms"], 1.0, 1.0).shown("Ω"),
    Unit::new("mohm", &["mOhm"], 1.0, 1e3).shown("mΩ"),
    Unit::new("kohm", &["kOhm"], 1e3, 1.0).shown("kΩ"),
    Unit::new("Mohm", &["MOhm"], 1e6, 1.0).shown("MΩ"),
];
static VOLTAGE: [Unit; 2] = [Unit::new("V", &["volt", "volts"], 1.0, 1.0), Unit::new("mV", &[], 1.0, 1e3)];
static CURRENT: [Unit; 2] =
    [Unit::new("A", &["amp", "amps", "ampere"], 1.0, 1.0), Unit::new("mA", &[], 1.0, 1e3)];
static INDUCTANCE: [Unit; 3] =
    [Unit::new("mH", &[], 1.0, 1e3), Unit::new("H", &[], 1.0, 1.0), Unit::new("uH", &[], 1.0, 1e6)];
static TEMPERATURE: [Unit; 3] = [
    Unit::new("degC", &[], 1.0, 1.0).shown("°C"),
    Unit::new("K", &[], 1.0, 1.0).offset(-273.15),
    Unit::new("degF", &[], 5.0, 9.0).offset(-32.0).shown("°F"),
];
static TEMPERATURE_DIFFERENCE: [Unit; 1] = [Unit::new("K", &[], 1.0, 1.0)];
static VOLT_PER_AMPERE: [Unit; 2] = [Unit::new("V/A", &[], 1.0, 1.0), Unit::new("mV/A", &[], 1.0, 1e3)];
static VOLT_PER_OHM: [Unit; 2] =
    [Unit::new("mV/ohm", &[], 1.0, 1e3).shown("mV/Ω"), Unit::new("V/ohm", &[], 1.0, 1.0).shown("V/Ω")];
static PULSES_PER_VOLUME: [Unit; 3] = [
    Unit::new("/L", &["1/L", "1/l", "/l", "pulses/L", "pulses/l"], 1e3, 1.0),
    Unit::new("/mL", &["1/mL", "1/ml", "/ml", "pulses/mL", "pulses/ml", "/cm3", "1/cm3"], 1e6, 1.0),
    Unit::new("/m3", &["1/m3", "pulses/m3"], 1.0, 1.0).shown("/m³"),
];
static PRESSURE_RATE: [Unit; 4] = [
    Unit::new("MPa/s", &[], 1e6, 1.0),
    Unit::new("bar/s", &[], 1e5, 1.0),
    Unit::new("bar/min", &[], 1e5, 60.0),
    Unit::new("Pa/s", &[], 1.0, 1.0),
];
