//! The run: one execution of a procedure on one pump, as a state machine without time or I/O.
//!
//! Facts go in ([`Run::handle`]), intents come out ([`Run::poll`]). The only time is the board's: it
//! arrives with telemetry, and every decision is taken on a tick, so a run over a slow link makes the
//! same decisions on the same ticks as one in process.
//!
//! ```text
//!  Greeting ──Welcome──► Waking ──at rest──► Zeroing ──► steps: set-up ► main ──► Stopping ──► tear-down ──► Finished
//!                          │ tripped                          │                      ▲
//!                          └─► asks, clears                   └─ gate, stop, trip, ──┘
//!                                                                refusal, "no"
//! ```
//!
//! * Greeting, Waking and Stopping are ended by the board, or by the link's own time-out, which
//!   comes in as [`Input::LinkLost`].
//! * Tear-down is a path, not an error handler: every ending goes through it. It never energises
//!   anything after a bad ending. With the link lost only its questions are left.
//! * What a vent finds in tear-down waits for the answer to the question behind it, which is that for
//!   the mechanical gauge: a "no" there makes it worthless.
//! * A chain of dwells starts on a tick that depends only on the tick at which the stretch before it
//!   ended (its anchor), as long as the link answers in time.
//!
//! Here stand what a run is and what moves it; what the board says is in `board`, a step under way in `stepping`, its
//! dwells in `chain`, every ending in `ending`, what goes in and comes out in `input`.

mod board;
mod chain;
mod ending;
mod input;
mod stepping;

pub use input::{Input, Intent, Progress, Prompt};

use crate::calibrate::Calibration;
use crate::finding::Finding;
use crate::procedure::{Procedure, StepSpec};
use crate::record::{Burst, Ended, Entry, Event, EventKind, Part};
use crate::recording::Recording;
use crate::round::Span;
use crate::sheet::{BenchSheet, PumpSheet};
use crate::step::{Phase, Step};
use crate::words;
use chain::Chain;
use std::collections::{BTreeSet, VecDeque};
use stepwell_protocol::budget::DriveBudget;
use stepwell_protocol::dwell::DwellReport;
use stepwell_protocol::guards::Guards;
use stepwell_protocol::identity::Identity;
use stepwell_protocol::message::{Action, TripReport};
use stepwell_protocol::state::{State, Status};
use stepwell_protocol::time::Tick;

/// The zeroes are means over this long, in ms.
const ZERO_MS: u32 = 1_000;

/// In place of an answer.
const NOBODY: &str = "nobody was there to answer: taken as no";

/// What a run is made of.
#[derive(Clone, Debug)]
pub struct Plan {
    /// The pump on the bench, as its owner numbers it.
    pub pump_id: String,
    /// What it is.
    pub pump: PumpSheet,
    /// The rig.
    pub bench: BenchSheet,
    /// What to do.
    pub procedure: Procedure,
}

/// One execution of a procedure on one pump.
#[derive(Debug)]
pub struct Run {
    plan: Plan,
    steps: Vec<(Part, StepSpec)>,
    /// Index of the step that is under way or comes next.
    position: usize,
    stage: Stage,
    board: Option<BoardKnown>,
    recording: Recording,
    intents: VecDeque<Intent>,
    pending: Option<Pending>,
    prompt: Option<Prompt>,
    prompts_asked: u32,
    cautions_given: bool,
    serials_used: u16,
    /// Dwells whose end is in the log: serial and first tick.
    ends_noted: BTreeSet<(u16, u32)>,
    anchor: Tick,
    findings: Vec<Finding>,
    ended: Option<Ended>,
    tearing_down: bool,
    trip: Option<TripReport>,
    /// What must be said before anything else is asked.
    warning: Option<String>,
    /// What a vent has found, until the gauge has been read.
    held: Vec<Finding>,
    link_lost: bool,
}

/// What the run knows of the board.
#[derive(Debug)]
struct BoardKnown {
    identity: Identity,
    calibration: Calibration,
    /// The ticks over which its zeroes were taken.
    zero: (Tick, Tick),
    budget: DriveBudget,
    guards: Option<Guards>,
    /// The guards are on the board, as far as it has acknowledged.
    guards_set: bool,
    /// The tick at which the board acknowledged arming.
    armed_at: Option<Tick>,
    /// The latest status and its tick.
    status: Option<(Tick, Status)>,
    /// The latest tick on which the board had heard the host lately.
    leased: Tick,
}

#[derive(Debug)]
enum Stage {
    /// Until the board has answered the greeting.
    Greeting,
    /// Until the board is seen at rest.
    Waking,
    /// Until the zeroes have been recorded.
    Zeroing { from: Tick, since: Tick },
    /// A step is under way.
    Stepping(Box<Stepping>),
    /// The next step is due.
    Between,
    /// A stop was sent; until the board is seen without energy on a tick well after `since`.
    Stopping { since: Tick },
    /// The outcome is out.
    Finished,
}

#[derive(Debug)]
struct Stepping {
    step: Box<dyn Step>,
    phases: VecDeque<Phase>,
    /// Phases of rounds that are sure to follow.
    later: Vec<Phase>,
    doing: Doing,
    spans: Vec<Span>,
    /// The bursts of this round.
    bursts: Vec<Burst>,
    began: Tick,
    /// Expected length of this round, in ms.
    planned_ms: u32,
}

#[derive(Debug)]
enum Doing {
    Nothing,
    Asking,
    Noting,
    Watching { label: &'static str, from: Tick, ms: u32 },
    Chaining(Chain),
}

/// The command whose answer is awaited.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Pending {
    SetGuards,
    Arm,
    Dwell,
    HandWork,
    ClearTrip,
    ReadTrip,
    ReadDwell,
    ReadBurst,
}

impl Run {
    /// A run that has not begun.
    #[must_use]
    pub fn new(plan: Plan) -> Run {
        let procedure = &plan.procedure;
        let parts = [
            (Part::SetUp, &procedure.set_up),
            (Part::Main, &procedure.main),
            (Part::TearDown, &procedure.tear_down),
        ];
        let steps = parts
            .into_iter()
            .flat_map(|(part, steps)| steps.iter().map(move |step| (part, step.clone())))
            .collect();
        Run {
            plan,
            steps,
            position: 0,
            stage: Stage::Greeting,
            board: None,
            recording: Recording::default(),
            intents: VecDeque::new(),
            pending: None,
            prompt: None,
            prompts_asked: 0,
            cautions_given: false,
            serials_used: 0,
            ends_noted: BTreeSet::new(),
            anchor: Tick(0),
            findings: Vec::new(),
            ended: None,
            tearing_down: false,
            trip: None,
            warning: None,
            held: Vec::new(),
            link_lost: false,
        }
    }

    /// What the run is made of.
    #[must_use]
    pub fn plan(&self) -> &Plan {
        &self.plan
    }

    /// The findings so far.
    #[must_use]
    pub fn findings(&self) -> &[Finding] {
        &self.findings
    }

    /// The calibrations in use, once the board is known.
    #[must_use]
    pub fn calibration(&self) -> Option<&Calibration> {
        self.board.as_ref().map(|board| &board.calibration)
    }

    /// The question that waits for an answer.
    #[must_use]
    pub fn prompt(&self) -> Option<&Prompt> {
        self.prompt.as_ref()
    }

    /// The next intent; `None` when there is nothing more to do until the next fact.
    pub fn poll(&mut self) -> Option<Intent> {
        self.intents.pop_front()
    }

    /// A fact.
    pub fn handle(&mut self, input: Input<'_>) {
        match input {
            Input::Welcome(identity) => self.welcome(identity),
            Input::Telemetry { first, first_us, samples } => self.telemetry(first, first_us, samples),
            Input::Answered { at, result } => self.answered(at, result),
            Input::DwellEnded(report) => self.dwell_ended(report),
            Input::Tripped(report) => self.tripped(report),
            Input::Answer { prompt, yes: true } => self.operator(prompt, true, "answered: done"),
            Input::Answer { prompt, yes: false } => self.operator(prompt, false, "answered: no"),
            Input::Nobody { prompt } => self.operator(prompt, false, NOBODY),
            Input::Stop => {
                // A stop takes back whatever was asked.
                self.pending = None;
                self.end(Ended::Stopped);
            }
            Input::LinkLost(why) => self.link_lost(&why),
        }
        self.advance();
    }

    fn now(&self) -> Tick {
        self.recording.end().unwrap_or(self.anchor)
    }

    fn state(&self) -> Option<State> {
        self.board.as_ref()?.status.map(|(_, status)| status.state)
    }

    fn note(&mut self, kind: EventKind, text: impl Into<String>) {
        let event = Event::new(self.now(), kind, text);
        self.intents.push_back(Intent::Write(Entry::Event(event)));
    }

    fn command(&mut self, pending: Pending, action: Action) {
        self.pending = Some(pending);
        self.intents.push_back(Intent::Command(action));
    }

    fn ask(&mut self, title: &str, text: String, caution: bool) {
        self.prompts_asked += 1;
        let text = match &self.warning {
            Some(warning) => format!("{warning}.\n\n{text}"),
            None => text,
        };
        let prompt = Prompt { number: self.prompts_asked, title: title.to_owned(), text, caution };
        self.note(EventKind::Operator, format!("asked: {}", prompt.text));
        self.prompt = Some(prompt.clone());
        self.intents.push_back(Intent::Ask(prompt));
    }

    /// A dwell has ended, and the board has said so by itself or because it was asked. It may say so twice.
    fn dwell_ended(&mut self, report: DwellReport) {
        let mut label = None;
        if let Some(chain) = self.chain() {
            label = chain.label(report.serial);
            chain.report(report);
        }
        if self.ends_noted.insert((report.serial, report.started.0)) {
            let what = label.map_or_else(|| format!("dwell {}", report.serial), str::to_owned);
            self.note(EventKind::Dwell, format!("{what} ended: {}", words::dwell_end(report.end)));
        }
    }

    fn part(&self) -> Option<Part> {
        self.steps.get(self.position).map(|(part, _)| *part)
    }

    /// Goes on as far as the facts allow.
    fn advance(&mut self) {
        let under_way = !matches!(self.stage, Stage::Greeting | Stage::Waking | Stage::Finished);
        if under_way
            && !self.link_lost
            && self.pending.is_none()
            && self.trip.is_none()
            && self.state() == Some(State::Tripped)
        {
            // The board's word about it was lost on the way.
            self.command(Pending::ReadTrip, Action::ReadTrip);
            return;
        }
        while self.pending.is_none() && self.prompt.is_none() && self.once() {}
    }

    /// One move; `false` when a fact is missing.
    fn once(&mut self) -> bool {
        match &mut self.stage {
            Stage::Greeting | Stage::Finished => false,
            Stage::Waking => self.wake(),
            Stage::Zeroing { from, since } => {
                let (from, since) = (*from, *since);
                self.zero(from, since)
            }
            Stage::Between => {
                self.begin_step();
                true
            }
            Stage::Stepping(_) => self.step_on(),
            Stage::Stopping { since } => match self.board.as_ref().and_then(|board| board.status) {
                Some((tick, Status { state: State::Rest | State::Tripped, .. }))
                    if tick.is_after(since.plus_ms(STOP_SEEN_MS)) =>
                {
                    // After work that came to its own end the board was at rest already; after any other
                    // ending it has only just come to rest.
                    if !matches!(self.ended, Some(Ended::Completed)) {
                        self.anchor = self.now();
                    }
                    self.tear_down();
                    self.stage = Stage::Between;
                    true
                }
                _ => false,
            },
        }
    }
}

/// A chain or a hand's work begins this long after the stretch before it, in ms, so that everything
/// the board must be told has reached it by then.
const LEAD_MS: u32 = 1_500;

/// What is told to the board must be on its way this long before it counts, in ms.
const MARGIN_MS: u32 = 300;

/// A status counts as seen after a stop only so long after it, in ms: one that was under way when the
/// stop was sent does not.
const STOP_SEEN_MS: u32 = 100;

/// When the link did not answer in time, the beginning moves by whole steps of this, in ms.
const SLIP_MS: u32 = 500;

/// The tick on which the next thing begins: `LEAD_MS` after `anchor`, not before `earliest`, and far
/// enough ahead of `now`.
fn next_slot(anchor: Tick, earliest: Tick, now: Tick) -> Tick {
    let mut slot = anchor.plus_ms(LEAD_MS);
    if earliest.is_after(slot) {
        slot = earliest;
    }
    let short_ms = now.plus_ms(MARGIN_MS).ms_since(slot);
    if short_ms > 0 { slot.plus_ms(short_ms.unsigned_abs().div_ceil(SLIP_MS) * SLIP_MS) } else { slot }
}
