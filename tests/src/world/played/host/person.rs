//! The person at the bench: presses the stop key, answers what is asked, or does not.

use crate::trials::noise::Noise;
use crate::world::played::mishap::{Mishap, PersonMishap, What};

/// The person answers within this time, in ms.
const ANSWER_MS_MAX: f64 = 500.0;

/// A person.
#[derive(Debug, Default)]
pub(super) struct Person {
    answers_ms: Option<u64>,
    pressed_ms: Option<u64>,
    said_no: bool,
}

impl Person {
    /// Whether the run is to be stopped now. It is so once by the program itself when it could not be written down and
    /// nobody has stopped it.
    pub(super) fn stops(&mut self, ms: u64, mishap: Option<Mishap>, unwritten: bool) -> bool {
        let again = does(PersonMishap::StopTwice, ms, mishap);
        let due = self.pressed_ms.is_none_or(|pressed| again && ms >= pressed + 100);
        let presses = due && (again || does(PersonMishap::Stop, ms, mishap));
        let stops = presses || (unwritten && self.pressed_ms.is_none());
        if stops {
            self.pressed_ms = Some(ms);
        }
        stops
    }

    /// Nothing is asked.
    pub(super) fn is_not_asked(&mut self) {
        self.answers_ms = None;
    }

    /// Whether the person would answer what is asked if there were nothing to wait for.
    pub(super) fn speaks(ms: u64, mishap: Option<Mishap>) -> bool {
        !does(PersonMishap::Silent, ms, mishap)
    }

    /// The answer to what is asked, yes or no, and how often it is given.
    pub(super) fn answers(
        &mut self,
        ms: u64,
        mishap: Option<Mishap>,
        noise: &mut Noise,
    ) -> Option<(bool, usize)> {
        let answers_ms =
            *self.answers_ms.get_or_insert_with(|| ms + noise.uniform(0.0, ANSWER_MS_MAX) as u64);
        if ms < answers_ms {
            return None;
        }
        self.answers_ms = None;
        let no = does(PersonMishap::No, ms, mishap) && !self.said_no;
        self.said_no |= no;
        let times = if does(PersonMishap::DoubleKeys, ms, mishap) { 3 } else { 1 };
        Some((!no, times))
    }
}

/// Whether the person does this at `ms`.
fn does(kind: PersonMishap, ms: u64, mishap: Option<Mishap>) -> bool {
    mishap.is_some_and(|mishap| mishap.what == What::Person(kind) && mishap.acts_at(ms))
}
