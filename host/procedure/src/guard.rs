//! Guards from sheets: what the board shall enforce for this pump on this rig, in raw counts.

use crate::calibrate::Calibration;
use crate::sheet::{BenchSheet, LossEffect, PumpSheet, Valve, VoltageSpan};
use stepwell_protocol::channel::Coil;
use stepwell_protocol::dwell::Ramp;
use stepwell_protocol::guards::{Band, CoilGuard, Guards, OnLoss};

/// Coil current that a healthy idle output may show, in A. Common practice, no source: well above
/// the offset of a shunt amplifier, well below anything that moves a valve.
pub const IDLE_CURRENT_MAX_A: f64 = 0.08;

/// How much more a sound coil may come to draw than its stated resistance and the supply as it was measured let it: it
/// may be cold and a tenth below, the channel may read too much, and the supply rise. Common practice, no source.
const SOUND_SPREAD: f64 = 4.0 / 3.0;

/// The guards for `pump` on the rig of `calibration`, with `supply_v` at the driver stage. Outside the bench sheet's band
/// the board does not work, so nothing is derived from a supply out there.
#[must_use]
pub fn guards(pump: &PumpSheet, calibration: &Calibration, supply_v: f64) -> Guards {
    let bench = calibration.bench();
    let supply_v = supply_v.clamp(bench.supply_v.0, bench.supply_v.1);
    let span = &bench.rail_pressure;
    let live = |span: &VoltageSpan| {
        let (low, high) = live_volts(span, bench.atmosphere_pa);
        Band { low: calibration.counts_of_volts(low), high: calibration.counts_of_volts(high) }
    };
    let zero_v = span.zero_v;
    let v_per_pa = (span.span_v - span.zero_v) / span.span_pa;
    Guards {
        rail_max: calibration.rail_counts(pump.rail_guard_pa),
        rail_low: calibration.rail_counts(bench.rail_low_pa),
        rail_live: live(span),
        rail_zero: Band {
            low: calibration.counts_of_volts(zero_v - bench.rail_zero_pa * v_per_pa),
            high: calibration.counts_of_volts(zero_v + bench.rail_zero_pa * v_per_pa),
        },
        feed_live: bench.feed_pressure.as_ref().map(live),
        supply: Band {
            low: calibration.supply_counts(bench.supply_v.0),
            high: calibration.supply_counts(bench.supply_v.1),
        },
        fluid: Band {
            low: calibration.fluid_counts(bench.fluid_celsius.1),
            high: calibration.fluid_counts(bench.fluid_celsius.0),
        },
        coils: [
            Some(coil_guard(Coil::Inlet, &pump.inlet_valve, calibration, supply_v)),
            pump.pressure_valve.as_ref().map(|v| coil_guard(Coil::Pressure, v, calibration, supply_v)),
        ],
        drive_rpm_max: rpm(bench.drive.speed_max_rev_per_s),
        drive_on_ms_max: ms(bench.drive.on_s_max),
        drive_rest_ms_min: ms(bench.drive.rest_s_min),
        flow_gap_ms_max: ms(bench.flow_gap_s).min(u32::from(u16::MAX) - 1) as u16,
    }
}

/// What a healthy sensor can put out, least and most, in V. A ratiometric one never reads below what full
/// vacuum makes of it, nor beyond its span by half its zero: open or short (common practice, no source).
#[must_use]
pub fn live_volts(span: &VoltageSpan, atmosphere_pa: f64) -> (f64, f64) {
    let vacuum_v = span.zero_v - atmosphere_pa * (span.span_v - span.zero_v) / span.span_pa;
    (vacuum_v / 2.0, span.span_v + span.zero_v / 2.0)
}

fn coil_guard(coil: Coil, valve: &Valve, calibration: &Calibration, supply_v: f64) -> CoilGuard {
    let bench = calibration.bench();
    let full_a = full_duty_a(valve, bench, supply_v);
    let zero_counts = calibration.current_zero_counts(coil).round() as u16;
    // The valve relieves the rail where it lets pressure out, or lets no fuel in.
    let relieve = match coil {
        Coil::Inlet => valve.shut_duty,
        Coil::Pressure => valve.open_duty,
    };
    CoilGuard {
        on_loss: match valve.on_loss {
            LossEffect::Falls => OnLoss::Falls,
            LossEffect::Rises => OnLoss::Rises,
            LossEffect::Unknown => OnLoss::Unknown,
        },
        relieve_e4: duty_e4(relieve),
        duty_max_e4: duty_e4(valve.duty_max),
        zero: Band {
            low: 0,
            high: calibration.current_counts(IDLE_CURRENT_MAX_A).saturating_add(zero_counts),
        },
        current_max: calibration
            .current_counts(current_max_a(valve, bench, full_a))
            .saturating_add(zero_counts),
        full_duty: calibration.current_counts(full_a),
    }
}

/// The current above which an output is over-current, in A: what the rig allows, or what no sound coil draws at the
/// largest duty that it may see. A switch that is stuck on is seen by it while its duty is above zero.
fn current_max_a(valve: &Valve, bench: &BenchSheet, full_a: f64) -> f64 {
    let sound_a = SOUND_SPREAD * valve.duty_max * full_a;
    // Above what may flow at rest, however small its duties are.
    sound_a.max(2.0 * IDLE_CURRENT_MAX_A).min(bench.current_max_a)
}

/// What a valve's coil at 20 °C draws at full duty, in A: by Ohm's law, with its leads.
pub(crate) fn full_duty_a(valve: &Valve, bench: &BenchSheet, supply_v: f64) -> f64 {
    supply_v / (valve.resistance_20c_ohm + bench.coil_circuit.leads_ohm.value)
}

/// A duty of 0 to 1 in 0.01 %.
#[must_use]
pub fn duty_e4(duty: f64) -> u16 {
    (duty * f64::from(Ramp::FULL_E4)).round().clamp(0.0, f64::from(Ramp::FULL_E4)) as u16
}

/// A time in s in whole milliseconds.
#[must_use]
pub fn ms(seconds: f64) -> u32 {
    (seconds * 1000.0).round().clamp(0.0, f64::from(u32::MAX)) as u32
}

/// A speed in revolutions per second in whole revolutions per minute.
#[must_use]
pub fn rpm(rev_per_s: f64) -> u16 {
    (rev_per_s * 60.0).round().clamp(0.0, f64::from(u16::MAX)) as u16
}
