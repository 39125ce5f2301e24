//! Which refusal a command is due whose turn it is, in time: by the states in which docs/protocol.md allows it (4.1), and
//! for a dwell by the order of checks of chapter 7, as far as it can be told without the board's queue and the drive's
//! account. Those are left to the board, and so is what it finds wrong with guards and a rig.

use super::Witness;
use super::impossible::is_impossible;
use stepwell_protocol::channel::Coil;
use stepwell_protocol::dwell::{Dwell, Ramp, Start};
use stepwell_protocol::message::{Action, Limit, Refusal, Reply};
use stepwell_protocol::state::State;

impl Witness {
    /// Whether this may come of it now.
    pub(super) fn judge(&self, action: &Action, result: &Result<Reply, Refusal>) {
        let due = if let Action::Dwell(dwell) = action { self.first_refusal(dwell) } else { None };
        match result {
            Err(refusal) => {
                let right = due.map_or_else(|| self.may_refuse(action, refusal), |due| *refusal == due);
                assert!(right, "refused as {refusal:?}, due was {due:?}: {action:?} in {:?}", self.state);
            }
            Ok(_) => assert!(
                due.is_none() && self.allows(action),
                "carried out in {:?}, due was {due:?}: {action:?}",
                self.state
            ),
        }
    }

    /// The first check that a dwell does not pass, of those that come before room in the queue.
    fn first_refusal(&self, dwell: &Dwell) -> Option<Refusal> {
        let state = (!self.allows(&Action::Dwell(*dwell))).then_some(Refusal::InState(self.state));
        let beyond = |limit, asked: u32, guard: u32| {
            (asked > guard).then_some(Refusal::BeyondGuard { limit, asked, guard })
        };
        let duty = |coil: Coil, ramp: Ramp| {
            let guard = self.guards.and_then(|guards| guards.coils[coil.index()]);
            let most_e4 = guard.map_or(0, |guard| guard.duty_max_e4);
            beyond(Limit::Duty(coil), ramp.from_e4.max(ramp.to_e4).into(), most_e4.into())
        };
        let (limit, asked, ceiling) = (Limit::DwellLength, dwell.duration_ms, self.ceilings.dwell_ms_max);
        let past_ms = match dwell.start {
            Start::At(tick) => self.now.plus_ms(1).ms_since(tick),
            Start::AfterPrevious => 0,
        };
        let checks = [
            is_impossible(dwell).then_some(Refusal::Malformed),
            self.tripped.map(Refusal::Tripped),
            state,
            duty(Coil::Inlet, dwell.inlet),
            duty(Coil::Pressure, dwell.pressure),
            self.guards.and_then(|guards| {
                beyond(Limit::DriveRpm, dwell.drive_rpm.into(), guards.drive_rpm_max.into())
            }),
            (asked > ceiling).then_some(Refusal::AboveCeiling { limit, asked, ceiling }),
            (past_ms > 0).then_some(Refusal::Late { late_ms: past_ms.unsigned_abs() }),
        ];
        checks.into_iter().flatten().next()
    }

    /// Whether the board may do this where it stands.
    fn allows(&self, action: &Action) -> bool {
        match action {
            Action::SetGuards(_) | Action::Arm { .. } => self.state == State::Rest,
            Action::Disarm => self.tripped.is_none(),
            Action::Dwell(_) => {
                self.tripped.is_none() && matches!(self.state, State::Armed | State::Dwelling)
            }
            Action::ClearTrip => self.state == State::Tripped,
            Action::ReadTrip
            | Action::ReadDwell { .. }
            | Action::ReadBurst { .. }
            | Action::HandWork { .. } => true,
        }
    }

    /// Whether the page has this refusal for such a command, when nothing else is due.
    fn may_refuse(&self, action: &Action, refusal: &Refusal) -> bool {
        if !self.allows(action) {
            return match refusal {
                Refusal::InState(state) => *state == self.state,
                Refusal::Tripped(cause) => self.tripped == Some(*cause),
                _ => false,
            };
        }
        match action {
            Action::SetGuards(_) => matches!(refusal, Refusal::GuardsInvalid | Refusal::AboveCeiling { .. }),
            Action::Arm { .. } => matches!(
                refusal,
                Refusal::GuardsMissing
                    | Refusal::GuardsDiffer
                    | Refusal::LossUnknown(_)
                    | Refusal::NotReady(_)
            ),
            Action::Disarm => false,
            Action::Dwell(dwell) => match refusal {
                // Not after one that waits.
                Refusal::Late { .. } => matches!(dwell.start, Start::At(_)),
                Refusal::NothingBefore => {
                    dwell.start == Start::AfterPrevious && self.state != State::Dwelling
                }
                Refusal::QueueFull => true,
                Refusal::DriveMustRest { .. } | Refusal::BeyondGuard { limit: Limit::DriveOn, .. } => {
                    dwell.drive_rpm > 0
                }
                _ => false,
            },
            Action::ClearTrip => matches!(refusal, Refusal::CauseRemains(_)),
            Action::ReadTrip | Action::ReadDwell { .. } | Action::ReadBurst { .. } => {
                *refusal == Refusal::NothingToRead
            }
            Action::HandWork { .. } => matches!(refusal, Refusal::Late { .. } | Refusal::QueueFull),
        }
    }
}

#[cfg(test)]
mod tests;
