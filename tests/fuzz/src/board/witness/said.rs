//! What is heard and said on the line, and what of it changes what the board may do.

use super::session::Session;
use super::{LEASE_MS, Witness};
use stepwell_protocol::message::{FromBoard, Renew, ToBoard};
use stepwell_protocol::time::Tick;

/// Greetings and commands beyond so many in a tick are dropped unanswered (docs/protocol.md, 6.1).
const HEARD_PER_TICK_MAX: u8 = 4;

impl Witness {
    /// The board has been told this.
    pub(in crate::board) fn heard(&mut self, message: &ToBoard) {
        match message {
            ToBoard::Stop => self.told_to_stop(),
            ToBoard::Renew(Renew { session, valid_until }) => {
                if self.session.is(*session) && self.now.ms_since(*valid_until) <= 0 {
                    self.renewed = Some(self.now);
                }
                self.overheard(*session, *valid_until);
            }
            ToBoard::Hello(_) => self.heard = self.heard.saturating_add(1),
            ToBoard::Command(command) => {
                if self.heard < HEARD_PER_TICK_MAX {
                    self.asked = Some(*command);
                    self.overheard(command.session, command.valid_until);
                }
                self.heard = self.heard.saturating_add(1);
            }
        }
    }

    /// The board has been told something that is no message.
    pub(in crate::board) fn broken(&mut self) {
        self.talk.broken(self.now.0);
    }

    /// Somebody spoke, whose session has this number.
    fn overheard(&mut self, session: u32, valid_until: Tick) {
        if !self.session.is(session) && self.now.ms_since(valid_until) <= 0 && self.energised {
            self.talk.foreign();
        }
    }

    /// The board says this.
    pub(in crate::board) fn said(&mut self, message: &FromBoard<'_>) {
        match message {
            FromBoard::Welcome(identity) if !self.session.is(identity.session) => {
                assert!(!self.leased(LEASE_MS), "a session was taken over from a living one");
                self.session = Session::open(identity.session);
                self.renewed = None;
                self.told_to_stop();
            }
            FromBoard::Ack(ack) => self.answer(ack),
            FromBoard::Tripped(report) => {
                self.tripped = Some(report.cause);
                self.armed = false;
                self.ends.tripped(report);
            }
            FromBoard::DwellEnded(report) => self.ends.told(report),
            _ => {}
        }
    }

    /// Nothing that was asked for until now may act any more.
    pub(super) fn told_to_stop(&mut self) {
        self.armed = false;
        self.ends.stopped();
    }
}
