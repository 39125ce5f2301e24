//! The pump sheet: what it must say, and what contradicts what.

mod points;
mod tolerances;
mod valve;

use super::meant;
use super::table::{Found, Table};
use crate::quantity::Dimension;
use crate::sheet::{AirExit, Feed, PumpSheet, Written};
use points::points;
use tolerances::tolerances;
use valve::{ReadValve, pressure_valve, valve};

/// What a pump without a pressure valve cannot have.
const WITHOUT: &str = "makes no sense: this sheet has no [pressure_valve]";
const WITHOUT_HELP: &str = "take the line out, or describe the valve in [pressure_valve]";

pub(super) fn read(top: &Table<'_>, source: Written) -> Option<PumpSheet> {
    let name = top.short_name("name");
    let title = top.text("title");
    let demo = top.flag("demo");
    let pump = top.table("pump", pump);
    let inlet = top.table("inlet_valve", valve);
    // A slip in the name of the table is one fault, not one more for every key that needs the valve.
    let fitted = top.has("pressure_valve") || top.has_slip_for("pressure_valve");
    let pressure = top.optional_table("pressure_valve", pressure_valve);
    let guard = top.table("guard", |table| table.quantity("rail", Dimension::Pressure, meant::SPAN_PA));
    let about = About { fitted, pressure, guard, pump };
    let points = top.table("test", |table| points(table, &about));
    let tolerances = top.table("tolerances", |table| {
        let valves = (inlet.as_ref(), about.pressure.as_ref());
        tolerances(table, &about, valves, points.as_ref())
    });
    if let (Some(pump), false) = (&about.pump, fitted)
        && pump.air_exit.value == AirExit::PressureValve
    {
        top.fault(
            pump.air_exit.span.clone(),
            "air cannot leave through a pressure valve: this sheet has no [pressure_valve]",
            "write air_exit = \"union\", or describe the valve in [pressure_valve]",
        );
    }
    let pump = about.pump?;
    Some(PumpSheet {
        source,
        name: name?.value,
        title: title?.value,
        demo: demo?,
        displacement_m3_per_rev: pump.displacement.value,
        feed: pump.feed,
        air_exit: pump.air_exit.value,
        inlet_valve: inlet?.valve,
        pressure_valve: about.pressure.map(|pressure| pressure.valve),
        rail_guard_pa: about.guard?.value,
        points: points?.points,
        tolerances: tolerances?,
    })
}

/// What the checks of the later tables need of the earlier ones; `None` where that has faults.
#[derive(Debug)]
struct About {
    /// Whether the pump has a pressure valve.
    fitted: bool,
    pressure: Option<ReadValve>,
    guard: Option<Found<f64>>,
    pump: Option<Pump>,
}

#[derive(Debug)]
struct Pump {
    displacement: Found<f64>,
    feed: Feed,
    air_exit: Found<AirExit>,
}

fn pump(table: &Table<'_>) -> Option<Pump> {
    let displacement =
        table.quantity("displacement", Dimension::Displacement, meant::DISPLACEMENT_M3_PER_REV);
    let feed = table.word(
        "feed",
        &[
            ("electric supply", Feed::ElectricSupply),
            ("transfer pump", Feed::TransferPump),
            ("hand primer", Feed::HandPrimer),
        ],
    );
    let air_exit =
        table.word("air_exit", &[("pressure valve", AirExit::PressureValve), ("union", AirExit::Union)]);
    Some(Pump { displacement: displacement?, feed: feed?.value, air_exit: air_exit? })
}

fn below_guard(table: &Table<'_>, what: &str, pressure: Option<&Found<f64>>, about: &About) {
    if let (Some(pressure), Some(guard)) = (pressure, &about.guard)
        && pressure.value >= guard.value
    {
        guard_fault(table, what, pressure.value, pressure.span.clone(), guard.value);
    }
}

fn guard_fault(table: &Table<'_>, what: &str, pa: f64, span: std::ops::Range<usize>, guard_pa: f64) {
    let show = |pa| Dimension::Pressure.display(pa);
    table.fault(
        span,
        format!(
            "{what} ({}) is not below the rail guard ({}): the board would trip first",
            show(pa),
            show(guard_pa)
        ),
        "lower it; raise rail in [guard] only if pump and rig are rated for it",
    );
}
