//! What each kind of recording is given to, and what comes back as findings.

mod air;
mod coil;
mod flow;
mod found;
mod leak_down;
mod step;
mod sweep;

use super::chart::{Chart, Scale};
use super::columns::Name;
use super::table::Table;
use super::{Analysis, given};
use crate::cli::{AnalyseArgs, AnalyseKind};
use crate::failure::Failure;
use stepwell_analysis::{Input, Measured};
use stepwell_procedure::quantity::Dimension;

/// Standard atmosphere, Pa (ISO 2533), what absolute pressures are taken against.
const ATMOSPHERE_PA: f64 = 101_325.0;

/// How far a duty that was recorded may lie outside 0 to 1 by the recorder's own offset.
const DUTY_OFFSET: f64 = 0.01;

/// Name of what the digits of a file leave uncertain.
const DIGITS: &str = "digits of the file";

/// What two kinds of recording tell alike.
const TIME_CONSTANT: found::Kind = ("time_constant", "Time constant", Dimension::Time);

/// A recording with what was given beside it.
struct Recording<'a> {
    table: &'a Table,
    kind: AnalyseKind,
    /// Pressure above atmosphere, Pa.
    gauge_pa: Option<Vec<f64>>,
    coil_celsius: Option<Input>,
    volume_m3: Option<Input>,
    liquid_modulus_pa: Option<Input>,
    k_factor_per_m3: Option<Input>,
    at_s: Option<Input>,
}

pub(crate) fn analyse(args: &AnalyseArgs, table: &Table) -> Result<Analysis, Failure> {
    let quantity = |name, dimension, text: &Option<String>| {
        text.as_ref().map(|text| given::quantity(name, dimension, text)).transpose()
    };
    let recording = Recording {
        table,
        kind: args.kind,
        gauge_pa: gauge_pa(table)?,
        coil_celsius: quantity("coil-temperature", Dimension::Temperature, &args.coil_temperature)?,
        volume_m3: quantity("volume", Dimension::Volume, &args.volume)?,
        liquid_modulus_pa: quantity("liquid-modulus", Dimension::Pressure, &args.liquid_modulus)?,
        k_factor_per_m3: quantity("k-factor", Dimension::PulsesPerVolume, &args.k_factor)?,
        at_s: quantity("at", Dimension::Time, &args.at)?,
    };
    let mut analysis = match args.kind {
        AnalyseKind::Coil => recording.coil(),
        AnalyseKind::Step => recording.step(),
        AnalyseKind::Air => recording.air(),
        AnalyseKind::LeakDown => recording.leak_down(),
        AnalyseKind::Sweep => recording.sweep(),
        AnalyseKind::Flow => recording.flow(),
    }?;
    for found in &mut analysis.findings {
        if let Ok(measured) = &mut found.result {
            *measured = recording.written(found.id, found.dimension, measured.clone());
            if let Some(why) = coil::impossible(found.id, found.dimension, measured.value) {
                found.result = Err(why);
            }
        }
    }
    analysis.notes.extend(recording.unused());
    analysis.notes.extend(recording.exact());
    Ok(analysis)
}

/// Pressure above atmosphere from whichever of the two columns is there.
fn gauge_pa(table: &Table) -> Result<Option<Vec<f64>>, Failure> {
    match (table.column(Name::Pressure), table.column(Name::AbsolutePressure)) {
        (Some(_), Some(_)) => Err(Failure::Usage(
            "the recording has a column “pressure” and a column “absolute pressure”; leave one of them out"
                .into(),
        )),
        (Some(gauge), None) => Ok(Some(gauge.to_vec())),
        (None, Some(absolute)) => {
            if let Some(below) = absolute.iter().find(|pa| **pa < 0.0) {
                return Err(Failure::Usage(format!(
                    "the column “absolute pressure” goes down to {}, and no absolute pressure is below zero; if it \
                     is pressure above atmosphere, name the column “pressure”",
                    Dimension::Pressure.display(*below)
                )));
            }
            Ok(Some(absolute.iter().map(|pa| pa - ATMOSPHERE_PA).collect()))
        }
        (None, None) => Ok(None),
    }
}

/// Columns and quantities that a kind uses, of a recording that has such columns.
fn uses(kind: AnalyseKind, table: &Table) -> (&'static [Name], &'static [&'static str]) {
    let has = |name| table.column(name).is_some();
    match kind {
        AnalyseKind::Coil => {
            (&[Name::Time, Name::Voltage, Name::Current, Name::Temperature], &["coil-temperature", "at"])
        }
        AnalyseKind::Step => (&[Name::Time, Name::Pressure, Name::AbsolutePressure, Name::Duty], &["at"]),
        AnalyseKind::Air => {
            (&[Name::Time, Name::Pressure, Name::AbsolutePressure, Name::Flow], &["volume", "liquid-modulus"])
        }
        AnalyseKind::LeakDown => {
            (&[Name::Time, Name::Pressure, Name::AbsolutePressure], &["volume", "liquid-modulus"])
        }
        AnalyseKind::Sweep if has(Name::Pressure) || has(Name::AbsolutePressure) => {
            (&[Name::Time, Name::Duty, Name::Pressure, Name::AbsolutePressure], &[])
        }
        AnalyseKind::Sweep => (&[Name::Time, Name::Duty, Name::Flow], &[]),
        AnalyseKind::Flow if has(Name::Flow) => (&[Name::Time, Name::Flow], &[]),
        AnalyseKind::Flow => (&[Name::Time], &["k-factor"]),
    }
}

impl Recording<'_> {
    fn column(&self, name: Name) -> Result<&[f64], Failure> {
        self.table.column(name).ok_or_else(|| self.missing(&name.heading()))
    }

    fn pressure_pa(&self) -> Result<&[f64], Failure> {
        self.gauge_pa.as_deref().ok_or_else(|| self.missing(&Name::Pressure.heading()))
    }

    /// Which of the two columns of pressure is there.
    fn pressure_column(&self) -> Name {
        let absolute = self.table.column(Name::AbsolutePressure).is_some();
        if absolute { Name::AbsolutePressure } else { Name::Pressure }
    }

    fn missing(&self, heading: &str) -> Failure {
        let there: Vec<&str> = self.table.names().map(Name::word).collect();
        Failure::Usage(format!(
            "the recording has no column “{heading}”, which this kind needs; there are: {}",
            there.join(", ")
        ))
    }

    /// Refuses a column of duty that holds anything but duties.
    fn check_duty(&self) -> Result<(), Failure> {
        let duty = self.table.column(Name::Duty).unwrap_or_default();
        let Some(row) = duty.iter().position(|duty| !(-DUTY_OFFSET..=1.0 + DUTY_OFFSET).contains(duty))
        else {
            return Ok(());
        };
        let found = Dimension::Fraction.display(duty[row]);
        Err(Failure::Usage(format!(
            "“duty” is {found} in row {} below the heading; a duty lies between 0 and 100 %: correct the column or \
             its unit{}",
            row + 1,
            if self.kind == AnalyseKind::Sweep {
                ""
            } else {
                ", or leave it out and say with --at when the duty changed"
            }
        )))
    }

    /// A value whose recording shows neither noise nor the steps of its recorder is still only as good as the
    /// digits it was written down with: rounding, rectangular over the last one. Where there is more than
    /// that it averages out.
    fn written(&self, id: &str, dimension: Dimension, measured: Measured) -> Measured {
        // Time and duty say when; how finely a value can be told is a matter of its signals.
        let signals =
            uses(self.kind, self.table).0.iter().filter(|name| !matches!(name, Name::Time | Name::Duty));
        let relative = signals.fold(0.0_f64, |all, name| all.hypot(self.table.digit(*name)));
        let largest_s = self
            .table
            .column(Name::Time)
            .map_or(0.0, |s| s.iter().fold(0.0_f64, |most, t| most.max(t.abs())));
        // An instant is read off the time axis; rounded times of an even clock are none the less even, and tell a
        // duration as finely as the signals do. A share is one of the whole; what the digits make of air is
        // tried out.
        let whole = match (id, dimension) {
            ("dead_time", _) => {
                (self.table.digit(Name::Time) * largest_s).max(measured.value.abs() * relative)
            }
            ("air_fraction", _) => 0.0,
            (_, Dimension::Fraction) => measured.value.abs().max(1.0) * relative,
            _ => measured.value.abs() * relative,
        };
        let rounding = whole / 12.0_f64.sqrt();
        if measured.standard_uncertainty() < rounding {
            measured.with_given(DIGITS, 1.0, rounding)
        } else {
            measured
        }
    }

    /// What is there and makes no difference.
    fn unused(&self) -> Vec<String> {
        let (columns, quantities) = uses(self.kind, self.table);
        let columns = self.table.names().filter(|name| !columns.contains(name)).map(Name::word);
        let quantities = self
            .given()
            .into_iter()
            .filter(|(name, given)| given.is_some() && !quantities.contains(name))
            .map(|(name, _)| name);
        let unused: Vec<&str> = columns.chain(quantities).collect();
        if unused.is_empty() {
            Vec::new()
        } else {
            vec![format!("makes no difference here: {}", unused.join(", "))]
        }
    }

    /// What has no uncertainty of its own in the budgets.
    fn exact(&self) -> Vec<String> {
        let quantities = uses(self.kind, self.table).1;
        let exact = |given: &Option<Input>| given.is_some_and(|input| input.standard_uncertainty == 0.0);
        let mut taken: Vec<&str> = self
            .given()
            .into_iter()
            .filter(|(name, given)| *name != "at" && quantities.contains(name) && exact(given))
            .map(|(name, _)| name)
            .collect();
        taken.push("the recorder's calibration");
        vec![format!("taken as exact: {}", taken.join(", "))]
    }

    fn given(&self) -> [(&'static str, Option<Input>); 5] {
        [
            ("coil-temperature", self.coil_celsius),
            ("volume", self.volume_m3),
            ("liquid-modulus", self.liquid_modulus_pa),
            ("k-factor", self.k_factor_per_m3),
            ("at", self.at_s),
        ]
    }

    fn chart(&self, title: &str, y: Scale, values: &[f64], fit: Vec<(f64, f64)>) -> Result<Chart, Failure> {
        let data = self.column(Name::Time)?.iter().copied().zip(values.iter().copied()).collect();
        let x = Scale { name: "time", dimension: Dimension::Time };
        Ok(Chart { title: title.to_owned(), x, y, data, fit })
    }
}
