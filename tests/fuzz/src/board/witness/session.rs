//! Whose command counts, and when: the first table of docs/protocol.md, 6.3, from the top.

use stepwell_protocol::message::{Ack, Command, Refusal};
use stepwell_protocol::time::Tick;

/// The session that the board has opened, and its latest answer to a command whose turn it was.
#[derive(Debug, Default)]
pub(super) struct Session {
    number: Option<u32>,
    last: Option<Ack>,
}

impl Session {
    pub(super) fn open(number: u32) -> Session {
        Session { number: Some(number), last: None }
    }

    pub(super) fn number(&self) -> Option<u32> {
        self.number
    }

    pub(super) fn is(&self, number: u32) -> bool {
        self.number == Some(number)
    }

    /// The number of the next command.
    pub(super) fn due(&self) -> u16 {
        self.last.as_ref().map_or(1, |last| last.id.wrapping_add(1))
    }

    /// The answer to a command that was heard after the tick `now`, when it does not matter what is asked for; nothing
    /// when it is the command's turn, in time.
    pub(super) fn answer_to_any(&self, command: &Command, now: Tick) -> Option<Ack> {
        let &Command { session, id, valid_until, .. } = command;
        let refused = |refusal| Some(Ack { session, id, at: now, result: Err(refusal) });
        if !self.is(session) {
            return refused(Refusal::WrongSession);
        }
        if let Some(last) = self.last.as_ref().filter(|last| last.id == id) {
            return Some(last.clone());
        }
        let expected = self.due();
        if id != expected {
            return refused(Refusal::OutOfOrder { expected });
        }
        let late_ms = now.ms_since(valid_until);
        if late_ms > 0 { refused(Refusal::Late { late_ms: late_ms.unsigned_abs() }) } else { None }
    }

    /// The board has answered. The number that is due is used up by that, whatever the answer.
    pub(super) fn answered(&mut self, ack: &Ack) {
        if self.is(ack.session) && ack.id == self.due() {
            self.last = Some(ack.clone());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::Session;
    use stepwell_protocol::message::{Ack, Action, Command, Refusal, Reply};
    use stepwell_protocol::time::Tick;

    const NOW: Tick = Tick(1_000);

    fn command(session: u32, id: u16, valid_until: u32) -> Command {
        Command { session, id, valid_until: Tick(valid_until), action: Action::Disarm }
    }

    fn refusal(session: &Session, command: Command) -> Option<Refusal> {
        session.answer_to_any(&command, NOW).and_then(|ack| ack.result.err())
    }

    #[test]
    fn the_session_comes_first_then_the_number_and_then_the_time() {
        let session = Session::open(7);
        assert_eq!(refusal(&session, command(8, 5, 900)), Some(Refusal::WrongSession));
        // Nothing was answered, so 0 is no number answered last.
        for id in [0, 2] {
            assert_eq!(refusal(&session, command(7, id, 900)), Some(Refusal::OutOfOrder { expected: 1 }));
        }
        assert_eq!(refusal(&session, command(7, 1, 999)), Some(Refusal::Late { late_ms: 1 }));
        assert_eq!(session.answer_to_any(&command(7, 1, 1_000), NOW), None);
    }

    #[test]
    fn what_was_answered_last_is_answered_again_and_any_answer_uses_its_number_up() {
        let mut session = Session::open(7);
        let late = Ack { session: 7, id: 1, at: Tick(3), result: Err(Refusal::Late { late_ms: 1 }) };
        session.answered(&late);
        assert_eq!(session.answer_to_any(&command(7, 1, 2_000), NOW), Some(late));
        let done = Ack { session: 7, id: 2, at: Tick(4), result: Ok(Reply::Done) };
        session.answered(&done);
        for passed_by in [Ack { id: 4, ..done.clone() }, Ack { session: 8, id: 3, ..done }] {
            session.answered(&passed_by);
        }
        assert_eq!(session.due(), 3);
    }
}
