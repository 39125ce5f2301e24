//! Which findings a run owes: what its procedure's steps and its pump's sheet call for, by the pages
//! (docs/sheets-and-procedures.md, *there when*), whatever happened to it.

use stepwell_procedure::finding::Finding;
use stepwell_procedure::procedure::{StepKind, StepSpec};
use stepwell_procedure::run::Plan;
use stepwell_procedure::sheet::Feed;

/// Shown although no sheet asks for it.
const UNASKED: [&str; 2] = ["inlet_coil_inductance", "pressure_coil_inductance"];

/// Findings of a run that has ended, by step and name, that are owed and not there.
#[must_use]
pub fn missing(plan: &Plan, findings: &[Finding]) -> Vec<(String, &'static str)> {
    let mut due = due(plan);
    due.retain(|(step, id)| !findings.iter().any(|found| found.step == *step && found.id == *id));
    due
}

/// What is wrong with the names of what was found: owed and not there, there and not owed, there twice.
#[must_use]
pub fn misnamed(plan: &Plan, findings: &[Finding]) -> Option<String> {
    if let Some((step, id)) = missing(plan, findings).first() {
        return Some(format!("step {step} owes {id}, and it is not there"));
    }
    let due = due(plan);
    let is_due = |found: &Finding| due.iter().any(|(step, id)| found.step == *step && found.id == *id);
    let odd = findings.iter().enumerate().find(|(place, found)| {
        let again =
            findings[..*place].iter().any(|before| (&before.step, &before.id) == (&found.step, &found.id));
        again || !(is_due(found) || UNASKED.contains(&found.id.as_str()))
    });
    odd.map(|(_, found)| format!("step {} found {}, which it does not owe, or twice", found.step, found.id))
}

fn due(plan: &Plan) -> Vec<(String, &'static str)> {
    let procedure = &plan.procedure;
    let steps = procedure.set_up.iter().chain(&procedure.main).chain(&procedure.tear_down);
    steps.flat_map(|step| of_step(plan, step).into_iter().map(|id| (step.name.clone(), id))).collect()
}

fn of_step(plan: &Plan, step: &StepSpec) -> Vec<&'static str> {
    let pump = &plan.pump;
    let tolerances = &pump.tolerances;
    let has_pressure_valve = pump.pressure_valve.is_some();
    let when = |there: bool, ids: &[&'static str]| if there { ids.to_vec() } else { Vec::new() };
    match step.kind {
        StepKind::Confirm { .. } => Vec::new(),
        StepKind::Electrical { .. } => [
            when(true, &["inlet_coil_resistance_20c"]),
            when(has_pressure_valve, &["pressure_coil_resistance_20c"]),
            when(tolerances.inlet_inductance_h.is_some(), &UNASKED[..1]),
            when(tolerances.pressure_inductance_h.is_some(), &UNASKED[1..]),
        ]
        .concat(),
        StepKind::Prime { .. } => [
            when(pump.feed == Feed::TransferPump, &["shaft_speed"]),
            when(plan.bench.feed_pressure.is_some(), &["feed_pressure"]),
        ]
        .concat(),
        StepKind::ValveCheck { .. } => when(
            has_pressure_valve && pump.feed == Feed::ElectricSupply,
            &["still_flow", "pressure_output_stops", "inlet_output_stops"],
        ),
        StepKind::Purge { .. } => vec!["shaft_speed", "air_in_rail", "rail_pressure_dumped"],
        StepKind::DutyStep { .. } => {
            when(has_pressure_valve, &["pressure_rise", "dead_time", "rise_time_10_90", "overshoot"])
        }
        StepKind::Flow { .. } => when(has_pressure_valve, &["flow", "volumetric_efficiency"]),
        StepKind::Sweep { .. } => when(has_pressure_valve, &["hysteresis"]),
        StepKind::LeakDown { .. } => when(pump.points.leak_down_pa.is_some(), &["leak_time_constant"]),
        StepKind::Vent { .. } => vec!["rail_pressure_vented"],
    }
}
