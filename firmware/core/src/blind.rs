//! What checks outside the board do to it and see of it: a board that does not see one cause of trips, the proof
//! that checkers can fail; one that forgets; and the latched cause, without a wire that may spoil it.
//!
//! Compiled in with the feature `blindable` only, which nothing but those checks asks for; no image has it.

use crate::board::Board;
use crate::causes::Causes;
use stepwell_protocol::identity::ResetCause;
use stepwell_protocol::message::TripCause;

impl Board {
    /// From now on this cause trips nothing and keeps nobody from arming.
    pub fn blind(&mut self, cause: TripCause) {
        self.unseen = self.unseen.with(Causes::of(&[cause]));
    }

    /// The first cause of the latched trip, if there is one.
    #[must_use]
    pub fn latched(&self) -> Option<TripCause> {
        self.latch.cause()
    }

    /// Loses all it was told, as by its reset, but neither says so nor begins its time anew.
    pub fn forget(&mut self) {
        let (now, unseen) = (self.now, self.unseen);
        let mut facts = self.facts;
        facts.reset = ResetCause::Pin;
        *self = Board { now, unseen, ..Board::new(facts) };
    }
}
