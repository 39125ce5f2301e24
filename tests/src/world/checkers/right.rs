//! Whether the board may work at all: guards, an arming that was heard and that nothing has
//! taken back since, a lease. Told from the wire and the clock; the board's own word for its state is taken only
//! where it takes something away.

use super::authority::Once;
use super::guards::{draws_full_duty, unlike_sheets};
use crate::world::witness::said::Said;
use crate::world::witness::watch::Beside;
use stepwell_core::Outputs;
use stepwell_procedure::run::Plan;
use stepwell_protocol::channel::Coil;
use stepwell_protocol::guards::Guards;
use stepwell_protocol::state::State;
use stepwell_protocol::{LEASE_MS, LEFT_ALONE_MS};

/// What is gone after so many milliseconds is gone at the next tick.
const TICK_MS: usize = 1;

/// The right to work.
#[derive(Debug, Default)]
pub(super) struct Right {
    guards: Option<Guards>,
    armed: bool,
    renewed: Option<usize>,
    /// When something was asked for or done.
    asked: usize,
}

impl Right {
    /// The board starts anew, and knows nothing.
    pub(super) fn restarted(&mut self, place: usize) {
        *self = Right { asked: place, ..Right::default() };
    }

    /// Something was said before the tick at `place`; `before` is the tick before that.
    pub(super) fn heard(
        &mut self,
        plan: &Plan,
        what: &Said,
        place: usize,
        before: Option<&Beside>,
        wrong: &mut Once,
    ) {
        match what {
            Said::Renewed => self.renewed = Some(place),
            Said::Asked => self.asked = place,
            Said::Opened => (self.armed, self.renewed) = (false, None),
            Said::Stop | Said::Disarmed | Said::Tripped(..) => self.armed = false,
            Said::Guards(guards) => {
                if let Some(unlike) = unlike_sheets(plan, guards) {
                    wrong.say(
                        "sheets",
                        format!("guards were taken at {place} ms whose {unlike} is not the sheets'"),
                    );
                }
                self.guards = Some(**guards);
            }
            Said::Armed(checksum) => {
                if self.guards.is_none_or(|guards| guards.checksum() != *checksum) {
                    wrong.say(
                        "guards",
                        format!("armed at {place} ms with guards that the board was not given"),
                    );
                }
                if self.guards.is_some_and(|guards| !draws_full_duty(plan, &guards)) {
                    let what = "guards whose current at full duty is not the sheets'";
                    wrong.say("full duty", format!("armed at {place} ms with {what}"));
                }
                if !self.leased(place) {
                    wrong.say("leased", format!("armed at {place} ms without a lease"));
                }
                // By their contacts: one that lies is found by what is true while the board is armed, in `danger`.
                if before.is_none_or(|before| before.contacts != [true; 3]) {
                    wrong.say(
                        "contacts",
                        format!("armed at {place} ms with stop chain, guard or tank as they must not be"),
                    );
                }
                self.armed = true;
            }
            _ => {}
        }
    }

    /// Whether an arming was heard that nothing has taken back since.
    pub(super) const fn is_armed(&self) -> bool {
        self.armed
    }

    /// The lease at the tick at `place`. A renewal that came before tick *n* is gone with tick *n* − 1 + 450
    /// (docs/protocol.md, 6.1).
    pub(super) fn leased(&self, place: usize) -> bool {
        self.renewed.is_some_and(|renewed| place < runs_out(renewed))
    }

    /// The tick at `place` begins; `waits` is whether a dwell waits for its own tick.
    pub(super) fn tick(&mut self, place: usize, beside: &Beside, waits: bool, wrong: &mut Once) {
        let state = beside.moment.state;
        if matches!(state, State::Rest | State::Tripped) || !self.leased(place) {
            self.armed = false;
        }
        if state != State::Armed || waits {
            self.asked = place;
        }
        if self.armed && place - self.asked > LEFT_ALONE_MS as usize + TICK_MS {
            wrong.say("alone", format!("armed at {place} ms, and nothing was asked for {LEFT_ALONE_MS} ms"));
            self.armed = false;
        }
        if matches!(state, State::Armed | State::Dwelling) && !self.armed {
            wrong.say("armed", format!("{state:?} at {place} ms without having been armed, or no longer"));
        }
    }

    /// A dwell sets `outputs` at the tick at `place`.
    pub(super) fn works(&self, place: usize, outputs: &Outputs, wrong: &mut Once) {
        if !self.armed {
            wrong.say("unarmed", format!("working at {place} ms without being armed"));
        }
        let within = self.guards.is_some_and(|guards| {
            outputs.drive_rpm <= guards.drive_rpm_max
                && Coil::BOTH
                    .into_iter()
                    .zip(guards.coils)
                    .all(|(coil, guard)| outputs.duty_e4(coil) <= guard.map_or(0, |guard| guard.duty_max_e4))
        });
        if !within {
            wrong.say("beyond", format!("beyond the guards at {place} ms: {outputs:?}"));
        }
    }
}

/// The place of the tick with which a lease is gone that was renewed before the one at `renewed`.
pub(super) const fn runs_out(renewed: usize) -> usize {
    renewed + LEASE_MS as usize - TICK_MS
}
