//! What is asked for and answered: the answer is the one that is due, and what was carried out might be.

use super::bounds::Bounds;
use super::impossible::is_impossible;
use super::{LEASE_MS, Witness};
use stepwell_protocol::guards::{Guards, OnLoss};
use stepwell_protocol::message::{Ack, Action, Reply};

impl Witness {
    pub(super) fn answer(&mut self, ack: &Ack) {
        let Some(command) = self.asked.take() else { panic!("an answer to nothing: {ack:?}") };
        let due = self.session.answer_to_any(&command, self.now);
        self.session.answered(ack);
        if let Some(due) = due {
            assert_eq!(*ack, due, "not what is due whatever was asked: {command:?}");
            return;
        }
        assert_eq!(
            (ack.session, ack.id, ack.at),
            (command.session, command.id, self.now),
            "an answer to something else"
        );
        if let Action::Dwell(dwell) = &command.action
            && is_impossible(dwell)
        {
            self.talk.impossible(self.state);
        }
        self.judge(&command.action, &ack.result);
        if let Ok(reply) = &ack.result {
            if let Reply::Dwell(report) = reply {
                self.ends.answered(report);
            }
            self.obeyed(&command.action);
        }
    }

    fn obeyed(&mut self, action: &Action) {
        match action {
            Action::SetGuards(guards) => {
                self.within_ceilings(guards);
                self.guards = Some(*guards);
                self.drive = (guards.drive_on_ms_max.into(), guards.drive_rest_ms_min.into());
                self.drive_left_ms = self.drive_left_ms.min(self.drive.0);
                self.bounds = Bounds::default();
            }
            Action::Arm { guards_checksum } => {
                let guards = self.guards.as_ref().unwrap_or_else(|| panic!("armed without guards"));
                assert_eq!(guards.checksum(), *guards_checksum, "armed with other guards");
                assert!(self.inputs_good, "armed with an open chain or guard, or an empty tank");
                assert!(self.leased(LEASE_MS), "armed without a lease");
                let unknown = guards.coils.iter().flatten().any(|coil| coil.on_loss == OnLoss::Unknown);
                assert!(!unknown, "armed, and nobody knows what losing current does");
                self.armed = true;
            }
            Action::Disarm => self.told_to_stop(),
            Action::Dwell(dwell) => self.ends.taken(dwell),
            Action::ClearTrip => self.tripped = None,
            Action::ReadTrip
            | Action::ReadDwell { .. }
            | Action::ReadBurst { .. }
            | Action::HandWork { .. } => {}
        }
    }

    fn within_ceilings(&self, guards: &Guards) {
        let most = &self.ceilings;
        assert!(guards.rail_max <= most.rail_max && guards.drive_rpm_max <= most.drive_rpm_max, "{guards:?}");
        assert!(guards.drive_on_ms_max <= most.drive_on_ms_max, "{guards:?}");
        assert!(guards.drive_rest_ms_min >= most.drive_rest_ms_min, "{guards:?}");
        for coil in guards.coils.iter().flatten() {
            assert!(coil.current_max <= most.current_max && coil.duty_max_e4 <= most.duty_max_e4, "{coil:?}");
            assert!(coil.relieve_e4 <= coil.duty_max_e4, "{coil:?}");
        }
    }
}
