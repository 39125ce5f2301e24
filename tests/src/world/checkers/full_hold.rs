//! A rail sensor that was known to be dead while something was energised proves nothing, however low it reads: the hold
//! of that stop takes its full time (docs/protocol.md, 7). It is known from when the board had to find it, and from when
//! it said so.

use super::excuse::spoils;
use crate::check::{Excuse, relieving_duties_e4};
use crate::promised::within_ms;
use crate::world::played::mishap::Mishap;
use crate::world::witness::said::Said;
use crate::world::witness::watch::Watch;
use stepwell_plant::FaultKind;
use stepwell_procedure::run::Plan;
use stepwell_protocol::RELIEVE_MS_MAX;
use stepwell_protocol::message::TripCause;
use stepwell_protocol::state::State;

/// What makes a rail sensor's word worthless.
const DEAD: [TripCause; 3] = [TripCause::RailSensorDead, TripCause::AdcFrozen, TripCause::RailSensorFrozen];

/// Stops that were over too soon.
#[must_use]
pub(super) fn broken_off(
    plan: &Plan,
    watch: &Watch,
    begun: Option<Mishap>,
    excuses: &[Excuse],
) -> Vec<String> {
    let relieving = relieving_duties_e4(plan);
    let let_go = |place: usize| (0..2).all(|coil| relieving[coil] == 0 || excuses[place].let_go[coil]);
    let known_ms = DEAD.map(|cause| within_ms(&format!("{cause:?}")));
    let (mut dead_ms, mut known, mut held_ms) = ([0; 3], false, 0);
    let mut wrong = Vec::new();
    let mut said = watch.said.iter().peekable();
    for (place, beside) in watch.ticks.iter().enumerate() {
        // While the loop does not run the board's own word is an old one, and afterwards it knows nothing.
        let state = if beside.running && !beside.restarted { beside.moment.state } else { State::Rest };
        let energised = matches!(state, State::Dwelling | State::Stopping);
        let over = held_ms > 0 && !energised && beside.running && !beside.restarted;
        // A reason that was found on the last tick of a stop is seen on the next.
        if over && known && held_ms < RELIEVE_MS_MAX as usize && !let_go(place - 1) && !let_go(place) {
            wrong.push(format!(
                "valves let go after {held_ms} ms by the word of a rail sensor that was known to be dead, {place} ms"
            ));
        }
        held_ms = if state == State::Stopping { held_ms + 1 } else { 0 };
        let dead = [
            energised && spoils(begun, place, &[FaultKind::RailSensorOpen, FaultKind::RailSensorShort]),
            energised && beside.converter_stands,
            state == State::Dwelling && spoils(begun, place, &[FaultKind::RailSensorStuck]),
        ];
        for (ms, dead) in dead_ms.iter_mut().zip(dead) {
            *ms = if dead { *ms + 1 } else { 0 };
        }
        while let Some((_, what)) = said.next_if(|(at, _)| *at <= place) {
            known |= matches!(what, Said::Tripped(cause, _) if DEAD.contains(cause));
        }
        known = energised && (known || dead_ms.iter().zip(known_ms).any(|(ms, known_ms)| *ms > known_ms));
    }
    wrong
}
