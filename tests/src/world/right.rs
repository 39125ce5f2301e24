//! Whether the board may work at all: guards as the sheets have them, an arming that was heard and that nothing has
//! taken back since, a lease. Told from the wire and the clock; the board's own word for its state is taken only
//! where it takes something away.

use super::authority::Once;
use super::said::Said;
use super::watch::Beside;
use stepwell_core::Outputs;
use stepwell_procedure::run::Plan;
use stepwell_procedure::sheet::{LossEffect, Valve};
use stepwell_protocol::channel::Coil;
use stepwell_protocol::guards::{CoilGuard, Guards, OnLoss};
use stepwell_protocol::state::State;
use stepwell_protocol::{LEASE_MS, LEFT_ALONE_MS};

/// What is gone after so many milliseconds is gone at the next tick.
const TICK_MS: usize = 1;

/// Volts of one count of a word: ten conversions of 4095 counts over 5 V.
const VOLTS_PER_COUNT: f64 = 5.0 / (10.0 * 4_095.0);

/// A coil that is at rest may show this much more than its zero, in A (common practice, no source).
const IDLE_A: f64 = 0.08;

/// The right to work.
#[derive(Debug, Default)]
pub(super) struct Right {
    guards: Option<Guards>,
    armed: bool,
    renewed: Option<usize>,
    /// When something was asked for or done.
    asked: usize,
}

impl Right {
    /// The board starts anew, and knows nothing.
    pub(super) fn restarted(&mut self, place: usize) {
        *self = Right { asked: place, ..Right::default() };
    }

    /// Something was said before the tick at `place`; `before` is the tick before that.
    pub(super) fn heard(
        &mut self,
        plan: &Plan,
        what: &Said,
        place: usize,
        before: Option<&Beside>,
        wrong: &mut Once,
    ) {
        match what {
            Said::Renewed => self.renewed = Some(place),
            Said::Asked => self.asked = place,
            Said::Opened => (self.armed, self.renewed) = (false, None),
            Said::Stop | Said::Disarmed | Said::Tripped => self.armed = false,
            Said::Guards(guards) => {
                if let Some(unlike) = unlike_sheets(plan, guards) {
                    wrong.say(
                        "sheets",
                        format!("guards were taken at {place} ms whose {unlike} is not the sheets'"),
                    );
                }
                self.guards = Some(**guards);
            }
            Said::Armed(checksum) => {
                if self.guards.is_none_or(|guards| guards.checksum() != *checksum) {
                    wrong.say(
                        "guards",
                        format!("armed at {place} ms with guards that the board was not given"),
                    );
                }
                if !self.leased(place) {
                    wrong.say("leased", format!("armed at {place} ms without a lease"));
                }
                if before.is_none_or(|before| before.contacts != [true; 3]) {
                    wrong.say(
                        "contacts",
                        format!("armed at {place} ms with stop chain, guard or tank as they must not be"),
                    );
                }
                self.armed = true;
            }
            _ => {}
        }
    }

    /// The lease at the tick at `place`. A renewal that came before tick *n* is gone with tick *n* − 1 + 450
    /// (docs/protocol.md, 6.1).
    pub(super) fn leased(&self, place: usize) -> bool {
        self.renewed.is_some_and(|renewed| place - renewed + 1 < LEASE_MS as usize)
    }

    /// The tick at `place` begins; `waits` is whether a dwell waits for its own tick.
    pub(super) fn tick(&mut self, place: usize, beside: &Beside, waits: bool, wrong: &mut Once) {
        let state = beside.moment.state;
        let leased = self.renewed.is_some_and(|renewed| place - renewed < LEASE_MS as usize + TICK_MS);
        if matches!(state, State::Rest | State::Tripped) || !leased {
            self.armed = false;
        }
        if state != State::Armed || waits {
            self.asked = place;
        }
        if self.armed && place - self.asked > LEFT_ALONE_MS as usize + TICK_MS {
            wrong.say("alone", format!("armed at {place} ms, and nothing was asked for {LEFT_ALONE_MS} ms"));
            self.armed = false;
        }
        if matches!(state, State::Armed | State::Dwelling) && !self.armed {
            wrong.say("armed", format!("{state:?} at {place} ms without having been armed, or no longer"));
        }
    }

    /// A dwell sets `outputs` at the tick at `place`.
    pub(super) fn works(&self, place: usize, outputs: &Outputs, wrong: &mut Once) {
        if !self.armed {
            wrong.say("unarmed", format!("working at {place} ms without being armed"));
        }
        let within = self.guards.is_some_and(|guards| {
            outputs.drive_rpm <= guards.drive_rpm_max
                && Coil::BOTH
                    .into_iter()
                    .zip(guards.coils)
                    .all(|(coil, guard)| outputs.duty_e4(coil) <= guard.map_or(0, |guard| guard.duty_max_e4))
        });
        if !within {
            wrong.say("beyond", format!("beyond the guards at {place} ms: {outputs:?}"));
        }
    }
}

/// The name of what in guards is not as the sheets have it. Zeroes of sensors are taken at rest, so pressures may
/// be off by what a zero may be, and currents are counted from theirs.
fn unlike_sheets(plan: &Plan, guards: &Guards) -> Option<&'static str> {
    let bench = &plan.bench;
    let whole = |value: f64| value.round() as u32;
    let within = |found: f64, due: f64, by: f64| (found - due).abs() <= by;
    let rail = &bench.rail_pressure;
    let rail_pa = |counts: u16| {
        (f64::from(counts) * VOLTS_PER_COUNT - rail.zero_v) * rail.span_pa / (rail.span_v - rail.zero_v)
    };
    let count_pa = VOLTS_PER_COUNT * rail.span_pa / (rail.span_v - rail.zero_v);
    let zero_pa = bench.rail_zero_pa + count_pa;
    // Both have the same zero, and are rounded to a count.
    let apart_pa = rail_pa(guards.rail_max) - rail_pa(guards.rail_low);
    let apart = within(apart_pa, plan.pump.rail_guard_pa - bench.rail_low_pa, 2.0 * count_pa);
    let supply_v = |counts: u16| f64::from(counts) * VOLTS_PER_COUNT * bench.supply_divider.value;
    let count_v = VOLTS_PER_COUNT * bench.supply_divider.value;
    let on_ms = whole(bench.drive.on_s_max * 1e3);
    let rest_ms = whole(bench.drive.rest_s_min * 1e3);
    let fitted = [
        Some((&plan.pump.inlet_valve, plan.pump.inlet_valve.shut_duty)),
        plan.pump.pressure_valve.as_ref().map(|valve| (valve, valve.open_duty)),
    ];
    let coils = guards.coils.iter().zip(fitted).all(|(guard, valve)| match (guard, valve) {
        (Some(guard), Some((valve, relieving))) => like_valve(guard, valve, relieving, plan),
        (None, None) => true,
        _ => false,
    });
    [
        ("rail limit", within(rail_pa(guards.rail_max), plan.pump.rail_guard_pa, zero_pa)),
        ("low rail", within(rail_pa(guards.rail_low), bench.rail_low_pa, zero_pa) && apart),
        ("least supply voltage", within(supply_v(guards.supply.low), bench.supply_v.0, count_v)),
        ("largest supply voltage", within(supply_v(guards.supply.high), bench.supply_v.1, count_v)),
        ("feed sensor", guards.feed_live.is_some() == bench.feed_pressure.is_some()),
        ("speed", u32::from(guards.drive_rpm_max) == whole(bench.drive.speed_max_rev_per_s * 60.0)),
        ("drive time", guards.drive_on_ms_max == on_ms && guards.drive_rest_ms_min == rest_ms),
        ("flow gap", u32::from(guards.flow_gap_ms_max) == whole(bench.flow_gap_s * 1e3)),
        ("coil", coils),
    ]
    .into_iter()
    .find_map(|(name, like)| (!like).then_some(name))
}

fn like_valve(guard: &CoilGuard, valve: &Valve, relieving: f64, plan: &Plan) -> bool {
    let e4 = |duty: f64| (duty * 1e4).round() as u16;
    let on_loss = match valve.on_loss {
        LossEffect::Falls => OnLoss::Falls,
        LossEffect::Rises => OnLoss::Rises,
        LossEffect::Unknown => OnLoss::Unknown,
    };
    let count_a = VOLTS_PER_COUNT / plan.bench.current.volt_per_ampere;
    let least_a = f64::from(guard.current_max - guard.zero.high) * count_a;
    // Both ends are rounded to a count.
    let current = (least_a - (plan.bench.current_max_a - IDLE_A)).abs() <= 2.0 * count_a;
    (guard.on_loss, guard.relieve_e4, guard.duty_max_e4) == (on_loss, e4(relieving), e4(valve.duty_max))
        && current
}
