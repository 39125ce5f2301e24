//! What goes into a run, what comes out of it, and what it shows of itself.

use super::{Doing, Run, Stage};
use crate::record::{Entry, Outcome, Part};
use stepwell_protocol::channel::Sample;
use stepwell_protocol::dwell::DwellReport;
use stepwell_protocol::identity::Identity;
use stepwell_protocol::message::{Action, Refusal, Reply, TripReport};
use stepwell_protocol::time::Tick;

/// A fact.
#[derive(Debug)]
pub enum Input<'a> {
    /// The board has answered the greeting.
    Welcome(&'a Identity),
    /// Telemetry has come.
    Telemetry {
        /// The first tick.
        first: Tick,
        /// Board time of the first tick in microseconds.
        first_us: u64,
        /// The samples, one per tick.
        samples: &'a [Sample],
    },
    /// The board has answered the command that was last asked for.
    Answered {
        /// The tick at which it was handled.
        at: Tick,
        /// What came of it.
        result: Result<Reply, Refusal>,
    },
    /// A dwell has ended.
    DwellEnded(DwellReport),
    /// The board has tripped.
    Tripped(TripReport),
    /// The operator has answered.
    Answer {
        /// [`Prompt::number`] of the question.
        prompt: u32,
        /// Done, or no.
        yes: bool,
    },
    /// The operator wants everything to stop.
    Stop,
    /// The board has not been heard for too long, or the port is gone.
    LinkLost,
}

/// An intent.
#[derive(Clone, Debug, PartialEq)]
pub enum Intent {
    /// Ask this of the board; no other command is asked before this one is answered.
    Command(Action),
    /// Stop, now; repeat until the board is seen without energy.
    Stop,
    /// Ask the operator.
    Ask(Prompt),
    /// Write this down.
    Write(Entry),
    /// It is over.
    Finished(Outcome),
}

/// A question to the operator.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Prompt {
    /// Number of the question within the run.
    pub number: u32,
    /// The step that asks.
    pub title: String,
    /// What to do or check.
    pub text: String,
    /// Whether this is the caution before energy.
    pub caution: bool,
}

/// How far a run is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Progress {
    /// The part.
    pub part: Option<Part>,
    /// Number of the step, from 1.
    pub step: usize,
    /// How many steps there are.
    pub steps: usize,
    /// Name of the step.
    pub name: String,
    /// Title of the step.
    pub title: String,
    /// What is being done.
    pub activity: String,
    /// Time spent in this round of the step and its planned length, in ms.
    pub round_ms: (u32, u32),
}

impl Run {
    /// How far the run is.
    #[must_use]
    pub fn progress(&self) -> Progress {
        let now = self.now();
        let (part, spec) = match self.steps.get(self.position) {
            Some((part, spec)) => (Some(*part), Some(spec)),
            None => (None, None),
        };
        let since = |tick| u32::try_from(now.ms_since(tick)).unwrap_or(0);
        let (activity, round_ms) = match &self.stage {
            Stage::Greeting => ("waiting for the board".to_owned(), (0, 0)),
            Stage::Waking => ("waiting for the board to be at rest".to_owned(), (0, 0)),
            Stage::Zeroing { .. } => ("taking zeroes at rest".to_owned(), (0, 0)),
            Stage::Between => (String::new(), (0, 0)),
            Stage::Stopping { .. } => ("stopping".to_owned(), (0, 0)),
            Stage::Finished => ("finished".to_owned(), (0, 0)),
            Stage::Stepping(stepping) => {
                let activity = match &stepping.doing {
                    Doing::Nothing | Doing::Noting => String::new(),
                    Doing::Asking => "waiting for the operator".to_owned(),
                    Doing::Watching { label, .. } => (*label).to_owned(),
                    Doing::Chaining(chain) => chain.activity(now),
                };
                (activity, (since(stepping.round_began), stepping.planned_ms))
            }
        };
        Progress {
            part,
            step: (self.position + 1).min(self.steps.len()),
            steps: self.steps.len(),
            name: spec.map(|spec| spec.name.clone()).unwrap_or_default(),
            title: spec.map(|spec| spec.title.clone()).unwrap_or_default(),
            activity,
            round_ms,
        }
    }
}
