//! What each kind of recording is given to, and what comes back as findings.

use super::chart::{Chart, Scale};
use super::columns::Name;
use super::table::Table;
use super::{Analysis, Found, given};
use crate::cli::{AnalyseArgs, AnalyseKind};
use crate::failure::Failure;
use stepwell_analysis::air::{self, BuildUp};
use stepwell_analysis::coil::CoilTemperature;
use stepwell_analysis::coil::transient::{self, CoilRecord};
use stepwell_analysis::edges::edges;
use stepwell_analysis::flow::{self, Meter};
use stepwell_analysis::leak::{self, Leak, LeakDown, Leaking};
use stepwell_analysis::reason::Signal;
use stepwell_analysis::step::{self, Shape, StepRecord};
use stepwell_analysis::sweep::{self, SweepRecord};
use stepwell_analysis::{Input, Measured, Unmeasured, stats};
use stepwell_procedure::quantity::Dimension;
use stepwell_procedure::sheet;

/// Standard atmosphere, Pa (ISO 2533), what absolute pressures are taken against.
const ATMOSPHERE_PA: f64 = 101_325.0;

/// How far atmospheric pressure may be from it by the weather: 2 kPa either way, all equally likely; in Pa.
const WEATHER_U_PA: f64 = 2_000.0 / 1.732_050_807_568_877_2;

/// How far a duty that was recorded may lie outside 0 to 1 by the recorder's own offset.
const DUTY_OFFSET: f64 = 0.01;

/// Least range of duty that a sweep goes over (common practice, no source).
const SWEEP_RANGE_MIN: f64 = 0.01;

/// Name of what the digits of a file leave uncertain.
const DIGITS: &str = "digits of the file";

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
            if let Some(why) = impossible(found.id, found.dimension, measured.value) {
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

/// What no winding of a valve has: nearly always a
/// column in another unit than its heading says.
fn impossible(id: &str, dimension: Dimension, value: f64) -> Option<String> {
    let possible = match id {
        "coil_resistance_20c" => sheet::COIL_OHM,
        "coil_inductance" => sheet::COIL_H,
        _ => return None,
    };
    let [found, least, most] =
        [value, *possible.start(), *possible.end()].map(|value| dimension.display(value));
    (!possible.contains(&value)).then(|| {
        format!(
            "it comes to {found}, and that of a valve's winding is {least} to {most}; check the units in the \
             headings of time, voltage and current"
        )
    })
}

/// A sweep over less than one per cent of duty moves no valve: shares of one under a heading of per cent.
fn check_range(duty: &[f64]) -> Result<(), Failure> {
    let (least, most) =
        duty.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), d| (low.min(*d), high.max(*d)));
    if most > least && most - least < SWEEP_RANGE_MIN {
        let [least, most] = [least, most].map(|duty| Dimension::Fraction.display(duty));
        return Err(Failure::Usage(format!(
            "the duty goes from {least} to {most} only, too little for a sweep; if these are shares of one, head the \
             column “duty [1]”"
        )));
    }
    Ok(())
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

/// What is to be said of a leak beside its numbers: whether there is one, by which law, and what of the recording
/// is not its own.
fn leak_notes(leak: &Leak, time_s: &[f64]) -> Vec<String> {
    let share = |share| Dimension::Fraction.display(share);
    let law = if leak.is_told() {
        let (law, other) = match leak.leaking {
            Leaking::Laminar => (GAP, HOLE),
            Leaking::Orifice => (HOLE, GAP),
        };
        if leak.leaking_share > leak::DECIDED_SHARE {
            format!("it leaks {law}, so says {} of the evidence", share(leak.leaking_share))
        } else {
            format!(
                "whether it leaks {law} or {other} the recording does not tell ({} and {} of the evidence): both are \
                 in the uncertainty",
                share(leak.leaking_share),
                share(1.0 - leak.leaking_share)
            )
        }
    } else {
        format!(
            "no leak can be told from the noise; if there is one, pressure falls by at most {} a second (95 % \
             confidence)",
            Dimension::Pressure.display(leak.rate_most_pa_per_s())
        )
    };
    let mut notes = vec![law];
    if leak.from_s > time_s[0] {
        let from = Dimension::Time.display(leak.from_s);
        notes.push(format!("what comes before {from} falls in another way and was left out"));
    }
    if leak.to_s < time_s[time_s.len() - 1] {
        let to = Dimension::Time.display(leak.to_s);
        notes.push(format!(
            "pressure falls suddenly faster after {to}, as if the rail had been opened: what comes then was left out"
        ));
    }
    notes
}

const GAP: &str = "in proportion to pressure (a narrow gap)";
const HOLE: &str = "with the square root of pressure (a hole)";

/// A finding that comes to the same reason as the whole recording.
fn refused(findings: &[(&'static str, &'static str, Dimension)], why: &Unmeasured, chart: Chart) -> Analysis {
    let findings =
        findings.iter().map(|&(id, label, dimension)| found(id, label, dimension, Err(*why))).collect();
    Analysis { findings, notes: Vec::new(), chart: Some(chart) }
}

fn found(
    id: &'static str,
    label: &'static str,
    dimension: Dimension,
    result: Result<Measured, Unmeasured>,
) -> Found {
    let told = |why: Unmeasured| match (why, option_for(id)) {
        (Unmeasured::NotGiven { .. }, Some(option)) => format!("{why} ({option})"),
        _ => why.to_string(),
    };
    Found { id, label, dimension, result: result.map_err(told), notes: Vec::new() }
}

/// How to give what a finding asks for when the recording alone does not hold it.
fn option_for(id: &str) -> Option<&'static str> {
    match id {
        "coil_resistance_20c" => Some("--coil-temperature \"23 degC within 1 K\""),
        "air_fraction" => Some("--liquid-modulus \"1.4 GPa within 5 %\""),
        "dead_time" => Some("--at \"0.5 s\""),
        "flow" => Some("--k-factor \"8234 /L within 1 %\""),
        _ => None,
    }
}

fn noted(mut found: Found, note: impl Into<String>) -> Found {
    found.notes.push(note.into());
    found
}

const RESISTANCE: (&str, &str, Dimension) =
    ("coil_resistance_20c", "Resistance at 20 °C", Dimension::Resistance);
const INDUCTANCE: (&str, &str, Dimension) = ("coil_inductance", "Inductance", Dimension::Inductance);
const RISE: (&str, &str, Dimension) = ("pressure_rise", "Pressure rise", Dimension::Pressure);
const DEAD_TIME: (&str, &str, Dimension) = ("dead_time", "Dead time", Dimension::Time);
const TIME_CONSTANT: (&str, &str, Dimension) = ("time_constant", "Time constant", Dimension::Time);
const RISE_TIME: (&str, &str, Dimension) = ("rise_time_10_90", "Rise time 10–90 %", Dimension::Time);
const OVERSHOOT: (&str, &str, Dimension) = ("overshoot", "Overshoot", Dimension::Fraction);
const AIR: (&str, &str, Dimension) = ("air_fraction", "Air", Dimension::Fraction);
const LEAK_FLOW: (&str, &str, Dimension) = ("leak_rate", "Leak", Dimension::Flow);
const LEAK_FALL: (&str, &str, Dimension) = ("leak_rate", "Fall of pressure", Dimension::PressureRate);
const HYSTERESIS: (&str, &str, Dimension) = ("hysteresis", "Hysteresis", Dimension::Fraction);
const DEAD_BAND: (&str, &str, Dimension) = ("dead_band", "Dead band", Dimension::Fraction);
const LINEARITY: (&str, &str, Dimension) = ("linearity", "Linearity", Dimension::Fraction);
const FLOW: (&str, &str, Dimension) = ("flow", "Flow", Dimension::Flow);

fn of(
    (id, label, dimension): (&'static str, &'static str, Dimension),
    result: Result<Measured, Unmeasured>,
) -> Found {
    found(id, label, dimension, result)
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

    fn coil(&self) -> Result<Analysis, Failure> {
        let time_s = self.column(Name::Time)?;
        let voltage_v = self.column(Name::Voltage)?;
        let current_a = self.column(Name::Current)?;
        let record = CoilRecord {
            time_s,
            voltage_v,
            current_a,
            current_gain: Input::exact(1.0),
            voltage_gain: Input::exact(1.0),
            lead_ohm: Input::exact(0.0),
            temperature: self
                .coil_celsius
                .or(self.first_celsius())
                .map(|celsius| CoilTemperature { celsius }),
            at_s: self.exact_instant_s()?,
        };
        let y = Scale { name: "current", dimension: Dimension::Current };
        let mut chart = self.chart("Coil current", y, current_a, Vec::new())?;
        Ok(match transient::transient(&record) {
            Err(why) => refused(&[RESISTANCE, INDUCTANCE, TIME_CONSTANT], &why, chart),
            Ok(coil) => {
                chart.fit = time_s.iter().copied().zip(coil.curve_a).collect();
                let mut resistance = of(RESISTANCE, coil.resistance_20c);
                if let (Err(_), Ok(as_it_was)) = (&resistance.result, &coil.resistance) {
                    let value = Dimension::Resistance
                        .display_with_uncertainty(as_it_was.value, as_it_was.expanded_uncertainty());
                    resistance = noted(resistance, format!("at the temperature it had it was {value}"));
                }
                if coil.is_from_steady_end {
                    resistance = noted(resistance, "from the steady end; the rise follows no exponential");
                }
                let findings =
                    vec![resistance, of(INDUCTANCE, coil.inductance_h), of(TIME_CONSTANT, coil.tau_s)];
                Analysis { findings, notes: Vec::new(), chart: Some(chart) }
            }
        })
    }

    /// The instant of `--at` for a coil, whose edge is found to a sample: only how far off it may be is of no use.
    fn exact_instant_s(&self) -> Result<Option<f64>, Failure> {
        match self.at_s {
            Some(at) if at.standard_uncertainty > 0.0 => Err(Failure::Usage(
                "--at of a coil takes an instant without an interval; leave --at out, and the edge is found in the \
                 recording"
                    .into(),
            )),
            at => Ok(at.map(|at| at.value)),
        }
    }

    /// Temperature of the coil at the first row, by a straight line through its column.
    fn first_celsius(&self) -> Option<Input> {
        let (time_s, celsius) = (self.table.column(Name::Time)?, self.table.column(Name::Temperature)?);
        Some(match stats::line(time_s, celsius) {
            Ok(line) => Input::new(line.at(time_s[0]), line.uncertainty_at(time_s[0])),
            Err(_) => Input::exact(celsius[0]),
        })
    }

    fn step(&self) -> Result<Analysis, Failure> {
        const ALL: [(&str, &str, Dimension); 5] = [RISE, DEAD_TIME, TIME_CONSTANT, RISE_TIME, OVERSHOOT];
        let time_s = self.column(Name::Time)?;
        self.check_duty()?;
        let pressure_pa = self.pressure_pa()?;
        let y = Scale { name: "pressure", dimension: Dimension::Pressure };
        let mut chart = self.chart("Pressure after a step of duty", y, pressure_pa, Vec::new())?;
        let response = step::find_step(time_s, self.table.column(Name::Duty), self.at_s.map(|at| at.value))
            .and_then(|part| {
                let time_s = &time_s[part.from..part.to];
                let response = step::step_response(&StepRecord {
                    time_s,
                    pressure_pa: &pressure_pa[part.from..part.to],
                    // An interval that was stated is kept; an exact instant and an edge come back as found.
                    instant_s: self.at_s.filter(|at| at.standard_uncertainty > 0.0).or(part.instant_s),
                    ripple_period_s: None,
                    gain: Input::exact(1.0),
                })?;
                chart.fit = time_s.iter().copied().zip(response.curve_pa.iter().copied()).collect();
                Ok(response)
            });
        let response = match response {
            Ok(response) => response,
            Err(why) => return Ok(refused(&ALL, &why, chart)),
        };
        let shape = match response.shape {
            Shape::FirstOrder => "read as a response of first order with dead time",
            Shape::SecondOrder => "read as a response of second order with dead time",
            Shape::Other => "read by its levels and crossings: neither first nor second order fits",
        };
        let mut notes = vec![shape.to_owned()];
        notes.extend(response.fell_s.map(|fell_s| {
            let from = Dimension::Time.display(fell_s);
            format!("the pressure falls from {from} on, as if the rail had been opened; only what comes before was used")
        }));
        notes.extend(self.at_beside_duty());
        let findings = vec![
            of(RISE, response.pressure_rise),
            of(DEAD_TIME, response.dead_time),
            of(TIME_CONSTANT, response.time_constant),
            of(RISE_TIME, response.rise_time_10_90),
            of(OVERSHOOT, response.overshoot),
        ];
        Ok(Analysis { findings, notes, chart: Some(chart) })
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

    /// That the given instant and the duty column disagree, where they do by more than the spacing of its
    /// samples there.
    fn at_beside_duty(&self) -> Option<String> {
        let (at_s, time_s) = (self.at_s?.value, self.table.column(Name::Time)?);
        let edges_s = edges(self.table.column(Name::Duty)?).into_iter().map(|edge| edge.instant_s(time_s));
        let (edge_s, half_s) = edges_s.min_by(|a, b| (a.0 - at_s).abs().total_cmp(&(b.0 - at_s).abs()))?;
        ((edge_s - at_s).abs() > 2.0 * half_s).then(|| {
            let [at, edge] = [at_s, edge_s].map(|instant_s| Dimension::Time.display(instant_s));
            format!(
                "--at says that the duty changed at {at}, the column “duty” says at {edge}; --at was taken"
            )
        })
    }

    fn air(&self) -> Result<Analysis, Failure> {
        let time_s = self.column(Name::Time)?;
        let pressure_pa = self.pressure_pa()?;
        let y = Scale { name: "pressure", dimension: Dimension::Pressure };
        let mut chart = self.chart("Pressure of a rail being filled", y, pressure_pa, Vec::new())?;
        let flow = self.table.column(Name::Flow);
        let share = |pressure_pa: &[f64], flow: Option<&[f64]>| {
            let (volume, modulus) = (self.volume_m3, self.liquid_modulus_pa);
            air::air_fraction(&BuildUp::recorded(time_s, pressure_pa, flow, volume, modulus))
        };
        Ok(match share(pressure_pa, flow) {
            Err(why) => refused(&[AIR], &why, chart),
            Ok(air) => {
                chart.fit = time_s.iter().copied().zip(air.curve_pa).collect();
                // A column that rests may be off as a whole by half of its last digit.
                let off = |name, values: &[f64]| -> Vec<f64> {
                    let half = 0.5
                        * self.table.digit(name)
                        * values.iter().fold(0.0_f64, |most, v| most.max(v.abs()));
                    values.iter().map(|value| value + half).collect()
                };
                let moved = [
                    flow.map(|flow| share(pressure_pa, Some(&off(Name::Flow, flow)))),
                    Some(share(&off(self.pressure_column(), pressure_pa), flow)),
                ];
                let value = air.fraction_at_atmosphere.value;
                let by = moved.into_iter().flatten().flatten();
                let by = by.map(|moved| moved.fraction_at_atmosphere.value - value).fold(0.0, f64::hypot);
                let rounding = by / 3.0_f64.sqrt();
                let fraction = if air.fraction_at_atmosphere.standard_uncertainty() < rounding {
                    air.fraction_at_atmosphere.with_given(DIGITS, 1.0, rounding)
                } else {
                    air.fraction_at_atmosphere
                };
                let mut share = noted(
                    of(AIR, Ok(fraction)),
                    "free air at atmospheric pressure over the volume; air dissolved in the liquid is not seen",
                );
                if let Ok(volume) = &air.volume_m3 {
                    let value = Dimension::Volume
                        .display_with_uncertainty(volume.value, volume.expanded_uncertainty());
                    share = noted(share, format!("that is {value} of air at atmospheric pressure"));
                }
                let notes = air.fell_s.map(|fell_s| {
                    let from = Dimension::Time.display(fell_s);
                    format!("the pressure falls from {from} on; only the rise before was used")
                });
                Analysis { findings: vec![share], notes: notes.into_iter().collect(), chart: Some(chart) }
            }
        })
    }

    fn leak_down(&self) -> Result<Analysis, Failure> {
        let time_s = self.column(Name::Time)?;
        let pressure_pa = self.pressure_pa()?;
        let y = Scale { name: "pressure", dimension: Dimension::Pressure };
        let mut chart = self.chart("Pressure of a shut rail", y, pressure_pa, Vec::new())?;
        let as_flow = self.volume_m3.is_some() && self.liquid_modulus_pa.is_some();
        let rate = if as_flow { LEAK_FLOW } else { LEAK_FALL };
        let mut record = LeakDown::recorded(time_s, pressure_pa, self.volume_m3, self.liquid_modulus_pa);
        if self.table.column(Name::AbsolutePressure).is_some() {
            record.zero_u_pa = WEATHER_U_PA;
        }
        Ok(match leak::leak_down(&record) {
            Err(why) => refused(&[rate, TIME_CONSTANT], &why, chart),
            Ok(leak) => {
                let notes = leak_notes(&leak, time_s);
                let used_s = &time_s[time_s.partition_point(|t| *t < leak.from_s)..];
                chart.fit = used_s.iter().copied().zip(leak.curve_pa).collect();
                let start = Dimension::Pressure.display(leak.start_pa.value);
                let measured = if as_flow { leak.rate_m3_per_s } else { Ok(leak.rate_pa_per_s) };
                let mut rate = noted(of(rate, measured), format!("at {start}, {:.3} s", leak.from_s));
                if !as_flow {
                    rate = noted(rate, "as a volume it is told with --volume and --liquid-modulus");
                }
                let findings = vec![rate, of(TIME_CONSTANT, leak.time_constant_s)];
                Analysis { findings, notes, chart: Some(chart) }
            }
        })
    }

    fn sweep(&self) -> Result<Analysis, Failure> {
        let duty = self.column(Name::Duty)?;
        self.check_duty()?;
        check_range(duty)?;
        let (output, signal, y) = match (&self.gauge_pa, self.table.column(Name::Flow)) {
            (Some(pressure), _) => (
                pressure.as_slice(),
                Signal::Pressure,
                Scale { name: "pressure", dimension: Dimension::Pressure },
            ),
            (None, Some(flow)) => (flow, Signal::Flow, Scale { name: "flow", dimension: Dimension::Flow }),
            (None, None) => return Err(self.missing("pressure [bar]” or “flow [mL/s]")),
        };
        let record = SweepRecord { time_s: self.table.column(Name::Time), duty, output, signal };
        let mut chart = Chart {
            title: "Output over duty, up and down".to_owned(),
            x: Scale { name: "duty", dimension: Dimension::Fraction },
            y,
            data: duty.iter().copied().zip(output.iter().copied()).collect(),
            fit: Vec::new(),
        };
        Ok(match sweep::sweep(&record) {
            Err(why) => refused(&[HYSTERESIS, DEAD_BAND, LINEARITY], &why, chart),
            Ok(sweep) => {
                let points = |values: &[f64]| -> Vec<(f64, f64)> {
                    sweep.duty.iter().copied().zip(values.iter().copied()).collect()
                };
                chart.fit = points(&sweep.up);
                chart.fit.extend(points(&sweep.down).into_iter().rev());
                let at = Dimension::Fraction.display(sweep.widest_at_duty);
                let terminal = Dimension::Fraction.display_with_uncertainty(
                    sweep.terminal_linearity.value,
                    sweep.terminal_linearity.expanded_uncertainty(),
                );
                let findings = vec![
                    noted(
                        of(HYSTERESIS, Ok(sweep.hysteresis)),
                        format!("share of the output span, found at {at}"),
                    ),
                    noted(of(DEAD_BAND, sweep.dead_band), "of duty"),
                    noted(
                        of(LINEARITY, Ok(sweep.linearity)),
                        format!("independent, share of the output span; terminal-based it is {terminal}"),
                    ),
                ];
                Analysis { findings, notes: Vec::new(), chart: Some(chart) }
            }
        })
    }

    fn flow(&self) -> Result<Analysis, Failure> {
        let time_s = self.column(Name::Time)?;
        if let Some(flow) = self.table.column(Name::Flow) {
            let y = Scale { name: "flow", dimension: Dimension::Flow };
            let mut chart = self.chart("Flow", y, flow, Vec::new())?;
            let mean = flow::flow_column(time_s, flow, Input::exact(1.0));
            if let Ok(mean) = &mean {
                chart.fit = time_s.iter().map(|t| (*t, mean.value)).collect();
            }
            let findings = vec![noted(of(FLOW, mean), "mean of the column")];
            return Ok(Analysis { findings, notes: Vec::new(), chart: Some(chart) });
        }
        if !self.table.is_alone(Name::Time) {
            return Err(Failure::Usage(
                "the recording has other columns beside time [s], but none “flow [mL/s]”: the instants of pulses \
                 stand in a file of their own, or name the column of the flow"
                    .into(),
            ));
        }
        let Some(k_factor_per_m3) = self.k_factor_per_m3 else {
            let name = "the number of pulses per volume";
            let what_to_do = "it stands on the meter or its certificate";
            let findings = vec![of(FLOW, Err(Unmeasured::NotGiven { name, what_to_do }))];
            return Ok(Analysis { findings, notes: Vec::new(), chart: None });
        };
        // Between two pulses one K-th of a volume has passed.
        let passing = |pair: &[f64]| {
            (f64::midpoint(pair[0], pair[1]), 1.0 / (k_factor_per_m3.value * (pair[1] - pair[0])))
        };
        let mut chart = Chart {
            title: "Flow from pulse to pulse".to_owned(),
            x: Scale { name: "time", dimension: Dimension::Time },
            y: Scale { name: "flow", dimension: Dimension::Flow },
            data: time_s.windows(2).map(passing).collect(),
            fit: Vec::new(),
        };
        let found = match flow::flow(time_s, &Meter { k_factor_per_m3 }) {
            Err(why) => of(FLOW, Err(why)),
            Ok(flow) => {
                chart.fit = time_s.iter().map(|t| (*t, flow.rate_m3_per_s.value)).collect();
                let found = noted(
                    of(FLOW, Ok(flow.rate_m3_per_s)),
                    format!("{} pulses in {:.3} s", flow.pulses, flow.gate_s),
                );
                [(flow.doubled, "too many was left out"), (flow.missing, "that was missing was put in")]
                    .into_iter()
                    .filter(|(count, _)| *count > 0)
                    .fold(found, |found, (count, what)| {
                        noted(found, format!("{count} times a pulse {what}; look at the sensor"))
                    })
            }
        };
        Ok(Analysis { findings: vec![found], notes: Vec::new(), chart: Some(chart) })
    }
}
