//! Whether guards that a board was given are the sheets', limit by limit, and what the sheets allow a coil to draw.

use crate::world::witness::scale::{VOLTS_PER_COUNT, count_a, count_pa, pressure_pa};
use stepwell_procedure::run::Plan;
use stepwell_procedure::sheet::{BenchSheet, LossEffect, Valve, VoltageSpan};
use stepwell_protocol::guards::{Band, CoilGuard, Guards, OnLoss};

/// Full scale of the converter's input, in V.
const FULL_SCALE_V: f64 = 5.0;

/// The zero of a current's channel may be off by this share of the bench sheet's largest current (common practice,
/// no source).
const ZERO_SHARE_MAX: f64 = 0.05;

/// A coil that is at rest may show this much more than its zero, in A (common practice, no source).
const IDLE_A: f64 = 0.08;

/// The name of what in guards is not as the sheets have it. Zeroes of sensors are taken at rest, so pressures may
/// be off by what a zero may be, and currents are counted from theirs.
pub(super) fn unlike_sheets(plan: &Plan, guards: &Guards) -> Option<&'static str> {
    // Nothing is left out: a new field must be judged.
    let Guards {
        rail_max,
        rail_low,
        rail_live,
        rail_zero,
        feed_live,
        supply,
        fluid,
        coils,
        drive_rpm_max,
        drive_on_ms_max,
        drive_rest_ms_min,
        flow_gap_ms_max,
    } = *guards;
    let bench = &plan.bench;
    let whole = |value: f64| value.round() as u32;
    let rail = &bench.rail_pressure;
    let rail_pa = |counts: u16| pressure_pa(rail, counts);
    let count_pa = count_pa(rail);
    let zero_pa = bench.rail_zero_pa + count_pa;
    // Both have the same zero, and are rounded to a count.
    let apart_pa = rail_pa(rail_max) - rail_pa(rail_low);
    let apart = within(apart_pa, plan.pump.rail_guard_pa - bench.rail_low_pa, 2.0 * count_pa);
    let zero_low = within(rail_pa(rail_zero.low), -bench.rail_zero_pa, count_pa);
    let zero_high = within(rail_pa(rail_zero.high), bench.rail_zero_pa, count_pa);
    let feed = match (feed_live, &bench.feed_pressure) {
        (Some(band), Some(span)) => like_sensor(band, span, bench.atmosphere_pa),
        (None, None) => true,
        _ => false,
    };
    let supply_v = |counts: u16| f64::from(counts) * VOLTS_PER_COUNT * bench.supply_divider.value;
    let count_v = VOLTS_PER_COUNT * bench.supply_divider.value;
    let (cold, hot) = bench.fluid_celsius;
    let on_ms = whole(bench.drive.on_s_max * 1e3);
    let rest_ms = whole(bench.drive.rest_s_min * 1e3);
    [
        ("rail limit", within(rail_pa(rail_max), plan.pump.rail_guard_pa, zero_pa)),
        ("low rail", within(rail_pa(rail_low), bench.rail_low_pa, zero_pa) && apart),
        ("rail sensor", like_sensor(rail_live, rail, bench.atmosphere_pa)),
        ("rail at rest", zero_low && zero_high),
        ("least supply voltage", within(supply_v(supply.low), bench.supply_v.0, count_v)),
        ("largest supply voltage", within(supply_v(supply.high), bench.supply_v.1, count_v)),
        ("hottest fluid", shows_celsius(bench, fluid.low, hot)),
        ("coldest fluid", shows_celsius(bench, fluid.high, cold)),
        ("feed sensor", feed),
        ("speed", u32::from(drive_rpm_max) == whole(bench.drive.speed_max_rev_per_s * 60.0)),
        ("drive time", drive_on_ms_max == on_ms && drive_rest_ms_min == rest_ms),
        ("flow gap", u32::from(flow_gap_ms_max) == whole(bench.flow_gap_s * 1e3)),
    ]
    .into_iter()
    .find_map(|(name, like)| (!like).then_some(name))
    .or_else(|| coils.iter().zip(fitted(plan)).find_map(|(guard, valve)| unlike_coil(*guard, valve, plan)))
}

fn within(found: f64, due: f64, by: f64) -> bool {
    (found - due).abs() <= by
}

/// The valves of a pump, inlet first, each with the duty at which it relieves the rail: a pump without a pressure valve
/// has its plug in the air, where the model has a coil all the same.
pub(super) fn fitted(plan: &Plan) -> [Option<(&Valve, f64)>; 2] {
    let (inlet, pressure) = (&plan.pump.inlet_valve, plan.pump.pressure_valve.as_ref());
    [Some((inlet, inlet.shut_duty)), pressure.map(|valve| (valve, valve.open_duty))]
}

/// Whether a live band lets all pass that a sound sensor can show, from full vacuum to its span, and neither an open
/// line nor a shorted one: the sheet says no more.
fn like_sensor(band: Band, span: &VoltageSpan, atmosphere_pa: f64) -> bool {
    let Band { low, high } = band;
    let passes = pressure_pa(span, low) <= -atmosphere_pa && pressure_pa(span, high) >= span.span_pa;
    passes && low > 0 && f64::from(high) * VOLTS_PER_COUNT < FULL_SCALE_V
}

/// Whether a thermistor's counts are those of a temperature, to a count: 1/T = a + b ln R + c (ln R)^3 (Steinhart
/// and Hart 1968).
fn shows_celsius(bench: &BenchSheet, counts: u16, due_celsius: f64) -> bool {
    let sensor = &bench.fluid_temperature;
    let [a, b, c] = sensor.coefficients;
    let celsius = |counts: u16| {
        let volts = f64::from(counts) * VOLTS_PER_COUNT;
        let ln_ohm = (sensor.pull_up_ohm * volts / (sensor.pull_up_v - volts)).ln();
        1.0 / (a + b * ln_ohm + c * ln_ohm.powi(3)) - 273.15
    };
    // It falls as counts rise.
    counts > 1 && celsius(counts - 1) >= due_celsius && celsius(counts + 1) <= due_celsius
}

/// The name of what in a coil's guard is not its valve's.
fn unlike_coil(guard: Option<CoilGuard>, valve: Option<(&Valve, f64)>, plan: &Plan) -> Option<&'static str> {
    let (guard, (valve, relieving)) = match (guard, valve) {
        (Some(guard), Some(valve)) => (guard, valve),
        (None, None) => return None,
        _ => return Some("coil"),
    };
    // What full duty draws follows from the supply of the day: see `draws_full_duty`.
    let CoilGuard { on_loss, relieve_e4, duty_max_e4, zero, current_max, full_duty } = guard;
    let e4 = |duty: f64| (duty * 1e4).round() as u16;
    let due_on_loss = match valve.on_loss {
        LossEffect::Falls => OnLoss::Falls,
        LossEffect::Rises => OnLoss::Rises,
        LossEffect::Unknown => OnLoss::Unknown,
    };
    let count_a = count_a(&plan.bench);
    // Both ends are rounded to a count.
    let above_zero_a = f64::from(current_max) * count_a - f64::from(zero.high) * count_a;
    let current = within(
        above_zero_a,
        current_max_a(plan, valve, f64::from(full_duty) * count_a) - IDLE_A,
        2.0 * count_a,
    );
    let zero_a = f64::from(zero.high) * count_a - IDLE_A;
    let zero_a_max = ZERO_SHARE_MAX * plan.bench.current_max_a;
    let at_zero = zero.low == 0 && (-count_a..=zero_a_max + count_a).contains(&zero_a);
    if !at_zero {
        return Some("coil's zero");
    }
    let same = (on_loss, relieve_e4, duty_max_e4) == (due_on_loss, e4(relieving), e4(valve.duty_max));
    (!same || !current).then_some("coil")
}

/// The current above which an output must be let go, in A: what the rig allows, or a third more than the valve's largest
/// duty draws where full duty draws `full_duty_a`, but no less than twice what may flow at rest
/// (docs/sheets-and-procedures.md).
pub(super) fn current_max_a(plan: &Plan, valve: &Valve, full_duty_a: f64) -> f64 {
    let sound_a = 4.0 / 3.0 * valve.duty_max * full_duty_a;
    plan.bench.current_max_a.min(sound_a.max(2.0 * IDLE_A))
}

/// What a coil draws at full duty, in A.
fn full_duty_a(plan: &Plan, valve: &Valve, supply_v: f64) -> f64 {
    supply_v / (valve.resistance_20c_ohm + plan.bench.coil_circuit.leads_ohm.value)
}

/// Whether each coil at full duty draws what some supply within the sheet's band makes it draw.
pub(super) fn draws_full_duty(plan: &Plan, guards: &Guards) -> bool {
    let (bench, count_a) = (&plan.bench, count_a(&plan.bench));
    guards.coils.iter().zip(fitted(plan)).all(|(guard, valve)| {
        let (Some(guard), Some((valve, _))) = (guard, valve) else { return true };
        let drawn_a = f64::from(guard.full_duty) * count_a;
        let [least_a, most_a] = [bench.supply_v.0, bench.supply_v.1].map(|v| full_duty_a(plan, valve, v));
        (least_a - count_a..=most_a + count_a).contains(&drawn_a)
    })
}
