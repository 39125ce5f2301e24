//! The tolerances of a pump sheet: all that the pump's parts make possible, none that they do not.

use super::points::ReadPoints;
use super::valve::ReadValve;
use super::{About, WITHOUT, WITHOUT_HELP, guard_fault};
use crate::quantity::Dimension;
use crate::read::meant::{COIL_H, EFFICIENCY, LEAK_S, RESPONSE_S};
use crate::read::table::{Allowed, Found, Table};
use crate::sheet::{Feed, Tolerance, Tolerances};

pub(super) fn tolerances(
    table: &Table<'_>,
    about: &About,
    (inlet, pressure): (Option<&ReadValve>, Option<&ReadValve>),
    points: Option<&ReadPoints>,
) -> Option<Tolerances> {
    use Dimension::{Flow, Fraction, Inductance, Pressure, Resistance, Time};
    let wanted = |key, dimension, allowed| table.tolerance(key, dimension, allowed);
    let with_valve = |key, dimension, allowed| {
        if about.fitted {
            table.tolerance(key, dimension, allowed)
        } else {
            table.refuse(key, WITHOUT, WITHOUT_HELP);
            None
        }
    };
    let inlet_ohm = wanted("inlet_resistance_20c", Resistance, Allowed::AboveZero);
    holds(table, "[inlet_valve]", inlet, inlet_ohm.as_ref());
    let pressure_ohm = with_valve("pressure_resistance_20c", Resistance, Allowed::AboveZero);
    holds(table, "[pressure_valve]", pressure, pressure_ohm.as_ref());
    let inlet_henry = table.optional_tolerance("inlet_inductance", Inductance, COIL_H);
    let pressure_henry = if about.fitted {
        table.optional_tolerance("pressure_inductance", Inductance, COIL_H)
    } else {
        table.refuse("pressure_inductance", WITHOUT, WITHOUT_HELP);
        None
    };
    let feed = wanted("feed_pressure", Pressure, Allowed::Any);
    let air = wanted("air_in_rail", Fraction, Allowed::SHARE);
    let still = still_flow(table, about);
    let rise = with_valve("pressure_rise", Pressure, Allowed::FromZero);
    for (what, tolerance) in [("feed_pressure", &feed), ("pressure_rise", &rise)] {
        tolerance_below_guard(table, what, tolerance.as_ref(), about);
    }
    let dead_time = with_valve("dead_time", Time, RESPONSE_S);
    let rise_time = with_valve("rise_time", Time, RESPONSE_S);
    let overshoot = with_valve("overshoot", Fraction, Allowed::SHARE);
    let flow = with_valve("flow", Flow, Allowed::FromZero);
    possible_flow(table, flow.as_ref(), about, points);
    let efficiency = with_valve("volumetric_efficiency", Fraction, EFFICIENCY);
    let hysteresis = with_valve("hysteresis", Fraction, Allowed::SHARE);
    let leak = leak(table, about, points);
    let end = |found: Option<Found<Tolerance>>| found.map(|found| found.value);
    Some(Tolerances {
        inlet_resistance_20c_ohm: inlet_ohm?.value,
        pressure_resistance_20c_ohm: end(pressure_ohm),
        inlet_inductance_h: end(inlet_henry),
        pressure_inductance_h: end(pressure_henry),
        feed_pressure_pa: end(feed),
        still_flow_m3_per_s: end(still),
        air_fraction: air?.value,
        pressure_rise_pa: end(rise),
        dead_time_s: end(dead_time),
        rise_time_s: end(rise_time),
        overshoot: end(overshoot),
        flow_m3_per_s: end(flow),
        volumetric_efficiency: end(efficiency),
        hysteresis: end(hysteresis),
        leak_time_constant_s: end(leak),
    })
}

/// Whether a coil as the maker states it would pass.
fn holds(table: &Table<'_>, place: &str, valve: Option<&ReadValve>, tolerance: Option<&Found<Tolerance>>) {
    let (Some(valve), Some(tolerance)) = (valve, tolerance) else { return };
    let Tolerance { min, max } = tolerance.value;
    let nominal = valve.resistance.value;
    if min.is_none_or(|min| min <= nominal) && max.is_none_or(|max| nominal <= max) {
        return;
    }
    table.fault(
        tolerance.span.clone(),
        format!(
            "resistance_20c of {place} ({}, line {}) lies outside this tolerance: a perfect coil would fail",
            Dimension::Resistance.display(nominal),
            table.line(&valve.resistance.span)
        ),
        "correct whichever of the two is wrong",
    );
}

fn tolerance_below_guard(table: &Table<'_>, what: &str, tolerance: Option<&Found<Tolerance>>, about: &About) {
    let (Some(tolerance), Some(guard)) = (tolerance, &about.guard) else { return };
    let Tolerance { min, max } = tolerance.value;
    if let Some(end) = max.into_iter().chain(min).find(|end| *end >= guard.value) {
        guard_fault(table, what, end, tolerance.span.clone(), guard.value);
    }
}

/// Flow with the shaft still is looked at only where an electric supply pushes it through an open
/// pressure valve.
fn still_flow(table: &Table<'_>, about: &About) -> Option<Found<Tolerance>> {
    let feed = about.pump.as_ref().map(|pump| pump.feed);
    match (about.fitted, feed) {
        (true, Some(Feed::ElectricSupply)) => {
            table.tolerance("still_flow", Dimension::Flow, Allowed::FromZero)
        }
        (true, None) => table.optional_tolerance("still_flow", Dimension::Flow, Allowed::FromZero),
        (false, _) => {
            table.refuse("still_flow", WITHOUT, WITHOUT_HELP);
            None
        }
        (true, Some(_)) => {
            table.refuse(
                "still_flow",
                "makes no sense: with this feed nothing flows while the shaft stands still",
                "take the line out, or correct feed in [pump]",
            );
            None
        }
    }
}

/// No pump delivers more than its displacement times its speed.
fn possible_flow(
    table: &Table<'_>,
    flow: Option<&Found<Tolerance>>,
    about: &About,
    points: Option<&ReadPoints>,
) {
    let (Some(flow), Some(pump), Some(read)) = (flow, &about.pump, points) else { return };
    let most = pump.displacement.value * read.points.speed_rev_per_s;
    if let Some(min) = flow.value.min
        && min > most
    {
        let show = |flow| Dimension::Flow.display(flow);
        table.fault(
            flow.span.clone(),
            format!("no pump could pass: displacement times speed is {}, min is {}", show(most), show(min)),
            "check the units of flow, displacement and speed",
        );
    }
}

/// Leak-down needs its pressure and its tolerance, or neither on a pump without a pressure valve.
fn leak(table: &Table<'_>, about: &About, points: Option<&ReadPoints>) -> Option<Found<Tolerance>> {
    let key = "leak_time_constant";
    match (about.fitted, points) {
        (true, _) | (false, Some(ReadPoints { leak_down: true, .. })) => {
            table.tolerance(key, Dimension::Time, LEAK_S)
        }
        (false, None) => table.optional_tolerance(key, Dimension::Time, LEAK_S),
        (false, Some(_)) => {
            table.refuse(
                key,
                "makes no sense: [test] has no leak_down_from",
                "take the line out, or add leak_down_from = \"… MPa\" to [test]",
            );
            None
        }
    }
}
