//! What must never happen on a bench, looked for in the trace of what it really did.
//!
//! Each check is written from the meaning of the outputs and the rating on the sheets, not from the
//! board's code, and says at which tick it found what.

use crate::above_guard::above_guard_ms_max;
use crate::trace::Moment;
use stepwell_procedure::run::Plan;
use stepwell_procedure::sheet::{LossEffect, Valve};
use stepwell_protocol::state::State;

/// A staged stop is over after this long at the latest, in ms.
const STOP_MS_MAX: usize = 5_000;

/// Noise of the rail reading: 2 mV per conversion, as the model's sensor has it
/// (hardware/plant/src/sensors.rs; common practice, no source), at 4 V over 200 MPa are 1 bar, a tick's ten
/// conversions a third of that, and three deviations of it 1 bar. In Pa.
pub(crate) const RAIL_NOISE_PA: f64 = 1e5;

/// A rail counts as relieved after it has been low for longer than this (docs/protocol.md, 6.1), in ms.
const LOW_MS: usize = 50;

/// Without a pulse for so long a shaft delivers nothing (docs/protocol.md, 7), in ms; less two, because a pulse is
/// seen at the tick after it came, and speeds are summed a tick at a time.
const SURELY_SEEN_MS: usize = 500 - 2;

/// What nobody may hold against the board at a tick, because of what its sensors show.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Excuse {
    /// Which coils may be let go at once, inlet first: they show too much current, or current that nobody asked for.
    pub let_go: [bool; 2],
    /// The rail's sensor shows less than the guard, whatever the rail is at.
    pub rail_hidden: bool,
    /// The rail's sensor may show that it is low, whatever the rail is at.
    pub rail_seems_low: bool,
    /// The dump does not move: how long the rail takes to fall is not the board's doing.
    pub dump_stuck: bool,
    /// The shaft's sensor has fallen silent so late that the board must take it for a shaft that stands.
    pub shaft_hidden: bool,
}

/// Everything that is wrong with `trace`, with nothing excused; empty when nothing is.
#[must_use]
pub fn everything(plan: &Plan, trace: &[Moment]) -> Vec<String> {
    let nothing = vec![Excuse::default(); trace.len()];
    let mut wrong = rail_above_guard(plan, trace, &nothing);
    wrong.extend(energised_out_of_turn(trace));
    wrong.extend(drive_beyond_rating(plan, trace));
    wrong.extend(stop_out_of_order(plan, trace, &nothing));
    wrong
}

/// A sheet's *within* is so many standard uncertainties: 95 % of a normal distribution (JCGM 100, 4.3.4).
pub(crate) const WITHIN: f64 = 1.96;

/// Above this a rail shows more than `limit_pa` for certain, by a sensor whose zero was taken: its slope is off by what
/// the bench sheet allows, and there is noise. In Pa.
pub(crate) fn surely_above_pa(plan: &Plan, limit_pa: f64) -> f64 {
    let slope = 1.0 - WITHIN * plan.bench.rail_pressure.gain_u;
    limit_pa / slope + RAIL_NOISE_PA
}

/// The rail longer above the pump's guard than the board, the pump and the dump may take.
#[must_use]
pub fn rail_above_guard(plan: &Plan, trace: &[Moment], excuses: &[Excuse]) -> Vec<String> {
    let (above_pa, most_ms) = (surely_above_pa(plan, plan.pump.rail_guard_pa), above_guard_ms_max(plan));
    let above = |(moment, excuse): &(&Moment, &Excuse)| {
        moment.rail_pa > above_pa && !excuse.rail_hidden && !excuse.dump_stuck
    };
    let ticks: Vec<_> = trace.iter().zip(excuses).collect();
    ticks
        .chunk_by(|a, b| above(a) == above(b))
        .filter(|stretch| above(&stretch[0]) && stretch.len() > most_ms)
        .map(|stretch| {
            format!("rail above its guard for {} ms from tick {}", stretch.len(), stretch[0].0.tick)
        })
        .collect()
}

/// Outputs energised although the board says that it is at rest, armed or tripped.
#[must_use]
pub fn energised_out_of_turn(trace: &[Moment]) -> Vec<String> {
    let out_of_turn = |moment: &Moment| {
        let turn = matches!(moment.state, State::Dwelling | State::Stopping);
        (!turn && moment.outputs.energised()).then_some(moment.state)
    };
    trace
        .chunk_by(|a, b| out_of_turn(a) == out_of_turn(b))
        .filter_map(|ticks| {
            let state = out_of_turn(&ticks[0])?;
            Some(format!("energised while {state:?} for {} ms from tick {}", ticks.len(), ticks[0].tick))
        })
        .collect()
}

/// The drive on for longer than the bench sheet's rating: an account in milliseconds that turning
/// spends and resting refills, empty when the board starts.
#[must_use]
pub fn drive_beyond_rating(plan: &Plan, trace: &[Moment]) -> Vec<String> {
    let rating = &plan.bench.drive;
    let (on_ms, rest_ms) = ((rating.on_s_max * 1e3).round() as i64, (rating.rest_s_min * 1e3).round() as i64);
    // In parts of a millisecond, as many as the rest has milliseconds: so nothing is rounded.
    let mut left = 0;
    let mut wrong = Vec::new();
    for moment in trace {
        let before = left;
        left = if moment.drive_on() { left - rest_ms } else { (left + on_ms).min(on_ms * rest_ms) };
        if left < 0 && before >= 0 {
            wrong.push(format!("the drive has used up its rating at tick {}", moment.tick));
        }
    }
    wrong
}

/// A stop that is not staged: drive off first, valves held where they relieve until the rail is low
/// and the shaft delivers nothing, or time is up, only then everything off.
#[must_use]
pub fn stop_out_of_order(plan: &Plan, trace: &[Moment], excuses: &[Excuse]) -> Vec<String> {
    let relieving = relieving_duties_e4(plan);
    let low_pa = surely_above_pa(plan, plan.bench.rail_low_pa);
    let all_let_go =
        |place: usize| relieving.iter().zip(excuses[place].let_go).all(|(duty, let_go)| *duty == 0 || let_go);
    let mut wrong = Vec::new();
    for (place, pair) in trace.windows(2).enumerate() {
        let (before, now) = (&pair[0], &pair[1]);
        if !all_let_go(place + 1)
            && before.state == State::Dwelling
            && !matches!(now.state, State::Dwelling | State::Stopping)
        {
            wrong.push(format!("a dwell ended at tick {} without a staged stop", now.tick));
        }
    }
    let mut begins = 0;
    for stretch in trace.chunk_by(|a, b| a.state == b.state) {
        let ends = begins + stretch.len();
        let places = std::mem::replace(&mut begins, ends)..ends;
        let (first, last) = (&stretch[0], &stretch[stretch.len() - 1]);
        if first.state != State::Stopping {
            continue;
        }
        wrong.extend(held_otherwise(relieving, stretch, &excuses[places]));
        let ms = stretch.len();
        if ms > STOP_MS_MAX + 1 {
            wrong.push(format!("a stop that took {ms} ms from tick {}", first.tick));
        }
        // Where the trace ends the stop was not over: the board was switched off or started anew; nor was it where a
        // dwell took over. A reason that was found on the last tick of a stop is seen on the next.
        let over = trace.get(ends).is_some_and(|next| next.state != State::Dwelling)
            && !all_let_go(ends - 1)
            && !all_let_go(ends);
        if !over || ms >= STOP_MS_MAX {
            continue;
        }
        let lately = ends.saturating_sub(LOW_MS)..ends;
        let high = trace[lately.clone()]
            .iter()
            .zip(&excuses[lately])
            .rfind(|(moment, excuse)| moment.rail_pa > low_pa && !excuse.rail_seems_low);
        if let Some((moment, _)) = high {
            let ago_ms = last.tick.wrapping_sub(moment.tick);
            wrong.push(format!(
                "valves let go after {ms} ms, {ago_ms} ms after {:.0} Pa, tick {}",
                moment.rail_pa, last.tick
            ));
        }
        // So much turning gives a pulse wherever it begins.
        let turned_rev = turned_rev(&trace[ends.saturating_sub(SURELY_SEEN_MS)..ends]);
        if turned_rev * plan.bench.speed_pulses_per_rev > 1.0 && !excuses[ends - 1].shaft_hidden {
            wrong.push(format!(
                "valves let go after {ms} ms though the shaft turned {turned_rev:.3} rev in half a second, tick {}",
                last.tick
            ));
        }
    }
    wrong
}

/// What is energised in a stop, given tick by tick, but the valves at their relieving duties.
fn held_otherwise(relieving: [u16; 2], stop: &[Moment], excuses: &[Excuse]) -> Vec<String> {
    let drives = |moment: &Moment| {
        let outputs = &moment.outputs;
        outputs.drive_rpm > 0 || outputs.supply_on || outputs.dump_closed
    };
    let driven =
        stop.chunk_by(|a, b| drives(a) == drives(b)).filter(|ticks| drives(&ticks[0])).map(|ticks| {
            let (ms, tick) = (ticks.len(), ticks[0].tick);
            format!("drive, supply or dump energised while stopping for {ms} ms from tick {tick}")
        });
    let otherwise = |(moment, excuse): &(&Moment, &Excuse)| {
        let duties = [moment.outputs.inlet_duty_e4, moment.outputs.pressure_duty_e4];
        let held =
            |coil: usize| duties[coil] == relieving[coil] || (duties[coil] == 0 && excuse.let_go[coil]);
        (!held(0) || !held(1)).then_some(duties)
    };
    let ticks: Vec<_> = stop.iter().zip(excuses).collect();
    let ill_held = ticks.chunk_by(|a, b| otherwise(a) == otherwise(b)).filter_map(|ticks| {
        let (duties, (ms, tick)) = (otherwise(&ticks[0])?, (ticks.len(), ticks[0].0.tick));
        Some(format!("duties {duties:?} instead of {relieving:?} for {ms} ms from tick {tick}"))
    });
    driven.chain(ill_held).collect()
}

/// How far the shaft turned in a stretch of ticks, in revolutions.
fn turned_rev(stretch: &[Moment]) -> f64 {
    stretch.iter().map(|moment| moment.speed_rev_per_s.abs() * 1e-3).sum()
}

/// The duties at which a stop holds the valves, in 0.01 %: a valve that loses pressure without
/// current is let go; any other one is held where it lets pressure out, or no fuel in.
#[must_use]
pub fn relieving_duties_e4(plan: &Plan) -> [u16; 2] {
    let e4 = |duty: f64| (duty * 1e4).round() as u16;
    let held = |valve: &Valve, relieving: f64| {
        if valve.on_loss == LossEffect::Falls { 0 } else { e4(relieving) }
    };
    let inlet = &plan.pump.inlet_valve;
    let pressure = plan.pump.pressure_valve.as_ref();
    [held(inlet, inlet.shut_duty), pressure.map_or(0, |valve| held(valve, valve.open_duty))]
}
