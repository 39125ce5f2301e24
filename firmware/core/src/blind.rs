//! A board that does not see one cause of trips: the proof that checkers outside the board can fail.
//!
//! Compiled in with the feature `blindable` only, which nothing but those checks asks for; no image has it.

use crate::board::Board;
use crate::causes::Causes;
use stepwell_protocol::message::TripCause;

impl Board {
    /// From now on this cause trips nothing. Arming is as strict as ever.
    pub fn blind(&mut self, cause: TripCause) {
        self.unseen = self.unseen.with(Causes::of(&[cause]));
    }
}
