//! Reading a recording: text with a line of headings and a column for each signal, in SI units from here
//! on.
//!
//! Whatever could be read in two ways is refused, with the line and the way out. A file is read once, up
//! to [`BYTES_MAX`]; only the numbers of known columns are kept.

use super::columns::{Heading, Name, heading};
use super::number::{Numbers, last_digit};
use crate::failure::Failure;
use std::fmt::Display;
use std::io::Read;
use std::path::Path;

/// Largest file that is read, in bytes. A recording of that size has some ten million rows, a hundred
/// times what any measurement here gains from.
const BYTES_MAX: u64 = 256 << 20;

/// Nothing on a bench comes to this many of any SI unit: pressures end at 1e9 Pa, calendar times in seconds at
/// 1e10.
const SI_MAX: f64 = 1e12;

/// One column.
#[derive(Debug)]
struct Column {
    name: Name,
    /// In the SI unit of its dimension.
    values: Vec<f64>,
    /// The finest last digit of its numbers, over the largest of them.
    digit: f64,
}

/// A recording.
#[derive(Debug)]
pub(crate) struct Table {
    columns: Vec<Column>,
    /// What was passed over, in words.
    pub(crate) notes: Vec<String>,
}

impl Table {
    /// The column of that name, in the SI unit of its dimension.
    pub(crate) fn column(&self, name: Name) -> Option<&[f64]> {
        self.columns.iter().find(|column| column.name == name).map(|column| column.values.as_slice())
    }

    /// Whether the file has no other column, known or not.
    pub(crate) fn is_alone(&self, name: Name) -> bool {
        self.notes.is_empty() && self.names().eq([name])
    }

    /// How finely the numbers of a column are written: the finest last digit (writers drop zeros at the end)
    /// over the largest number.
    /// Zero for a column that is not there.
    pub(crate) fn digit(&self, name: Name) -> f64 {
        self.columns.iter().find(|column| column.name == name).map_or(0.0, |column| column.digit)
    }

    /// The names that are there.
    pub(crate) fn names(&self) -> impl Iterator<Item = Name> + '_ {
        self.columns.iter().map(|column| column.name)
    }

    pub(crate) fn read(path: &Path) -> Result<Table, Failure> {
        let text = text(path)?;
        parse(&text).map_err(|wrong| Failure::Usage(format!("reading {}: {wrong}", path.display())))
    }
}

/// The file as text. What is no text is told by its first bytes, so that the message can name it.
fn text(path: &Path) -> Result<String, Failure> {
    let wrong = |what: &dyn Display| Failure::Usage(format!("reading {}: {what}", path.display()));
    let file = std::fs::File::open(path).map_err(|error| wrong(&error))?;
    let about = file.metadata().map_err(|error| wrong(&error))?;
    if about.is_dir() {
        return Err(wrong(&"this is a folder; name a file of comma-separated values"));
    }
    let too_large = || {
        wrong(&format!(
            "the file is larger than {} MB; cut out the part that matters, or keep every tenth row",
            BYTES_MAX >> 20
        ))
    };
    if about.len() > BYTES_MAX {
        return Err(too_large());
    }
    let mut bytes = Vec::new();
    file.take(BYTES_MAX + 1).read_to_end(&mut bytes).map_err(|error| wrong(&error))?;
    if bytes.len() as u64 > BYTES_MAX {
        return Err(too_large());
    }
    if bytes.starts_with(&[0xFF, 0xFE]) || bytes.starts_with(&[0xFE, 0xFF]) {
        return Err(wrong(&"the text is UTF-16; save it again as UTF-8"));
    }
    if bytes.contains(&0) {
        return Err(wrong(&"this is no text (it holds zero bytes); export comma-separated values as UTF-8"));
    }
    let text = String::from_utf8(bytes).map_err(|error| {
        let sound = error.utf8_error().valid_up_to();
        let line = error.as_bytes()[..sound].split(|byte| *byte == b'\n').count();
        wrong(&format!("line {line} holds a character that is no UTF-8; save the file again as UTF-8"))
    })?;
    Ok(text.strip_prefix('\u{feff}').map(str::to_owned).unwrap_or(text))
}

/// What stands between two fields: what the headings are parted by. A heading alone has none, and then a
/// comma is free to be a decimal sign.
fn delimiter(headings: &str) -> u8 {
    [b';', b'\t', b','].into_iter().find(|byte| headings.as_bytes().contains(byte)).unwrap_or(b';')
}

/// A column under way.
struct Reading {
    name: Name,
    heading: String,
    to_si: Box<dyn Fn(f64) -> f64>,
    values: Vec<f64>,
    largest: f64,
    digit: f64,
}

/// A column under way, and its place in a row.
type Placed = (Reading, usize);

fn parse(text: &str) -> Result<Table, String> {
    let first = text.lines().find(|line| !line.trim().is_empty() && !line.starts_with('#'));
    let first = first.ok_or("the file is empty; a line of headings and rows of numbers are wanted")?;
    let delimiter = delimiter(first);
    let mut rows = csv::ReaderBuilder::new()
        .delimiter(delimiter)
        .comment(Some(b'#'))
        .trim(csv::Trim::All)
        .flexible(true)
        .from_reader(text.as_bytes());
    let headings = rows.headers().map_err(|error| error.to_string())?.clone();
    let (mut columns, notes) = headed(&headings)?;

    let mut numbers = Numbers::default();
    let mut row = csv::StringRecord::new();
    let mut count = 0_usize;
    while rows.read_record(&mut row).map_err(|error| error.to_string())? {
        let line = row.position().map_or(0, csv::Position::line);
        if row.len() != headings.len() {
            let hint = if delimiter == b',' && row.len() > headings.len() {
                "; where commas are decimal signs, part the columns by semicolons"
            } else {
                ""
            };
            return Err(format!(
                "line {line} has {} fields where the headings name {}{hint}",
                row.len(),
                headings.len()
            ));
        }
        for (reading, place) in &mut columns {
            let field = row.get(*place).unwrap_or_default();
            let told = |wrong: String| format!("line {line}, column “{}”: {wrong}", reading.heading);
            let number = numbers.read(field, line).map_err(told)?;
            reading.largest = reading.largest.max(number.abs());
            reading.digit = reading.digit.min(last_digit(field));
            let value = (reading.to_si)(number);
            if value.abs() > SI_MAX {
                return Err(told(format!("“{field}” is more than any recorder records; check the unit")));
            }
            if reading.name == Name::Time && reading.values.last().is_some_and(|last| value <= *last) {
                return Err(told(
                    "the time is not later than in the row before; rows must be in order, one instant each, \
                     with enough digits to tell them apart"
                        .to_owned(),
                ));
            }
            reading.values.push(value);
        }
        count += 1;
    }
    if count == 0 {
        return Err("there is no row of numbers below the headings".to_owned());
    }
    numbers.check()?;
    let columns = columns
        .into_iter()
        .map(|(Reading { name, values, largest, digit, .. }, _)| {
            let digit = if largest > 0.0 { digit / largest } else { 0.0 };
            Column { name, values, digit }
        })
        .collect();
    Ok(Table { columns, notes })
}

/// The columns that the headings name, with their places, and what is passed over.
fn headed(headings: &csv::StringRecord) -> Result<(Vec<Placed>, Vec<String>), String> {
    let mut columns: Vec<Placed> = Vec::new();
    let mut ignored: Vec<String> = Vec::new();
    for (place, text) in headings.iter().enumerate() {
        match heading(text) {
            Heading::Known(name, unit) => {
                let to_si = to_si(name, unit).map_err(|wrong| format!("column “{text}”: {wrong}"))?;
                if columns.iter().any(|(other, _)| other.name == name) {
                    return Err(format!(
                        "two columns are called “{}”; leave one out or call it something else",
                        name.word()
                    ));
                }
                let values = Vec::new();
                let heading = text.to_owned();
                columns.push((
                    Reading { name, heading, to_si, values, largest: 0.0, digit: f64::INFINITY },
                    place,
                ));
            }
            Heading::WithoutUnit(name) => {
                return Err(format!(
                    "column “{text}” has no unit; write it in square brackets, as in “{}”",
                    name.heading()
                ));
            }
            Heading::InOtherBrackets(name) => {
                return Err(format!(
                    "column “{text}”: write the unit in square brackets, as in “{}”",
                    name.heading()
                ));
            }
            Heading::Unknown if text.is_empty() => ignored.push(format!("column {} (no heading)", place + 1)),
            Heading::Unknown => ignored.push(format!("“{text}”")),
        }
    }
    if columns.is_empty() {
        let numbers = headings.iter().any(|field| field.parse::<f64>().is_ok());
        let found = if numbers { "the first line holds numbers" } else { "no heading is known here" };
        return Err(format!(
            "{found}; the first line must name the columns, each with its unit, such as “time [s]”, \
             “voltage [V]”, “current [A]”, “pressure [bar]”, “flow [mL/s]”, “duty [%]” or “temperature [degC]”"
        ));
    }
    let notes = match ignored.as_slice() {
        [] => Vec::new(),
        _ => vec![format!("not used: {}", ignored.join(", "))],
    };
    Ok((columns, notes))
}

fn to_si(name: Name, unit: &str) -> Result<Box<dyn Fn(f64) -> f64>, String> {
    // A share of one is how computers write duties; sheets, written by people, have per cent only.
    if name == Name::Duty && unit == "1" {
        return Ok(Box::new(|number| number));
    }
    match name.dimension().in_unit(unit) {
        Ok(to_si) => Ok(Box::new(to_si)),
        Err(wrong) => Err(match wrong.help {
            Some(help) => format!("{}; {help}", wrong.message),
            None => wrong.message,
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::{Name, parse};

    #[test]
    fn columns_come_in_si_units_whatever_their_order_and_delimiter() {
        let table =
            parse("\n# made by a logger\nPressure [bar],extra,time [ms]\n1.5,x,0\n2.5,y,10\n").unwrap();
        assert_eq!(table.column(Name::Pressure), Some([1.5e5, 2.5e5].as_slice()));
        assert_eq!(table.column(Name::Time), Some([0.0, 0.01].as_slice()));
        assert_eq!(table.notes, ["not used: “extra”"]);
        let table = parse("time [s];duty [%];absolute pressure [psi]\n0,05;15;14,7\n0,10;15;14,8\n").unwrap();
        assert_eq!(table.column(Name::Duty), Some([0.15, 0.15].as_slice()));
        assert_eq!(table.column(Name::Time), Some([0.05, 0.1].as_slice()));
        let table = parse("time [s]\n0,5\n0,75\n").unwrap();
        assert_eq!(table.column(Name::Time), Some([0.5, 0.75].as_slice()));
        let table = parse("time [s]\tflow [L/min]\n1\t6\n\n2\t6\n").unwrap();
        assert_eq!(table.column(Name::Flow), Some([1e-4, 1e-4].as_slice()));
    }

    #[test]
    fn what_can_be_read_in_two_ways_or_none_is_refused_with_its_place() {
        for (text, words) in [
            ("", "empty"),
            ("# only a remark\n", "empty"),
            ("time [s],voltage [V]\n", "no row of numbers"),
            ("0,1\n1,2\n", "the first line holds numbers"),
            ("t,u\n1,2\n", "no heading is known"),
            ("time,voltage [V]\n1,2\n", "“time” has no unit"),
            ("time [V],voltage [V]\n1,2\n", "unit of voltage"),
            ("time [s],voltage [W]\n1,2\n", "no unit known here"),
            ("time [s],time [ms]\n1,2\n", "two columns"),
            ("time [s],voltage [V]\n1,2\n2\n", "line 3 has 1 fields"),
            ("time [s],voltage [V]\n1,2\n1,5,2,5\n", "semicolons"),
            ("time [s],voltage [V]\n1,2\n1,3\n", "line 3, column “time [s]”: the time is not later"),
            ("time [s],voltage [V]\n2,2\n1,3\n", "not later"),
            ("time [s],voltage [V]\n1,NaN\n", "line 2, column “voltage [V]”: “NaN” is not a finite number"),
            ("time [s],voltage [V]\n1,inf\n", "not a finite number"),
            ("time [s],voltage [V]\n1,1e999\n", "not a finite number"),
            ("time [s],voltage [V]\n1,\n", "nothing here"),
            ("time [s],voltage [V]\n1,2e300\n", "more than any recorder"),
            ("time [s],voltage [V]\n1,twelve\n", "“twelve” is no number"),
            ("time [s];voltage [V]\n1;1.234,5\n", "both"),
            ("time [s];voltage [V]\n1;1,5\n2;1.5\n", "line 3"),
            ("time [s];voltage [V]\n1;1,500\n2;1,500\n", "thousands"),
        ] {
            let wrong = parse(text).expect_err(text);
            assert!(wrong.contains(words), "{text:?}: {wrong}");
        }
    }
}
