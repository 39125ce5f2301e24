//! What must be latched, and stay so for as long as it lasts, although nothing is being worked: a hand may come near.

use super::authority::Doing;
use super::excuse::drift_pa;
use super::guards;
use super::letting_go::DECAY_MS;
use crate::check::surely_above_pa;
use crate::promised::within_ms;
use crate::world::played::mishap::{Mishap, What};
use crate::world::witness::said::Said;
use crate::world::witness::watch::Watch;
use stepwell_plant::FaultKind;
use stepwell_procedure::run::Plan;
use stepwell_protocol::channel::Coil;
use stepwell_protocol::state::State;

/// What must be latched, because nothing is being worked and a hand may come near: a shaft that turns on,
/// pressure that stays, a coil that is driven by itself or seems to be, a board that fell over.
#[must_use]
pub fn untold(plan: &Plan, watch: &Watch, doing: &[Doing], mishap: Option<Mishap>) -> Vec<String> {
    let mut wrong = Vec::new();
    let (mut turning, mut pressed) = (Stretch::default(), Stretch::default());
    let (mut driven, mut shown) = ([Stretch::default(); 2], [Stretch::default(); 2]);
    let (mut worked, mut told, mut zero) = (false, false, None);
    let mut said = watch.said.iter().peekable();
    let (shaft_ms, trapped_ms) =
        (within_ms("ShaftStillTurning") + PULSE_MS, within_ms("PressureTrapped") + READ_MS);
    // A true current of a tenth of full duty's is beyond any zero, so that nothing is added to the promise.
    let unasked_ms = within_ms("CurrentAtZeroDuty");
    let low_pa = surely_above_pa(plan, plan.bench.rail_low_pa);
    let mut zero_ms = [0; 2];
    let fitted = guards::fitted(plan);
    let swapped = mishap.filter(|mishap| mishap.what == What::Rig(FaultKind::ConnectorsSwapped));
    for (place, (beside, doing)) in watch.ticks.iter().zip(doing).enumerate() {
        let moment = &beside.moment;
        worked = (worked || doing.works()) && !beside.restarted;
        while let Some((_, what)) = said.next_if(|(at, _)| *at <= place) {
            told = matches!(what, Said::Tripped(..)) || (told && *what != Said::Cleared);
            if let Said::Guards(guards) = what {
                zero = Some(guards.coils.map(|coil| Some(coil?.zero)));
            }
        }
        if beside.restarted {
            (told, zero) = (false, None);
        }
        // A trip that is found while a stop is on its way is latched when that is over.
        let latched = moment.state == State::Tripped || told && moment.state == State::Stopping;
        // A board that does not run tells nobody anything, and one without guards watches nothing: what is wrong with a
        // rig until then is for the program to find (docs/protocol.md, 11).
        let sees = beside.running && zero.is_some();
        let turns = sees && !moment.drive_on() && moment.speed_rev_per_s > TURNING_REV_PER_S;
        if turning.untold(turns, latched, shaft_ms) {
            wrong.push(format!(
                "the shaft turns {shaft_ms} ms after the drive and nobody is told, {place} ms"
            ));
        }
        // A dwell may drive nothing; that it ends when it must is judged elsewhere.
        let over = worked && moment.state != State::Dwelling;
        // More than what counts as low, by all that a sensor may be off whose zero was taken at the beginning.
        let stays = over && moment.rail_pa > low_pa + drift_pa(plan, watch, place);
        if pressed.untold(stays && sees, latched, trapped_ms) {
            wrong.push(format!("pressure stays for {trapped_ms} ms and nobody is told, {place} ms"));
        }
        let swapped = swapped.is_some_and(|mishap| mishap.acts_at(place as u64));
        if beside.restarted {
            // A board that starts anew does not know what was driven before.
            zero_ms = [0; 2];
        }
        // Its guards are all that the board needs: they have the zeroes of the current channels, and a dwell has nothing
        // to do with it.
        for (coil, (driving, showing)) in driven.iter_mut().zip(&mut shown).enumerate() {
            // What was driven until then may die away for so long.
            zero_ms[coil] = if moment.outputs.duty_e4(Coil::BOTH[coil]) == 0 { zero_ms[coil] + 1 } else { 0 };
            let gone = zero_ms[coil] > DECAY_MS + TICK_MS;
            let rests = gone && sees && *doing == Doing::Rest;
            let driven = beside.current_a[coil] > 0.1 * beside.supply_v / beside.circuit_ohm[coil];
            let driven = rests && driven && fitted[coil].is_some() && !swapped;
            if driving.untold(driven, latched, unasked_ms) {
                let ms = driving.ms;
                wrong.push(format!(
                    "coil {coil} is driven at rest for {ms} ms and nobody is told, {place} ms"
                ));
            }
            let word = beside.analog[Coil::BOTH[coil].current().index()];
            let none = zero.and_then(|zero| zero[coil]).is_none_or(|zero| zero.contains(word));
            if showing.untold(rests && !none, latched, unasked_ms + MEDIAN_MS) {
                let ms = showing.ms;
                wrong.push(format!(
                    "coil {coil} shows a current at rest for {ms} ms and nobody is told, {place} ms"
                ));
            }
        }
        if beside.restarted && fell(mishap) {
            // One tick is the board's to find out.
            let soon = &watch.ticks[place..watch.ticks.len().min(place + 2)];
            if !soon.iter().any(|beside| beside.moment.state == State::Tripped) {
                wrong.push(format!("the board fell over and is not latched, {place} ms"));
            }
        }
    }
    wrong
}

/// A stretch in which something is so that must be latched.
#[derive(Clone, Copy, Debug, Default)]
struct Stretch {
    ms: usize,
    told: bool,
}

impl Stretch {
    /// Whether it has lasted longer than it may and is not latched; once for each stretch.
    fn untold(&mut self, is_so: bool, latched: bool, most_ms: usize) -> bool {
        if !is_so {
            *self = Stretch::default();
            return false;
        }
        self.ms += 1;
        self.ms > most_ms && !latched && !std::mem::replace(&mut self.told, true)
    }
}

fn fell(mishap: Option<Mishap>) -> bool {
    use crate::world::played::mishap::BoardMishap::{BrownOut, Fault, HungLoop};
    mishap.is_some_and(|mishap| matches!(mishap.what, What::Board(BrownOut | Fault | HungLoop)))
}

/// The median of three words shows a step with its second word (docs/protocol.md, 11).
const MEDIAN_MS: usize = 1;

/// What a tick sets is shown at the next.
const TICK_MS: usize = 1;

/// A shaft faster than this turns, in rev/s: a tenth of a revolution per second is a pulse in 170 ms.
const TURNING_REV_PER_S: f64 = 0.1;

/// The pulse by which it is known may come so much later, in ms.
const PULSE_MS: usize = 170;

/// So long a reading takes to be known, in ms: what the protocol promises for a rail that is too high.
const READ_MS: usize = 20;

#[cfg(test)]
mod tests {
    use super::Stretch;

    #[test]
    fn a_stretch_is_told_of_once_whenever_the_latch_goes() {
        let told = |latched: [bool; 8]| {
            let mut stretch = Stretch::default();
            latched.map(|latched| stretch.untold(true, latched, 3)).iter().filter(|told| **told).count()
        };
        assert_eq!(told([false; 8]), 1);
        assert_eq!(told([true; 8]), 0);
        // The latch was there when the time was up and has gone since.
        assert_eq!(told([false, false, true, true, true, false, false, true]), 1);
    }
}
