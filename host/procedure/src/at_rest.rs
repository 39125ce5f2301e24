//! What the readings at rest must be before anybody is asked anything. Nothing is driven and the rail
//! is open to the tank, so what they show is the sensors' own, or something is wrong with the rig.

use crate::calibrate::Calibration;
use crate::guard;
use crate::quantity::Dimension;
use crate::recording::Window;
use crate::sheet::{PumpSheet, Valve};
use crate::step::shaft::rev_per_s;
use crate::words;
use stepwell_analysis::stats;
use stepwell_protocol::channel::{Channel, Coil};
use stepwell_protocol::guards::Ceilings;

/// A shaft that turns faster than this by itself is no hand on the coupling, in revolutions per second (our choice, an
/// eighth of what a drive turns at).
const TURNING_REV_PER_S: f64 = 0.5;

/// From this share of what the coil takes at full duty on, a current at rest is no sensor's zero: the
/// coil is driven (our choice, between a zero that is far off and a switch that is shorted).
const DRIVEN_SHARE: f64 = 0.25;

/// A rail that is low is told from one that is not when the bench sheet's `low` is at least this many
/// standard deviations of the reading: beyond them lies one reading of 700 (normal distribution).
const LOW_DEVIATIONS_MIN: f64 = 3.0;

/// Why a run on this rig cannot go on, in words; `None` when all is well. `nominal` has the sheet's own
/// zeroes; `rest` is a window in which nothing was driven.
#[must_use]
pub fn objection(pump: &PumpSheet, nominal: &Calibration, rest: &Window<'_>) -> Option<String> {
    let pressure = pump.pressure_valve.as_ref().map(|valve| (Coil::Pressure, valve));
    std::iter::once((Coil::Inlet, &pump.inlet_valve))
        .chain(pressure)
        .find_map(|(coil, valve)| current(coil, valve, nominal, rest))
        .or_else(|| shaft(nominal, rest))
        .or_else(|| rail(nominal, rest))
        .or_else(|| noise(nominal, rest))
}

/// What of the guards is beyond what the board was built for, in units; `None` when all of it is within.
/// The board would refuse it too, after the questions and in counts.
#[must_use]
pub fn beyond_ceilings(pump: &PumpSheet, calibration: &Calibration, ceilings: &Ceilings) -> Option<String> {
    let bench = calibration.bench();
    let rail_pa = calibration.rail_pa(f64::from(ceilings.rail_max));
    let show = |dimension: Dimension, asked, ceiling| {
        format!(
            "({}) is beyond the board's ceiling ({})",
            dimension.display(asked),
            dimension.display(ceiling)
        )
    };
    if pump.rail_guard_pa > rail_pa {
        let beyond = show(Dimension::Pressure, pump.rail_guard_pa, rail_pa);
        return Some(format!("rail of [guard] in {} {beyond}; lower the guard", pump.source.name));
    }
    Coil::BOTH.into_iter().find_map(|coil| {
        let ceiling_a = calibration.current_a(coil, f64::from(ceilings.current_max));
        (bench.current_max_a > ceiling_a).then(|| {
            let beyond = show(Dimension::Current, bench.current_max_a, ceiling_a);
            format!("current_max of [limits] in {} {beyond}; lower it", bench.source.name)
        })
    })
}

fn current(coil: Coil, valve: &Valve, nominal: &Calibration, rest: &Window<'_>) -> Option<String> {
    let found_a = nominal.current_a(coil, rest.mean_counts(coil.current()));
    let allowed_a = nominal.current_zero_max_a();
    if found_a.abs() <= allowed_a {
        return None;
    }
    let (which, show) = (words::coil(coil), |ampere| Dimension::Current.display(ampere));
    let supply_v = nominal.supply_v(rest.mean_counts(Channel::SupplyVoltage));
    let full_a = guard::full_duty_a(valve, nominal.bench(), supply_v);
    Some(if found_a >= DRIVEN_SHARE * full_a {
        format!(
            "current through the coil of the {which} with nothing driven ({}): its switch or cable is shorted. \
             PULL POWER from the driver stage",
            show(found_a)
        )
    } else {
        format!(
            "the current sensor of the {which} reads {} with nothing driven, at most {} is a zero: check the \
             sensor's offset and its supply, and with a clamp meter that no current flows",
            show(found_a),
            show(allowed_a)
        )
    })
}

/// A shaft that turns before anybody has driven it, or still.
fn shaft(nominal: &Calibration, rest: &Window<'_>) -> Option<String> {
    let found_rev_per_s = rev_per_s(nominal.bench().speed_pulses_per_rev, rest)?;
    (found_rev_per_s > TURNING_REV_PER_S).then(|| {
        format!(
            "the shaft turns at {} with nothing driven. DO NOT TOUCH the shaft; isolate the drive, check its contactor, \
             and begin again when it stands still",
            Dimension::Speed.display(found_rev_per_s)
        )
    })
}

/// A rail that is not empty before anybody has driven anything: from before, or a sensor that says so.
fn rail(nominal: &Calibration, rest: &Window<'_>) -> Option<String> {
    let bench = nominal.bench();
    let found_pa = nominal.rail_pa(rest.mean_counts(Channel::RailPressure));
    let allowed_pa = bench.rail_zero_pa;
    // Beyond its span the sensor has no line, which the board says better.
    let span_pa = bench.rail_pressure.span_pa;
    (found_pa > allowed_pa && found_pa < span_pa).then(|| {
        format!(
            "the rail reads {} with nothing driven, at most {} is a sensor's zero: pressure may be trapped from \
             before. Open nothing, look at the mechanical gauge; when it reads zero, check the sensor",
            Dimension::Pressure.display(found_pa),
            Dimension::Pressure.display(allowed_pa)
        )
    })
}

fn noise(nominal: &Calibration, rest: &Window<'_>) -> Option<String> {
    let pressures_pa: Vec<f64> =
        rest.counts(Channel::RailPressure).map(|counts| nominal.rail_pa(f64::from(counts))).collect();
    let allowed_pa = nominal.bench().rail_low_pa / LOW_DEVIATIONS_MIN;
    let found_pa = stats::standard_deviation(&pressures_pa);
    (found_pa > allowed_pa).then(|| {
        format!(
            "the rail pressure sensor is noisy: its reading scatters by {} at rest (standard deviation), at most \
             {} tells an empty rail from one under pressure; check plug, screen and earth of its cable, then the \
             sensor",
            Dimension::Pressure.display(found_pa),
            Dimension::Pressure.display(allowed_pa)
        )
    })
}
