//! What only shows when a pump, a rig and a procedure meet: each file is right by itself, and still
//! the run could not be carried out, or the board would refuse it half way.

use super::page::Page;
use crate::procedure::{Procedure, StepKind, StepSpec};
use crate::quantity::Dimension;
use crate::sheet::{BenchSheet, Feed, LossEffect, PumpSheet, Valve, Written};

/// Drive time that steps add of their own, in s: spinning up, and pressing up at most.
const SPIN_UP_S: f64 = 1.0;
const PRESS_UP_S_MAX: f64 = 5.0;

/// What leads and switch may have at most of a coil's resistance (common practice, no source).
const SERIES_SHARE_MAX: f64 = 1.0 / 3.0;

/// What stands in the way of this run, in sentences that name the files; empty when nothing does.
///
/// A step that needs a part the pump lacks is not in the way: the run says "not measured".
#[must_use]
pub fn check_together(pump: &PumpSheet, bench: &BenchSheet, procedure: &Procedure) -> Vec<String> {
    let mut found = remarks(pump);
    found.extend(pump_on_bench(pump, bench));
    let steps = procedure.set_up.iter().chain(&procedure.main).chain(&procedure.tear_down);
    found.extend(steps.filter_map(|step| drive_time(step, pump, bench, procedure)));
    found
}

/// What a pump sheet says that is no fault of the file, yet keeps the pump from being tested.
#[must_use]
pub fn remarks(pump: &PumpSheet) -> Vec<String> {
    valves(pump)
        .filter(|(_, valve)| valve.on_loss == LossEffect::Unknown)
        .map(|(name, _)| {
            format!(
                "{}: rail_on_loss of [{name}] is \"unknown\", so this pump cannot be armed; find out from the \
                 maker's data what losing current does to the rail pressure, and write \"falls\" or \"rises\"",
                pump.source.name
            )
        })
        .collect()
}

fn valves(pump: &PumpSheet) -> impl Iterator<Item = (&'static str, &Valve)> {
    let pressure = pump.pressure_valve.as_ref().map(|valve| ("pressure_valve", valve));
    std::iter::once(("inlet_valve", &pump.inlet_valve)).chain(pressure)
}

/// Where a value stands: the file, and its line and column when they can be told.
fn place(written: &Written, table: &str, key: &str) -> String {
    match Page::new(&written.name, &written.text).place(table, key) {
        Some((line, column)) => format!("{}:{line}:{column}", written.name),
        None => written.name.clone(),
    }
}

fn pump_on_bench(pump: &PumpSheet, bench: &BenchSheet) -> Vec<String> {
    let rig = &bench.source.name;
    let mut found = Vec::new();
    let mut above = |(table, key), what: &str, value, limit: &str, most, dimension: Dimension, help: &str| {
        if value > most {
            let at = place(&pump.source, table, key);
            let (value, most) = (dimension.display(value), dimension.display(most));
            found.push(format!("{at}: {what} ({value}) is above {limit} of {rig} ({most}); {help}"));
        }
    };
    above(
        ("test", "speed"),
        "speed of [test]",
        pump.points.speed_rev_per_s,
        "speed_max of [drive]",
        bench.drive.speed_max_rev_per_s,
        Dimension::Speed,
        "test this pump slower, or on another rig",
    );
    let (limit, help) = if bench.rail_max_pa < bench.rail_pressure.span_pa {
        ("rail of [limits]", "the rig must not see more; lower the guard")
    } else {
        ("full_scale of [rail_pressure]", "what the sensor cannot show cannot be guarded; lower the guard")
    };
    above(
        ("guard", "rail"),
        "rail of [guard]",
        pump.rail_guard_pa,
        limit,
        bench.rail_max_pa,
        Dimension::Pressure,
        help,
    );
    for (name, valve) in valves(pump) {
        // The mean current of a coil at its largest duty, with all the leads at nothing.
        let most_a = bench.supply_v.1 * valve.duty_max / valve.resistance_20c_ohm;
        above(
            (name, "duty_max"),
            &format!("current of [{name}] at duty_max and the highest supply voltage"),
            most_a,
            "current_max of [limits]",
            bench.current_max_a,
            Dimension::Current,
            "a healthy coil would trip; lower duty_max, or raise current_max if the driver stage allows it",
        );
    }
    let series_ohm = bench.coil_circuit.leads_ohm.value + bench.coil_circuit.switch_on_ohm.value;
    for (name, valve) in valves(pump) {
        if series_ohm > SERIES_SHARE_MAX * valve.resistance_20c_ohm {
            let [series, coil] =
                [series_ohm, valve.resistance_20c_ohm].map(|ohm| Dimension::Resistance.display(ohm));
            found.push(format!(
                "{}: leads and switch_on of [coil_circuit] ({series}) are more than a third of resistance_20c of \
                 [{name}] of {} ({coil}): the leads would be judged, not the coil; correct whichever is wrong, or \
                 shorten the leads",
                place(&bench.source, "coil_circuit", "leads"),
                pump.source.name
            ));
        }
    }
    if pump.points.build_up_pa <= bench.rail_low_pa {
        let at = place(&pump.source, "test", "build_up_to");
        found.push(format!(
            "{at}: build_up_to of [test] ({}) is not above low of [rail] of {rig} ({}); raise build_up_to",
            Dimension::Pressure.display(pump.points.build_up_pa),
            Dimension::Pressure.display(bench.rail_low_pa)
        ));
    }
    found
}

/// The longest the drive turns without a break in a step.
fn drive_s(step: &StepSpec, pump: &PumpSheet) -> f64 {
    match step.kind {
        StepKind::Confirm { .. }
        | StepKind::Electrical { .. }
        | StepKind::ValveCheck { .. }
        | StepKind::Vent { .. } => 0.0,
        StepKind::Prime { on_s, .. } => {
            if pump.feed == Feed::TransferPump {
                on_s
            } else {
                0.0
            }
        }
        StepKind::Purge { on_s, .. } => on_s,
        StepKind::DutyStep { settle_s, hold_s } => settle_s + hold_s,
        StepKind::Flow { settle_s, gate_s } => settle_s + gate_s,
        StepKind::Sweep { points, dwell_s } => SPIN_UP_S + (2.0 * f64::from(points) - 1.0) * dwell_s,
        StepKind::LeakDown { .. } => SPIN_UP_S + PRESS_UP_S_MAX,
    }
}

fn drive_time(
    step: &StepSpec,
    pump: &PumpSheet,
    bench: &BenchSheet,
    procedure: &Procedure,
) -> Option<String> {
    let (needed, most) = (drive_s(step, pump), bench.drive.on_s_max);
    (needed > most).then(|| {
        let show = |seconds| Dimension::Time.display(seconds);
        format!(
            "{}: step {:?} turns the drive for {} without a break, but on_max of [drive] of {} is {}; shorten the step",
            procedure.source.name,
            step.name,
            show(needed),
            bench.source.name,
            show(most)
        )
    })
}
