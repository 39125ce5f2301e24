//! Where the board rightly stands at each tick: what chapter 11 of docs/protocol.md has it watch depends on that. Told
//! from what was heard and is driven; the board's own word counts where it stops, and where it says that a dwell drives
//! nothing.

use crate::world::authority::{Doing, Once};
use crate::world::right::Right;
use crate::world::watch::Watch;
use stepwell_procedure::run::Plan;
use stepwell_protocol::state::State;

/// One of the four columns of that chapter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Standing {
    /// Not armed, latched or off.
    Rest,
    /// Armed: an arming was heard, and nothing has taken it back since.
    Armed,
    /// A dwell is being carried out.
    Dwelling,
    /// A stop is on its way.
    Stopping,
}

impl Standing {
    /// Its letter on the page.
    pub(super) const fn letter(self) -> char {
        match self {
            Standing::Rest => 'R',
            Standing::Armed => 'A',
            Standing::Dwelling => 'D',
            Standing::Stopping => 'S',
        }
    }
}

/// For each millisecond.
pub(super) fn standings(plan: &Plan, watch: &Watch, doing: &[Doing]) -> Vec<Standing> {
    // What is wrong with the right itself is said elsewhere.
    let (mut right, mut said_elsewhere) = (Right::default(), Once::default());
    let mut said = watch.said.iter().peekable();
    let mut standings = Vec::with_capacity(watch.ticks.len());
    for (place, (beside, doing)) in watch.ticks.iter().zip(doing).enumerate() {
        let before = place.checked_sub(1).map(|before| &watch.ticks[before]);
        while let Some((_, what)) = said.next_if(|(at, _)| *at <= place) {
            right.heard(plan, what, place, before, &mut said_elsewhere);
        }
        if beside.restarted {
            right.restarted(place);
        }
        if beside.running {
            // A board that was left alone says itself that it is armed no longer.
            right.tick(place, beside, true, &mut said_elsewhere);
        }
        let state = beside.moment.state;
        standings.push(if doing.works() {
            Standing::Dwelling
        } else if *doing == Doing::Hold || beside.running && state == State::Stopping {
            Standing::Stopping
        } else if !(beside.running && right.is_armed()) {
            Standing::Rest
        } else if state == State::Dwelling {
            Standing::Dwelling
        } else {
            Standing::Armed
        });
    }
    standings
}
