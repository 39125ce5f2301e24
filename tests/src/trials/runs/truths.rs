//! What is really so of each finding of a run, from what the bench really did.
//!
//! One rule a finding. A finding is a defined quantity, so its rule is its definition, applied to what
//! the model knows instead of to what sensors say. Whoever adds a finding to a step adds a rule here;
//! [`truth`] says so when there is none.

use super::bench::Drawn;
use super::response::Response;
use super::stretches::{dwells, last, last_two};
use crate::Report;
use crate::trace::{Moment, mean};
use stepwell_procedure::finding::Finding;
use stepwell_procedure::procedure::StepKind;
use stepwell_procedure::sheet::{AirExit, Feed};
use stepwell_protocol::message::HandWork;

/// One finding of a run on a bench.
#[derive(Clone, Copy, Debug)]
pub struct Asked<'a> {
    /// The bench.
    pub drawn: &'a Drawn,
    /// All that came of the run.
    pub report: &'a Report,
    /// The finding.
    pub finding: &'a Finding,
}

impl<'a> Asked<'a> {
    fn dwells(&self) -> Vec<&'a [Moment]> {
        dwells(self.report, &self.finding.step)
    }

    fn kind(&self) -> &StepKind {
        let steps = &self.report.plan.procedure.main;
        &steps.iter().find(|step| step.name == self.finding.step).expect("a step of the procedure").kind
    }

    fn response(&self) -> Response {
        let dwells = self.dwells();
        let (before, after) = last_two(&dwells);
        Response::of(before, after)
    }
}

/// How the truth of a finding is told, in the finding's SI unit.
pub type Rule = fn(&Asked<'_>) -> f64;

/// The rules, by the finding's id.
pub const RULES: &[(&str, Rule)] = &[
    ("inlet_coil_resistance_20c", |asked| asked.report.trace[0].resistance_20_ohm[0]),
    ("pressure_coil_resistance_20c", |asked| asked.report.trace[0].resistance_20_ohm[1]),
    ("inlet_coil_inductance", |asked| inductance_h(asked, 0)),
    ("pressure_coil_inductance", |asked| inductance_h(asked, 1)),
    ("feed_pressure", feed_pressure),
    ("still_flow", |asked| to_meter(asked.dwells()[0])),
    ("pressure_output_stops", |asked| stopped_share(asked, 1)),
    ("inlet_output_stops", |asked| stopped_share(asked, 3)),
    ("shaft_speed", slowest),
    ("air_in_rail", air_before_the_last_build_up),
    ("rail_pressure_dumped", |asked| {
        let dwells = asked.dwells();
        mean(last(dwells[dwells.len() - 1], 200), |moment| moment.rail_pa)
    }),
    ("pressure_rise", |asked| asked.response().rise_pa()),
    ("dead_time", |asked| asked.response().dead_time_s()),
    ("rise_time_10_90", |asked| asked.response().rise_time_10_90_s()),
    ("overshoot", |asked| asked.response().overshoot()),
    ("flow", |asked| returned(gate(asked))),
    ("volumetric_efficiency", |asked| {
        let speed = mean(gate(asked), |moment| moment.speed_rev_per_s);
        returned(gate(asked)) / speed / asked.report.plan.pump.displacement_m3_per_rev
    }),
    ("hysteresis", hysteresis),
    ("leak_time_constant", leak_time_constant),
    ("rail_pressure_vented", |asked| {
        let vent = asked.report.during(&asked.finding.step);
        mean(last(vent, vent.len() / 2), |moment| moment.rail_pa)
    }),
];

/// The truth of a finding.
///
/// # Panics
/// When there is no rule for it.
#[must_use]
pub fn truth(asked: &Asked<'_>) -> f64 {
    let id = asked.finding.id.as_str();
    let (_, rule) = RULES.iter().find(|(of, _)| *of == id).unwrap_or_else(|| {
        panic!("no rule says what is really so of finding {id}; add one to tests/src/trials/runs/truths.rs")
    });
    rule(asked)
}

/// The last half second of the last pulse; a pulse of a hand primer is its last stroke and the second
/// after it.
fn feed_pressure(asked: &Asked<'_>) -> f64 {
    const AVERAGE_MS: usize = 500;
    let prime = asked.report.during(&asked.finding.step);
    let strokes = |moment: &Moment| moment.outputs.hand_work == Some(HandWork::PrimerStroke);
    let feed_pa = |moment: &Moment| moment.feed_pa;
    if asked.report.plan.pump.feed == Feed::HandPrimer {
        let stroke = prime.iter().rposition(strokes).expect("a stroke");
        return mean(&prime[stroke + 1_000 - AVERAGE_MS..stroke + 1_000], feed_pa);
    }
    let dwells = asked.dwells();
    mean(last(dwells[dwells.len() - 1], AVERAGE_MS), feed_pa)
}

/// Mean flow of fluid and gas to the meter in the second half of a stretch: the rail fills or empties first.
fn to_meter(stretch: &[Moment]) -> f64 {
    mean(last(stretch, stretch.len() / 2), |moment| moment.to_meter_m3_per_s)
}

fn stopped_share(asked: &Asked<'_>, stretch: usize) -> f64 {
    let dwells = asked.dwells();
    1.0 - to_meter(dwells[stretch]) / to_meter(dwells[0])
}

/// The slowest that the shaft was at the end of a pulse of the feed; else at the end of the last round's
/// purge, or of its build-up if that took half a second.
fn slowest(asked: &Asked<'_>) -> f64 {
    const STRETCH_MS_MIN: usize = 500;
    let at_end = |stretch: &[Moment]| mean(last(stretch, 1_000), |moment| moment.speed_rev_per_s);
    let dwells = asked.dwells();
    let purge = match (asked.kind(), asked.report.plan.pump.air_exit) {
        (StepKind::Prime { .. }, _) => return at_end(dwells[dwells.len() - 1]),
        (_, AirExit::PressureValve) => dwells[dwells.len() - 3],
        // Between purge and build-up the drive is off while the union is shut, and spins up again.
        (_, AirExit::Union) => dwells[dwells.len() - 4],
    };
    let build_up = dwells[dwells.len() - 2];
    let built_up = if build_up.len() < STRETCH_MS_MIN { f64::INFINITY } else { at_end(build_up) };
    at_end(purge).min(built_up)
}

/// Gas in the rail when the last build-up begins, over the rail's volume as it really is.
fn air_before_the_last_build_up(asked: &Asked<'_>) -> f64 {
    let dwells = asked.dwells();
    dwells[dwells.len() - 2][0].rail_gas_m3 / asked.drawn.rig.rail.volume_m3
}

/// The gate of the flow step: the end of its dwells, as long as the procedure says.
fn gate<'a>(asked: &Asked<'a>) -> &'a [Moment] {
    let StepKind::Flow { gate_s, .. } = asked.kind() else {
        panic!("{} is no flow step", asked.finding.step)
    };
    let dwells = asked.dwells();
    last(dwells[dwells.len() - 1], (gate_s * 1e3).round() as usize)
}

/// Mean flow of fluid through the meter.
fn returned(stretch: &[Moment]) -> f64 {
    let seconds = (stretch.len() - 1) as f64 * 1e-3;
    (stretch[stretch.len() - 1].returned_m3 - stretch[0].returned_m3) / seconds
}

/// Largest difference of the settled pressures on the way up and down at one duty, over the span of
/// their averages (IEC 61298-2). A dwell counts with its second half.
fn hysteresis(asked: &Asked<'_>) -> f64 {
    let settled: Vec<f64> = asked
        .dwells()
        .iter()
        .map(|dwell| mean(last(dwell, dwell.len().min(1_000) / 2), |moment| moment.rail_pa))
        .collect();
    let top = settled.len() / 2;
    let pairs: Vec<(f64, f64)> =
        (0..=top).map(|point| (settled[point], settled[settled.len() - 1 - point])).collect();
    let averages = || pairs.iter().map(|(up, down)| f64::midpoint(*up, *down));
    let span = averages().fold(f64::NEG_INFINITY, f64::max) - averages().fold(f64::INFINITY, f64::min);
    pairs.iter().map(|(up, down)| (down - up).abs()).fold(0.0, f64::max) / span
}

/// Mean incremental inductance over the end of the burst, 18 to 30 ms after the coil was switched on, which is what
/// the finding is defined over; each coil has a dwell of its own.
fn inductance_h(asked: &Asked<'_>, coil: usize) -> f64 {
    mean(&asked.dwells()[coil][18..30], |moment| moment.inductance_h[coil])
}

/// `V/(K G)` at zero gauge pressure, G being the leak that explains how far the pressure really fell
/// while it was watched: `-dp/dt = K(p) G p/V` with `1/K = 1/(K0 + K' p) + 1/Kw` integrates to
/// `ln(p/(K0 + K' p))/K0 + ln(p)/Kw`, falling at the rate `G/V`. The second half of the stretch tells:
/// until then air dissolves, and the pressure falls without a leak.
fn leak_time_constant(asked: &Asked<'_>) -> f64 {
    let rig = &asked.drawn.rig;
    let oil = &rig.fluid;
    let slope = oil.bulk_modulus_per_pa;
    let k0_pa =
        oil.bulk_modulus_20_pa + oil.bulk_modulus_slope_pa_per_k * (oil.initial_temperature_k - 293.15);
    let wall_pa = rig.rail.wall_pa;
    let integral = |p: f64| (p / (k0_pa + slope * p)).ln() / k0_pa + p.ln() / wall_pa;
    let dwells = asked.dwells();
    let stretch = dwells[dwells.len() - 1];
    let watched = last(stretch, stretch.len() / 2);
    let seconds = (watched.len() - 1) as f64 * 1e-3;
    let (from_pa, to_pa) = (watched[0].rail_pa, watched[watched.len() - 1].rail_pa);
    let leak_over_volume = (integral(from_pa) - integral(to_pa)) / seconds;
    (1.0 / k0_pa + 1.0 / wall_pa) / leak_over_volume
}
