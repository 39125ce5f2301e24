//! Where the board rightly stands at each tick: what chapter 11 of docs/protocol.md has it watch depends on that. Told
//! from what was heard and is driven; the board's own word counts where it stops, and where it says that a dwell drives
//! nothing.

use crate::world::checkers::authority::{Doing, Walked};
use crate::world::witness::watch::Watch;
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
pub(super) fn standings(watch: &Watch, walked: &Walked) -> Vec<Standing> {
    let ticks = watch.ticks.iter().zip(&walked.doing).zip(&walked.armed);
    ticks
        .map(|((beside, doing), armed)| {
            let state = beside.moment.state;
            if doing.works() {
                Standing::Dwelling
            } else if *doing == Doing::Hold || beside.running && state == State::Stopping {
                Standing::Stopping
            } else if !(beside.running && *armed) {
                Standing::Rest
            } else if state == State::Dwelling {
                Standing::Dwelling
            } else {
                Standing::Armed
            }
        })
        .collect()
}
