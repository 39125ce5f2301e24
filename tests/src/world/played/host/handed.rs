//! What one life of the program handed to the disk, and what the disk said to it.

use std::ops::Range;
use stepwell_procedure::record::{Entry, Outcome};
use stepwell_protocol::channel::Sample;

/// A question that was put to the person.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Question {
    /// Its number.
    pub number: u32,
    /// The first millisecond in which it stands.
    pub from_ms: usize,
    /// The first in which it does not; nothing when it stood for as long as the program lived.
    pub until_ms: Option<usize>,
}

/// What was handed to the disk for one run, and what the person was asked meanwhile.
#[derive(Debug, Default)]
pub struct Handed {
    /// Number of the run.
    pub number: u64,
    /// Samples in the order in which they were handed over.
    pub samples: Vec<(u32, Sample)>,
    /// How many of them the disk has confirmed.
    pub acknowledged: usize,
    /// Entries of the log in the order in which they were handed over.
    pub entries: Vec<Entry>,
    /// How many of them the disk has confirmed.
    pub entries_acknowledged: usize,
    /// What the run came to, once it was over.
    pub outcome: Option<Outcome>,
    /// Commits that the disk has confirmed: when, ms of rig time, and how many samples it had confirmed by then.
    pub commits: Vec<(usize, usize)>,
    /// When the disk refused something, the first time, ms of rig time.
    pub refused_ms: Option<usize>,
    /// From when to when the program stood still, ms of rig time.
    pub stood_still: Option<Range<usize>>,
    /// The longest time between two servings of the program while it did not stand still, ms.
    pub served_ms_max: usize,
    /// When this life of the program was over, ms of rig time.
    pub over_ms: usize,
    /// Whether the run was sealed.
    pub sealed: bool,
    /// When the program gave the link up, ms of rig time: what it hears from then on is shown and not kept.
    pub gave_up_ms: Option<usize>,
    /// When the stop key was pressed, the first time, ms of rig time.
    pub stop_pressed_ms: Option<usize>,
    /// When the program said stop, ms of rig time, in order.
    pub stops_said_ms: Vec<usize>,
    /// Questions, in the order in which they were put.
    pub questions: Vec<Question>,
}

impl Handed {
    /// The disk has confirmed at `ms` all that was handed to it.
    pub(super) fn confirmed(&mut self, ms: u64) {
        self.acknowledged = self.samples.len();
        self.entries_acknowledged = self.entries.len();
        self.commits.push((ms as usize, self.acknowledged));
    }

    /// The disk has refused something at `ms`.
    pub(super) fn refused(&mut self, ms: u64) {
        self.refused_ms.get_or_insert(ms as usize);
    }

    /// Whether there is something that the disk has not confirmed.
    pub(super) fn waits(&self) -> bool {
        (self.acknowledged, self.entries_acknowledged) != (self.samples.len(), self.entries.len())
    }

    /// A question is put at `ms`; one that still stands gives way to it.
    pub fn asked(&mut self, ms: u64, number: u32) {
        self.settled(ms);
        self.questions.push(Question { number, from_ms: ms as usize, until_ms: None });
    }

    /// The question that stands is answered at `ms`, or the run is over.
    pub fn settled(&mut self, ms: u64) {
        if let Some(question) = self.questions.last_mut() {
            question.until_ms.get_or_insert(ms as usize);
        }
    }
}
