//! Steps: each kind says what it wants the board to do, and what the telemetry of it means.
//!
//! A step never waits and never talks to anybody. It hands out phases ([`Step::phases`]); the run
//! carries them out and collects what telemetry brought; the step concludes from that
//! ([`Step::conclude`]): findings, or another round. One kind per file.

mod coil_causes;
mod confirm;
mod duty_step;
mod electrical;
mod flow;
mod leak_down;
mod prime;
mod purge;
pub(crate) mod shaft;
mod sweep;
mod valve_check;
mod vent;

use crate::calibrate::Calibration;
use crate::causes;
use crate::conformity::probability_of_conformity;
use crate::finding::{Finding, Value, Verdict, judge};
use crate::guard::{duty_e4, ms, rpm};
use crate::procedure::{StepKind, StepSpec};
use crate::quantity::Dimension;
use crate::recording::Window;
use crate::sheet::{PumpSheet, Tolerance};
use stepwell_analysis::uncertainty::{Input, Measured};
use stepwell_protocol::channel::{Channel, Coil};
use stepwell_protocol::dwell::{DwellEnd, EndWhen, Ramp, Side};
use stepwell_protocol::identity::Identity;
use stepwell_protocol::message::HandWork;

/// What a step may know.
#[derive(Debug)]
pub struct Rig<'a> {
    /// The pump.
    pub pump: &'a PumpSheet,
    /// The rig's calibrations, with this run's zeroes.
    pub calibration: &'a Calibration,
    /// The board.
    pub identity: &'a Identity,
}

/// One stretch of a step that the run carries out.
#[derive(Clone, Debug, PartialEq)]
pub enum Phase {
    /// Ask the operator to do or check something; "no" ends the run.
    Ask(String),
    /// Note that the operator has done something by hand.
    Hand(HandWork),
    /// Watch for this long, in ms, without energising anything.
    Watch {
        /// Name of the stretch for the conclusion.
        label: &'static str,
        /// Length in milliseconds.
        ms: u32,
    },
    /// Run dwells one behind the other without a tick between them.
    Chain(Vec<Planned>),
}

/// One dwell as a step plans it.
#[derive(Clone, Debug, PartialEq)]
pub struct Planned {
    /// Name of the stretch for the conclusion and for people.
    pub label: &'static str,
    /// Longest duration in milliseconds.
    pub duration_ms: u32,
    /// Duty of the inlet valve.
    pub inlet: Ramp,
    /// Duty of the pressure valve.
    pub pressure: Ramp,
    /// Supply pump.
    pub supply_on: bool,
    /// Drive set-point in revolutions per minute, 0 for off.
    pub drive_rpm: u16,
    /// Dump shut.
    pub dump_closed: bool,
    /// Flow must be seen.
    pub expect_flow: bool,
    /// Early end.
    pub end_when: Option<EndWhen>,
    /// Burst of this coil at its first tick.
    pub burst: Option<Coil>,
}

impl Planned {
    /// A dwell of `seconds` with nothing energised and both valves at 0 %.
    fn new(label: &'static str, seconds: f64) -> Planned {
        Planned {
            label,
            duration_ms: ms(seconds),
            inlet: Ramp::constant(0),
            pressure: Ramp::constant(0),
            supply_on: false,
            drive_rpm: 0,
            dump_closed: false,
            expect_flow: false,
            end_when: None,
            burst: None,
        }
    }

    /// A dwell with both valves at their open duty.
    fn open(label: &'static str, seconds: f64, pump: &PumpSheet) -> Planned {
        let pressure = pump.pressure_valve.map_or(0.0, |valve| valve.open_duty);
        Planned::new(label, seconds)
            .duty(Coil::Inlet, pump.inlet_valve.open_duty)
            .duty(Coil::Pressure, pressure)
    }

    /// A dwell in which the pump delivers against the pressure valve at `duty` into the return.
    fn delivering(label: &'static str, seconds: f64, duty: f64, pump: &PumpSheet) -> Planned {
        Planned::open(label, seconds, pump).duty(Coil::Pressure, duty).fed(pump).driven(pump).dump_shut()
    }

    fn duty(self, coil: Coil, duty: f64) -> Planned {
        self.ramp(coil, Ramp::constant(duty_e4(duty)))
    }

    fn ramp(mut self, coil: Coil, ramp: Ramp) -> Planned {
        match coil {
            Coil::Inlet => self.inlet = ramp,
            Coil::Pressure => self.pressure = ramp,
        }
        self
    }

    /// The rig's electric supply, where the pump is fed by it.
    fn fed(mut self, pump: &PumpSheet) -> Planned {
        self.supply_on = pump.feed == crate::sheet::Feed::ElectricSupply;
        self
    }

    /// The drive at the sheet's test speed.
    fn driven(mut self, pump: &PumpSheet) -> Planned {
        self.drive_rpm = rpm(pump.points.speed_rev_per_s);
        self
    }

    fn dump_shut(mut self) -> Planned {
        self.dump_closed = true;
        self
    }

    fn expects_flow(mut self) -> Planned {
        self.expect_flow = true;
        self
    }

    fn burst_of(mut self, coil: Coil) -> Planned {
        self.burst = Some(coil);
        self
    }

    /// Ends when the rail has been above `pa` for two ticks.
    fn until_rail_above(mut self, pa: f64, calibration: &Calibration) -> Planned {
        self.end_when = Some(EndWhen {
            channel: Channel::RailPressure,
            side: Side::Above,
            counts: calibration.rail_counts(pa),
            for_ms: 2,
        });
        self
    }
}

/// What telemetry brought for one labelled stretch.
#[derive(Clone, Copy, Debug)]
pub struct Stretch<'a> {
    /// The step's name for it.
    pub label: &'a str,
    /// Its samples.
    pub window: Window<'a>,
    /// How its dwell ended; `Complete` for a watch.
    pub end: DwellEnd,
}

/// What telemetry brought for the phases of one round, in order; missing stretches are absent.
#[derive(Clone, Debug, Default)]
pub struct Evidence<'a> {
    /// The stretches that are complete.
    pub stretches: Vec<Stretch<'a>>,
    /// Bursts by the label of the stretch that they begin, in counts of single conversions.
    pub bursts: Vec<(&'a str, &'a [u16])>,
}

impl<'a> Evidence<'a> {
    /// The stretch with this label.
    fn get(&self, label: &str) -> Result<Stretch<'a>, String> {
        self.stretches.iter().find(|stretch| stretch.label == label).copied().ok_or_else(|| {
            "telemetry of this stretch has a gap or is missing; check the link and run again".to_owned()
        })
    }

    /// The burst at the beginning of the stretch with this label; empty when there is none.
    fn burst(&self, label: &str) -> &'a [u16] {
        self.bursts.iter().find(|(of, _)| *of == label).map_or(&[], |(_, counts)| counts)
    }
}

/// Times in s relative to `to`'s first tick and rail pressures in Pa, over the last `before_ms` of
/// `from` and all of `to`, which follows it without a tick between.
fn rail_trace(rig: &Rig<'_>, from: &Stretch<'_>, before_ms: u32, to: &Stretch<'_>) -> (Vec<f64>, Vec<f64>) {
    let before = from.window.last(before_ms);
    let samples = before.samples.iter().chain(to.window.samples);
    samples
        .enumerate()
        .map(|(index, sample)| {
            let counts = f64::from(sample[Channel::RailPressure.index()]);
            ((index as f64 - before.samples.len() as f64) * 1e-3, rig.calibration.rail_pa(counts))
        })
        .unzip()
}

/// Rail pressures of a window in Pa.
fn rail_pressures_pa(rig: &Rig<'_>, window: &Window<'_>) -> Vec<f64> {
    window.counts(Channel::RailPressure).map(|counts| rig.calibration.rail_pa(f64::from(counts))).collect()
}

/// The gain of the rail sensor, as analysis wants it.
fn rail_gain(rig: &Rig<'_>) -> Input {
    Input::new(1.0, rig.calibration.bench().rail_pressure.gain_u)
}

/// What a step makes of a round.
#[derive(Clone, Debug, PartialEq)]
pub struct Conclusion {
    /// Whether another round is wanted; findings are then provisional and replaced by the next ones.
    pub again: bool,
    /// What was found.
    pub findings: Vec<Finding>,
}

/// A step of a procedure, being carried out.
pub trait Step: std::fmt::Debug + Send {
    /// What shall be done next. Called once a round.
    fn phases(&mut self, rig: &Rig<'_>) -> Vec<Phase>;

    /// What rounds will come after this one whatever they find: for telling how long it takes.
    fn surely_later(&self, _: &Rig<'_>) -> Vec<Phase> {
        Vec::new()
    }

    /// What the step will find, so that what is never found can be named.
    fn expects(&self, rig: &Rig<'_>) -> Vec<Expected>;

    /// What the round means.
    fn conclude(&mut self, rig: &Rig<'_>, evidence: &Evidence<'_>) -> Conclusion;
}

/// The step that carries out `spec`.
#[must_use]
pub fn start(spec: &StepSpec) -> Box<dyn Step> {
    match &spec.kind {
        StepKind::Confirm { text } => Box::new(confirm::Confirm { text: text.clone() }),
        StepKind::Electrical { dwell_s } => Box::new(electrical::Electrical { dwell_s: *dwell_s }),
        StepKind::Prime { pulses, on_s, off_s } => {
            Box::new(prime::Prime { pulses: *pulses, on_s: *on_s, off_s: *off_s })
        }
        StepKind::ValveCheck { dwell_s } => Box::new(valve_check::ValveCheck { dwell_s: *dwell_s }),
        StepKind::Purge { on_s, rest_s, cycles_min, cycles_max } => {
            Box::new(purge::Purge::new(*on_s, *rest_s, *cycles_min, *cycles_max))
        }
        StepKind::DutyStep { settle_s, hold_s } => {
            Box::new(duty_step::DutyStep { settle_s: *settle_s, hold_s: *hold_s })
        }
        StepKind::Flow { settle_s, gate_s } => Box::new(flow::Flow { settle_s: *settle_s, gate_s: *gate_s }),
        StepKind::Sweep { points, dwell_s } => Box::new(sweep::Sweep { points: *points, dwell_s: *dwell_s }),
        StepKind::LeakDown { watch_s } => Box::new(leak_down::LeakDown { watch_s: *watch_s }),
        StepKind::Vent { watch_s } => Box::new(vent::Vent { watch_s: *watch_s }),
    }
}

/// A finding that is expected, before there is a value.
#[derive(Clone, Debug, PartialEq)]
pub struct Expected {
    /// What it is, for machines.
    pub id: &'static str,
    /// What it is, for people.
    pub label: &'static str,
    /// Its dimension.
    pub dimension: Dimension,
    /// The tolerance.
    pub tolerance: Option<Tolerance>,
}

impl Expected {
    fn new(
        id: &'static str,
        label: &'static str,
        dimension: Dimension,
        tolerance: Option<Tolerance>,
    ) -> Expected {
        Expected { id, label, dimension, tolerance }
    }

    /// The finding with a value, judged.
    fn measured(&self, measured: &Measured) -> Finding {
        let value = Value::from(measured);
        let verdict = self.tolerance.map_or(Verdict::Pass, |tolerance| judge(&value, &tolerance));
        let check_next = match (verdict, self.tolerance) {
            (Verdict::Pass, _) | (_, None) => Vec::new(),
            (_, Some(tolerance)) => {
                let too_low =
                    tolerance.min.is_some_and(|min| value.estimate - value.expanded_uncertainty < min);
                causes::check_next(
                    self.id,
                    if too_low { causes::Side::TooLow } else { causes::Side::TooHigh },
                )
            }
        };
        let conformity = self.tolerance.and_then(|tolerance| probability_of_conformity(&value, &tolerance));
        Finding {
            value: Some(value),
            conformity,
            verdict,
            check_next,
            ..self.unmeasured(String::new(), vec![])
        }
    }

    /// The finding with a value or the reason why there is none.
    fn concluded<E: std::fmt::Display>(&self, result: Result<&Measured, E>) -> Finding {
        match result {
            Ok(measured) => self.measured(measured),
            Err(reason) => {
                self.unmeasured(reason.to_string(), causes::check_next(self.id, causes::Side::Absent))
            }
        }
    }

    /// The finding without a value.
    #[must_use]
    pub fn unmeasured(&self, reason: String, check_next: Vec<String>) -> Finding {
        Finding {
            id: self.id.to_owned(),
            step: String::new(),
            label: self.label.to_owned(),
            dimension: self.dimension,
            value: None,
            tolerance: self.tolerance,
            conformity: None,
            verdict: Verdict::NotMeasured,
            notes: if reason.is_empty() { Vec::new() } else { vec![reason] },
            check_next,
        }
    }
}
