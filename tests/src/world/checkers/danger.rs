//! What must not last: conditions of the true rig, each with the longest time it may go on before nothing is worked any
//! more. They know the sheets and the model's truth, and nothing of the board's thresholds.
//!
//! A condition's age counts from its beginning, in every state in which chapter 11 of docs/protocol.md has the board
//! watch for it: what has gone on for longer than its bound must not be there while a dwell is carried out or the board
//! is armed, and a stop in which it has must lead to the latch.

mod facts;
mod rows;
mod standing;

use super::authority::{Doing, Walked};
use crate::check::Excuse;
use crate::world::played::mishap::Mishap;
use crate::world::witness::watch::Watch;
use facts::facts;
use rows::{CONDITIONS, Hidden, Row};
use standing::Standing;
use stepwell_procedure::run::Plan;
use stepwell_protocol::state::State;

/// A condition and its bound.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Danger {
    /// Name in tables.
    pub name: &'static str,
    /// It may go on for this long while it is watched for, in ms.
    pub bound_ms: usize,
}

/// A stretch in which a condition went on while something was being worked or could have been.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Episode {
    /// Which.
    pub danger: Danger,
    /// How long it had gone on at the last tick that was worked or armed, ms.
    pub lasted_ms: usize,
    /// The longest of that in which the board could know, ms.
    pub seen_ms: usize,
    /// The longest of it in which the board could not, ms.
    pub hidden_ms: usize,
    /// Its first millisecond.
    pub from: usize,
}

/// Every stretch in which a condition went on while something was being worked or the board was armed, however short.
#[must_use]
pub fn episodes(
    plan: &Plan,
    watch: &Watch,
    walked: &Walked,
    begun: Option<Mishap>,
    excuses: &[Excuse],
) -> Vec<Episode> {
    let facts = facts(plan, watch, walked, begun);
    let mut found = Vec::new();
    for row in CONDITIONS {
        let mut stretch = Stretch::of(row);
        for (place, beside) in watch.ticks.iter().enumerate() {
            let standing = facts.standings[place];
            if beside.restarted {
                // Nothing is left of the board that watched.
                found.extend(stretch.over());
                stretch = Stretch::of(row);
            }
            if standing != Standing::Stopping {
                let latched = beside.moment.state == State::Tripped;
                found.extend(stretch.outlived.take().filter(|_| !latched));
            }
            if !row.promised.2.contains(standing.letter()) || !(row.condition)(&facts, beside, place) {
                found.extend(stretch.over());
                continue;
            }
            let hidden = match row.hidden {
                Hidden::Never => false,
                Hidden::Rail => excuses[place].rail_hidden,
                Hidden::Contact(contact) => super::excuse::contacts_lie(beside, begun, place)[contact],
            };
            stretch.goes_on(place, hidden);
            // A coil that draws too much is let go in the hold of a stop as well.
            if matches!(standing, Standing::Armed | Standing::Dwelling)
                || row.let_go && walked.doing[place] == Doing::Hold
            {
                stretch.counts();
            } else if standing == Standing::Stopping {
                stretch.outlives();
            }
        }
        found.extend(stretch.over());
    }
    found
}

/// What goes on of one condition.
struct Stretch {
    danger: Danger,
    from: Option<usize>,
    age_ms: usize,
    known_ms: usize,
    hidden_ms: usize,
    /// What counts of it.
    counted: Option<Episode>,
    /// What has gone on for longer than its bound in a stop that is not over yet.
    outlived: Option<Episode>,
}

impl Stretch {
    fn of(row: &Row) -> Stretch {
        let danger = Danger { name: row.name, bound_ms: row.promised.1 + row.added.0 };
        Stretch { danger, from: None, age_ms: 0, known_ms: 0, hidden_ms: 0, counted: None, outlived: None }
    }

    fn goes_on(&mut self, place: usize, hidden: bool) {
        self.from.get_or_insert(place);
        self.age_ms += 1;
        (self.known_ms, self.hidden_ms) =
            if hidden { (0, self.hidden_ms + 1) } else { (self.known_ms + 1, 0) };
    }

    fn now(&self, before: Option<Episode>) -> Episode {
        let (seen_ms, hidden_ms) = before.map_or((0, 0), |before| (before.seen_ms, before.hidden_ms));
        Episode {
            danger: self.danger,
            lasted_ms: self.age_ms,
            seen_ms: seen_ms.max(self.known_ms),
            hidden_ms: hidden_ms.max(self.hidden_ms),
            from: self.from.unwrap_or_default(),
        }
    }

    fn counts(&mut self) {
        self.counted = Some(self.now(self.counted));
    }

    fn outlives(&mut self) {
        if self.age_ms > self.danger.bound_ms {
            self.outlived = Some(self.now(self.outlived));
        }
    }

    /// It goes on no longer.
    fn over(&mut self) -> Option<Episode> {
        (self.from, self.age_ms, self.known_ms, self.hidden_ms) = (None, 0, 0, 0);
        self.counted.take()
    }
}

/// What outlasted its bound, by what of each episode counts, in words.
#[must_use]
pub fn too_long(episodes: &[Episode], counts_ms: fn(&Episode) -> usize) -> Vec<String> {
    let over = episodes.iter().filter(|episode| counts_ms(episode) > episode.danger.bound_ms);
    over.map(|episode| {
        let Episode { danger, lasted_ms, from, .. } = episode;
        format!("{} for {lasted_ms} ms from {from} ms on, {} at the most", danger.name, danger.bound_ms)
    })
    .collect()
}
