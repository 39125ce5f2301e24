//! What goes into a run, what comes out of it, and what it shows of itself.

use super::{Doing, LEAD_MS, Run, Stage, Stepping};
use crate::record::{Entry, Outcome, Part};
use crate::step::{Phase, Planned};
use stepwell_protocol::budget::DriveBudget;
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
    /// Nobody is left to answer: a no, written down as what it is.
    Nobody {
        /// [`Prompt::number`] of the question.
        prompt: u32,
    },
    /// The operator wants everything to stop.
    Stop,
    /// The board has not been heard for too long, or the port is gone.
    LinkLost(String),
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
    /// Time spent in this round of the step and its expected length, in ms: dwells at their longest, the
    /// pauses before them, and the rests that the drive needs. It stands still while the operator is asked.
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
                let left_ms = self.left_ms(stepping);
                let whole_ms = stepping.planned_ms.max(left_ms);
                (activity, (whole_ms - left_ms, whole_ms))
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

    /// What is left of the round, in ms.
    fn left_ms(&self, stepping: &Stepping) -> u32 {
        let Some(board) = &self.board else { return 0 };
        let now = self.now();
        let until = |tick: Tick| u32::try_from(tick.ms_since(now)).unwrap_or(0);
        let mut ahead = Ahead { ms: 0, budget: board.budget };
        match &stepping.doing {
            Doing::Nothing | Doing::Asking => {}
            Doing::Noting => ahead.rest(until(self.anchor)),
            Doing::Watching { from, ms, .. } => ahead.rest(until(from.plus_ms(*ms))),
            Doing::Chaining(chain) => match chain.slot() {
                None => ahead.chain(chain.planned()),
                Some(slot) => {
                    ahead.rest(until(slot));
                    for (drive_on, ms) in chain.left(now) {
                        ahead.spend(drive_on, ms);
                    }
                }
            },
        }
        stepping.phases.iter().chain(&stepping.later).for_each(|phase| ahead.phase(phase));
        ahead.ms
    }
}

/// Time that lies ahead, and the drive's account at its end.
pub(super) struct Ahead {
    pub(super) ms: u32,
    pub(super) budget: DriveBudget,
}

impl Ahead {
    fn spend(&mut self, drive_on: bool, ms: u32) {
        self.ms = self.ms.saturating_add(ms);
        self.budget = self.budget.after_ms(drive_on, ms);
    }

    fn rest(&mut self, ms: u32) {
        self.spend(false, ms);
    }

    /// A chain that waits for its slot: the lead, or the drive's rest when that is longer.
    fn chain(&mut self, dwells: &[Planned]) {
        let drive_ms = dwells.iter().filter(|dwell| dwell.drive_rpm > 0).map(|dwell| dwell.duration_ms).sum();
        self.rest(self.budget.rest_ms_before(drive_ms).unwrap_or(0).max(LEAD_MS));
        for dwell in dwells {
            self.spend(dwell.drive_rpm > 0, dwell.duration_ms);
        }
    }

    pub(super) fn phase(&mut self, phase: &Phase) {
        match phase {
            Phase::Ask(_) => {}
            Phase::Hand(_) => self.rest(LEAD_MS),
            Phase::Watch { ms, .. } => self.rest(*ms),
            Phase::Chain(dwells) => self.chain(dwells),
        }
    }
}
