//! Whose commands count, and that each of them counts once.
//!
//! Commands are numbered. The next number is carried out, the latest number is answered again from
//! memory, any other number is out of order. A command that is answered uses up its number whatever
//! the answer, except out of order; so the host always knows the number that is due.

use stepwell_protocol::message::Ack;

/// Greetings and commands answered between two ticks. More than a line at 921 600 baud can bring in
/// that time; from a faster line the rest is dropped unanswered, and the host repeats it.
pub const ANSWERS_PER_TICK_MAX: u8 = 4;

/// How a command's number stands to those before it.
#[derive(Debug)]
pub(crate) enum Order {
    /// The one that is due.
    Next,
    /// The latest one again, with its answer.
    Again(Ack),
    /// Any other.
    Out {
        /// The number that is due.
        expected: u16,
    },
}

/// The session.
#[derive(Debug)]
pub(crate) struct Session {
    token: Option<u32>,
    last: Option<Ack>,
    answers: u8,
}

impl Session {
    pub(crate) const NONE: Session = Session { token: None, last: None, answers: 0 };

    /// Opens a new session; numbers start again.
    pub(crate) fn open(&mut self, token: u32) {
        self.token = Some(token);
        self.last = None;
    }

    pub(crate) fn is(&self, token: u32) -> bool {
        self.token == Some(token)
    }

    pub(crate) fn order(&self, id: u16) -> Order {
        match &self.last {
            Some(ack) if ack.id == id => Order::Again(ack.clone()),
            last => {
                let expected = last.as_ref().map_or(1, |ack| ack.id.wrapping_add(1));
                if id == expected { Order::Next } else { Order::Out { expected } }
            }
        }
    }

    /// Remembers the answer to the command that was due.
    pub(crate) fn answered(&mut self, ack: Ack) {
        self.last = Some(ack);
    }

    /// Whether one more answer may be given before the next tick.
    pub(crate) fn may_answer(&mut self) -> bool {
        let may = self.answers < ANSWERS_PER_TICK_MAX;
        if may {
            self.answers = self.answers.saturating_add(1);
        }
        may
    }

    pub(crate) fn tick(&mut self) {
        self.answers = 0;
    }
}
