//! Which coils a staged stop may let go at once: those that show too much current, or current that nobody asked
//! for, for as long as they show it and to the end of the stop in which they did (docs/protocol.md, 7: a coil that
//! tripped for its current; 11: OverCurrent and CurrentAtZeroDuty).

use crate::world::witness::said::Said;
use crate::world::witness::scale::PERIOD_MS;
use crate::world::witness::watch::{Beside, Watch};
use stepwell_protocol::channel::Coil;
use stepwell_protocol::guards::Guards;
use stepwell_protocol::state::State;

/// A coil's current is gone so long after its duty, in ms (docs/protocol.md, 11).
pub(super) const DECAY_MS: usize = 100;

/// What is wrong is found within this, in ms: the longer of what is promised for those two (docs/protocol.md, 11).
const FOUND_MS: usize = 50;

/// A mean may look as large as its limit when it is this near, as a share: when its period begins is a matter of a tick.
const NEAR: f64 = 0.98;

/// For each millisecond, inlet first.
#[must_use]
pub fn may_let_go(watch: &Watch) -> Vec<[bool; 2]> {
    let mut said = watch.said.iter().peekable();
    let mut guards: Option<Guards> = None;
    let mut zero_ms = [0_usize; 2];
    let mut reason = [None; 2];
    let mut held = [false; 2];
    let mut may = Vec::with_capacity(watch.ticks.len());
    for (place, beside) in watch.ticks.iter().enumerate() {
        while let Some((_, what)) = said.next_if(|(at, _)| *at <= place) {
            if let Said::Guards(taken) = what {
                guards = Some(**taken);
            }
        }
        if beside.restarted {
            (guards, zero_ms, reason) = (None, [0; 2], [None; 2]);
        }
        let stopping = beside.moment.state == State::Stopping;
        for coil in Coil::BOTH {
            let index = coil.index();
            // What a tick shows was driven by the outputs of the tick before.
            let before = &watch.ticks[place.saturating_sub(1)].moment.outputs;
            zero_ms[index] = if before.duty_e4(coil) == 0 { zero_ms[index] + 1 } else { 0 };
            if shows(watch, beside, guards.as_ref(), coil, place, zero_ms[index]) {
                reason[index] = Some(place);
            }
            let lately = reason[index].is_some_and(|at| place - at <= FOUND_MS);
            held[index] = lately || (stopping && held[index]);
        }
        may.push(held);
    }
    may
}

fn shows(
    watch: &Watch,
    beside: &Beside,
    guards: Option<&Guards>,
    coil: Coil,
    place: usize,
    zero_ms: usize,
) -> bool {
    let Some(guard) = guards.and_then(|guards| guards.coils[coil.index()]) else { return false };
    let column = coil.current().index();
    let word = |place: usize| f64::from(watch.ticks[place].analog[column]);
    // The median of the latest three, which is larger in the mean where a current is chopped.
    let median = |place: usize| {
        let mut three = [place.saturating_sub(2), place.saturating_sub(1), place].map(word);
        three.sort_by(f64::total_cmp);
        three[1]
    };
    let period = (place + 1).saturating_sub(PERIOD_MS)..=place;
    let sum = period.clone().map(word).sum::<f64>().max(period.map(median).sum::<f64>());
    let over = sum > NEAR * f64::from(guard.current_max) * PERIOD_MS as f64;
    let unasked = zero_ms > DECAY_MS && !guard.zero.contains(beside.analog[column]);
    over || unasked
}

#[cfg(test)]
mod tests {
    use super::{DECAY_MS, FOUND_MS, PERIOD_MS};
    use crate::promised::{found, within_ms};

    #[test]
    fn coils_may_be_let_go_for_what_the_protocol_promises_and_no_longer() {
        let [over, unasked] = ["OverCurrent", "CurrentAtZeroDuty"];
        assert!(found(over).starts_with(&format!("mean of {PERIOD_MS} ms above")), "{}", found(over));
        assert!(found(unasked).ends_with(&format!(" {DECAY_MS} ms after 0 %")), "{}", found(unasked));
        assert_eq!(within_ms(over).max(within_ms(unasked)), FOUND_MS);
    }
}
