//! What is wrong with what is said: broken frames, a second host, a dwell that cannot be (docs/protocol.md, 11).

use std::collections::VecDeque;
use stepwell_protocol::state::State;

/// More broken frames than this within a second are noise.
const BROKEN_MAX: usize = 20;

/// A second, but for a hundredth: it may begin between two ticks, and end so.
const SECOND_MS: u32 = 990;

#[derive(Debug, Default)]
pub(super) struct Talk {
    /// When each of the latest broken frames was heard.
    broken: VecDeque<u32>,
    foreign: bool,
    impossible: bool,
}

impl Talk {
    /// A frame that is none was heard after the tick `now`.
    pub(super) fn broken(&mut self, now: u32) {
        self.broken.push_back(now);
    }

    /// Another session said something that was not late, while something was energised.
    pub(super) fn foreign(&mut self) {
        self.foreign = true;
    }

    /// A dwell with a field out of its range was refused in `state`.
    pub(super) fn impossible(&mut self, state: State) {
        self.impossible |= state != State::Rest;
    }

    /// What is wrong at the tick `now` to which the board came in `state`: noise, a second host, an impossible dwell.
    pub(super) fn wrong(&mut self, now: u32, state: State) -> [bool; 3] {
        while self.broken.front().is_some_and(|at| now.wrapping_sub(*at) > SECOND_MS) {
            self.broken.pop_front();
        }
        // At rest nobody minds; what comes after was armed with a quiet line and sane commands.
        if matches!(state, State::Rest | State::Tripped) {
            (self.foreign, self.impossible) = (false, false);
            return [false; 3];
        }
        [self.broken.len() > BROKEN_MAX, self.foreign, self.impossible]
    }
}
