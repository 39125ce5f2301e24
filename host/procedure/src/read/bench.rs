//! The bench sheet: what it must say, and what contradicts what.

use super::meant;
use super::table::{Allowed, Found, Table};
use crate::quantity::Dimension;
use crate::sheet::{
    BenchSheet, CoilCircuit, CurrentChannel, DriveRating, Platinum, PulseMeter, Thermistor, VoltageSpan,
    Written,
};
use stepwell_analysis::Input;

pub(super) fn read(top: &Table<'_>, source: Written) -> Option<BenchSheet> {
    let name = top.short_name("name");
    let title = top.text("title");
    let demo = top.flag("demo");
    let drive = top.table("drive", drive);
    let limits = top.table("limits", limits);
    let rail = top.table("rail", rail);
    let fluid = top.table("fluid", fluid);
    let rail_pressure = top.table("rail_pressure", voltage_span);
    let feed_pressure = top.optional_table("feed_pressure", |table| Some(feed_span(table)));
    let current = top.table("coil_current", current);
    let coil_circuit = top.table("coil_circuit", coil_circuit);
    let supply_divider =
        top.table("supply_voltage", |table| table.known_ratio("divider", Allowed::Between(1.0, 100.0)));
    let fluid_temperature = top.table("fluid_temperature", thermistor);
    let body_temperature = top.table("body_temperature", platinum);
    let flow_meter = top.table("flow_meter", flow_meter);
    let speed_pulses = top.table("speed_sensor", |table| table.count("pulses_per_rev", 1, 10_000));
    if let (Some(rail), Some(span)) = (&rail, &rail_pressure) {
        let show = |pa| Dimension::Pressure.display(pa);
        if rail.low.value >= span.span_pa {
            let (low, full_scale) = (show(rail.low.value), show(span.span_pa));
            let message = format!("low ({low}) is beyond the full scale of the rail sensor ({full_scale})");
            top.fault(rail.low.span.clone(), message, "check the units of both");
        }
        let zero_max_pa = meant::ZERO_SHARE_MAX * span.span_pa;
        if rail.zero_within.value > zero_max_pa {
            let (zero, most) = (show(rail.zero_within.value), show(zero_max_pa));
            top.fault(
                rail.zero_within.span.clone(),
                format!("zero_within ({zero}) is more than a twentieth of full scale ({most})"),
                "a sensor that is off by so much is broken, or a rail under pressure is taken for an empty one",
            );
        }
    }
    let rail_max = limits.as_ref().and_then(|limits| limits.rail.clone());
    if let (Some(found), Some(span)) = (&rail_max, &rail_pressure)
        && found.value > span.span_pa
    {
        let show = |pa| Dimension::Pressure.display(pa);
        top.fault(
            found.span.clone(),
            format!(
                "rail ({}) is beyond the full scale of the rail sensor ({})",
                show(found.value),
                show(span.span_pa)
            ),
            "what the sensor cannot show cannot be guarded",
        );
    }
    let (limits, rail, fluid, rail_pressure) = (limits?, rail?, fluid?, rail_pressure?);
    Some(BenchSheet {
        source,
        name: name?.value,
        title: title?.value,
        demo: demo?,
        drive: drive?,
        supply_v: limits.supply_v,
        fluid_celsius: limits.fluid_celsius,
        rail_max_pa: limits.rail.map_or(rail_pressure.span_pa, |found| found.value),
        rail_low_pa: rail.low.value,
        rail_zero_pa: rail.zero_within.value,
        current_max_a: limits.current_max_a,
        flow_gap_s: limits.flow_gap_s,
        rail_volume_m3: rail.volume.value,
        fluid_modulus_pa: fluid.modulus.value,
        fluid_modulus_slope: fluid.modulus_slope,
        atmosphere_pa: fluid.atmosphere_pa,
        rail_pressure,
        // Not fitted is an answer; fitted with faults is none.
        feed_pressure: match feed_pressure {
            None => None,
            Some(span) => Some(span?),
        },
        current: current?,
        coil_circuit: coil_circuit?,
        supply_divider: supply_divider?,
        fluid_temperature: fluid_temperature?,
        body_temperature: body_temperature?,
        flow_meter: flow_meter?,
        speed_pulses_per_rev: f64::from(speed_pulses?.value),
    })
}

fn drive(table: &Table<'_>) -> Option<DriveRating> {
    let speed = table.quantity("speed_max", Dimension::Speed, meant::SPEED);
    let on = table.quantity("on_max", Dimension::Time, meant::DRIVE_S);
    let rest = table.quantity("rest_min", Dimension::Time, meant::DRIVE_S);
    Some(DriveRating { speed_max_rev_per_s: speed?.value, on_s_max: on?.value, rest_s_min: rest?.value })
}

#[derive(Debug)]
struct Limits {
    supply_v: (f64, f64),
    fluid_celsius: (f64, f64),
    current_max_a: f64,
    flow_gap_s: f64,
    rail: Option<Found<f64>>,
}

fn limits(table: &Table<'_>) -> Option<Limits> {
    let supply = table.range("supply", Dimension::Voltage, meant::SUPPLY_V);
    let fluid = table.range("fluid", Dimension::Temperature, Allowed::Between(-40.0, 150.0));
    let current = table.quantity("current_max", Dimension::Current, meant::CURRENT_A);
    let rail = table.optional_quantity("rail", Dimension::Pressure, meant::SPAN_PA);
    // The board keeps the gap in 16 bits of milliseconds.
    let gap = table.quantity("flow_gap", Dimension::Time, Allowed::Between(0.1, 60.0));
    Some(Limits {
        supply_v: supply?,
        fluid_celsius: fluid?,
        current_max_a: current?.value,
        flow_gap_s: gap?.value,
        rail,
    })
}

#[derive(Debug)]
struct Rail {
    low: Found<f64>,
    zero_within: Found<f64>,
    volume: Found<Input>,
}

fn rail(table: &Table<'_>) -> Option<Rail> {
    let low = table.quantity("low", Dimension::Pressure, meant::LOW_PA);
    let zero_within = table.quantity("zero_within", Dimension::Pressure, Allowed::AboveZero);
    let volume = table.known("volume", Dimension::Volume, meant::VOLUME_M3);
    Some(Rail { low: low?, zero_within: zero_within?, volume: volume? })
}

#[derive(Debug)]
struct Fluid {
    modulus: Found<Input>,
    modulus_slope: Input,
    atmosphere_pa: f64,
}

fn fluid(table: &Table<'_>) -> Option<Fluid> {
    let modulus = table.known("modulus", Dimension::Pressure, meant::MODULUS_PA);
    let slope = table.known_ratio("modulus_slope", Allowed::Between(0.0, 30.0));
    // Absolute: from high mountains to the deepest low-lying places.
    let atmosphere = table.quantity("atmosphere", Dimension::Pressure, Allowed::Between(50e3, 110e3));
    Some(Fluid { modulus: modulus?, modulus_slope: slope?, atmosphere_pa: atmosphere?.value })
}

/// A span whose zero is not taken in every run: feed lines may stand under pressure at rest.
fn feed_span(table: &Table<'_>) -> Option<VoltageSpan> {
    let zero_within = table.optional_quantity("zero_within", Dimension::Pressure, Allowed::FromZero);
    let zero_u_pa = zero_within.map_or(0.0, |found| Input::within(0.0, found.value).standard_uncertainty);
    voltage_span(table).map(|span| VoltageSpan { zero_u_pa, ..span })
}

fn voltage_span(table: &Table<'_>) -> Option<VoltageSpan> {
    let zero = table.quantity("zero", Dimension::Voltage, meant::SENSOR_V);
    let span = table.quantity("span", Dimension::Voltage, meant::SENSOR_V);
    let full_scale = table.quantity("full_scale", Dimension::Pressure, meant::SPAN_PA);
    let gain = gain_within(table);
    // A sheet that does not say takes the zero for one that stays.
    let drift = table.optional_quantity("zero_drift_per_kelvin", Dimension::Pressure, Allowed::FromZero);
    let (zero, span) = (zero?, span?);
    if zero.value >= span.value {
        let show = |volts| Dimension::Voltage.display(volts);
        table.fault(
            zero.span,
            format!(
                "zero ({}) is the voltage at no pressure and must be below span ({}), the voltage at full scale",
                show(zero.value),
                show(span.value)
            ),
            "swap them?",
        );
        return None;
    }
    Some(VoltageSpan {
        zero_v: zero.value,
        span_v: span.value,
        span_pa: full_scale?.value,
        zero_u_pa: 0.0,
        gain_u: gain?,
        zero_drift_u_pa_per_k: drift
            .map_or(0.0, |found| Input::within(0.0, found.value).standard_uncertainty),
    })
}

/// Relative standard uncertainty.
fn gain_within(table: &Table<'_>) -> Option<f64> {
    let within = table.quantity("gain_within", Dimension::Fraction, Allowed::Between(0.0, 0.5));
    Some(Input::within(1.0, within?.value).standard_uncertainty)
}

fn current(table: &Table<'_>) -> Option<CurrentChannel> {
    let gain = table.quantity("gain", Dimension::VoltPerAmpere, meant::VOLT_PER_AMPERE);
    let gain_u = gain_within(table);
    Some(CurrentChannel { volt_per_ampere: gain?.value, gain_u: gain_u? })
}

fn coil_circuit(table: &Table<'_>) -> Option<CoilCircuit> {
    let drop = table.known("freewheel_drop", Dimension::Voltage, meant::DROP_V);
    let leads = table.known("leads", Dimension::Resistance, meant::SERIES_OHM);
    let switch = table.known("switch_on", Dimension::Resistance, meant::SERIES_OHM);
    Some(CoilCircuit { freewheel_drop_v: drop?.value, leads_ohm: leads?.value, switch_on_ohm: switch?.value })
}

fn thermistor(table: &Table<'_>) -> Option<Thermistor> {
    let pull_up = table.quantity("pull_up", Dimension::Resistance, meant::PULL_UP_OHM);
    let pull_up_v = table.quantity("pull_up_voltage", Dimension::Voltage, Allowed::Between(0.5, 10.0));
    let coefficients = table.three_numbers("steinhart_hart");
    let (pull_up, coefficients) = (pull_up?, coefficients?);
    // A pull-up is chosen near the sensor's resistance at working temperature; coefficients that say
    // otherwise are in the wrong order or for another unit.
    let [a, b, c] = coefficients.value;
    let ln = pull_up.value.ln();
    let celsius = 1.0 / (a + b * ln + c * ln * ln * ln) - 273.15;
    if !(-60.0..=200.0).contains(&celsius) {
        table.fault(
            coefficients.span,
            format!(
                "with these coefficients {} is a temperature of {}",
                Dimension::Resistance.display(pull_up.value),
                Dimension::Temperature.display(celsius)
            ),
            "give a, b, c of 1/T = a + b ln R + c (ln R)^3 in this order, for kelvin and ohm",
        );
        return None;
    }
    Some(Thermistor { pull_up_ohm: pull_up.value, pull_up_v: pull_up_v?.value, coefficients: [a, b, c] })
}

fn platinum(table: &Table<'_>) -> Option<Platinum> {
    let ohm = table.quantity("resistance_0c", Dimension::Resistance, meant::PLATINUM_OHM);
    let gain = table.quantity("gain", Dimension::VoltPerOhm, meant::VOLT_PER_OHM);
    let coil = table.quantity("coil_within", Dimension::TemperatureDifference, Allowed::Between(0.1, 60.0));
    Some(Platinum {
        ohm_at_0c: ohm?.value,
        volt_per_ohm: gain?.value,
        coil_temperature_u_k: Input::within(0.0, coil?.value).standard_uncertainty,
    })
}

fn flow_meter(table: &Table<'_>) -> Option<PulseMeter> {
    let k_factor = table.known("pulses_per_volume", Dimension::PulsesPerVolume, meant::PULSES_PER_M3);
    let slip = table.quantity("slip", Dimension::Flow, meant::SLIP_M3_PER_S);
    Some(PulseMeter { k_factor_per_m3: k_factor?.value, slip_m3_per_s: slip?.value })
}
