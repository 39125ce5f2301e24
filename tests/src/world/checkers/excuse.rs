//! What nobody may hold against the board, tick by tick: told from what its sensors showed, and only while a mishap
//! acts that spoils them.

use super::letting_go;
use crate::check::{Excuse, RAIL_NOISE_PA, WITHIN, surely_above_pa};
use crate::world::played::mishap::{Mishap, What};
use crate::world::witness::scale::pressure_pa;
use crate::world::witness::watch::{Beside, Watch};
use stepwell_plant::FaultKind;
use stepwell_procedure::run::Plan;
use stepwell_protocol::channel::Channel;

/// The rig has just been switched on, and its rail is at rest: its sensor's zero is taken over so many ms.
const ZERO_MS: usize = 100;

/// A driven shaft whose sensor was silent for so long, in ms, is known to have a dead one (docs/protocol.md, 7); and
/// two more, for the tick of a pulse and the tick of the drive.
const SILENT_MS: usize = 500 + 2;

/// Which of stop chain, guard and tank are not as they should be although their contacts say so, because a mishap acts
/// that spoils these.
pub(super) fn contacts_lie(beside: &Beside, begun: Option<Mishap>, place: usize) -> [bool; 3] {
    const STUCK: [FaultKind; 3] =
        [FaultKind::StopChainContactStuck, FaultKind::GuardContactStuck, FaultKind::TankContactStuck];
    [0, 1, 2].map(|index| {
        let lies = beside.contacts[index] && !beside.truly[index];
        lies && spoils(begun, place, &STUCK[index..=index])
    })
}

/// Whether a fault of the rig of one of these kinds acts.
pub(super) fn spoils(begun: Option<Mishap>, place: usize, kinds: &[FaultKind]) -> bool {
    begun.is_some_and(|mishap| {
        let spoils = matches!(mishap.what, What::Rig(kind) if kinds.contains(&kind));
        spoils && mishap.severity > 0.0 && mishap.acts_at(place as u64)
    })
}

/// For each millisecond. `begun` is what went wrong on purpose.
#[must_use]
pub fn excuses(plan: &Plan, watch: &Watch, begun: Option<Mishap>) -> Vec<Excuse> {
    let acts = |place: usize, kinds: &[FaultKind]| spoils(begun, place, kinds);
    let zero_pa = zero_pa(plan, watch);
    let low_pa = surely_above_pa(plan, plan.bench.rail_low_pa);
    let (mut driven, mut pulse, mut count, mut dead) = (0, 0, 0, None);
    let mut excuses = Vec::with_capacity(watch.ticks.len());
    for (place, (beside, let_go)) in watch.ticks.iter().zip(letting_go::may_let_go(watch)).enumerate() {
        if beside.moment.drive_on() {
            driven = place;
        }
        if std::mem::replace(&mut count, beside.pulses[1].count) != beside.pulses[1].count {
            pulse = place;
        }
        if acts(place, &[FaultKind::SpeedSensorDead]) {
            dead = Some(place);
        }
        let shown_pa = shown_pa(plan, beside) - zero_pa;
        let below_guard = shown_pa <= plan.pump.rail_guard_pa + RAIL_NOISE_PA;
        let low = shown_pa <= plan.bench.rail_low_pa + RAIL_NOISE_PA;
        let drifted = beside.moment.rail_pa <= low_pa + drift_pa(plan, watch, place);
        excuses.push(Excuse {
            let_go,
            rail_hidden: below_guard && acts(place, &[FaultKind::RailSensorLow, FaultKind::RailSensorSlow]),
            rail_seems_low: drifted || low && acts(place, &[FaultKind::RailSensorLow]),
            dump_stuck: acts(place, &[FaultKind::DumpStuckShut, FaultKind::DumpStuckOpen]),
            // One that is whole again tells of its shaft from its next pulse on.
            shaft_hidden: pulse + SILENT_MS > driven
                && dead.is_some_and(|dead| pulse <= dead && place - dead < SILENT_MS),
        });
    }
    excuses
}

/// What the rail's sensor shows of an empty rail, in Pa.
pub(super) fn zero_pa(plan: &Plan, watch: &Watch) -> f64 {
    let rest = &watch.ticks[..watch.ticks.len().min(ZERO_MS)];
    rest.iter().map(|beside| shown_pa(plan, beside)).sum::<f64>() / rest.len().max(1) as f64
}

/// What that may have drifted since the beginning, as the fluid got warmer or colder, in Pa: within what the bench sheet
/// says for a kelvin.
pub(super) fn drift_pa(plan: &Plan, watch: &Watch, place: usize) -> f64 {
    let celsius = |place: usize| watch.ticks[place].fluid_sensed_celsius;
    let pa_per_k = WITHIN * plan.bench.rail_pressure.zero_drift_u_pa_per_k;
    pa_per_k * (celsius(place) - celsius(0)).abs()
}

/// What the rail's sensor shows, with the sheet's zero, in Pa.
pub(super) fn shown_pa(plan: &Plan, beside: &Beside) -> f64 {
    pressure_pa(&plan.bench.rail_pressure, beside.analog[Channel::RailPressure.index()])
}
