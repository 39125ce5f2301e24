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

mod chain;
mod input;

use input::Ahead;
pub use input::{Input, Intent, Progress, Prompt};

use crate::at_rest;
use crate::calibrate::Calibration;
use crate::causes;
use crate::finding::{Finding, Verdict};
use crate::guard;
use crate::procedure::{Procedure, StepKind, StepSpec};
use crate::readings::{self, Reading};
use crate::record::{Burst, Ended, Entry, Event, EventKind, Outcome, Part, StepDone, UNREACHED};
use crate::recording::Recording;
use crate::round::{Round, Span};
use crate::sheet::{BenchSheet, PumpSheet};
use crate::step::{self, Phase, Rig, Step, shaft};
use crate::words;
use chain::Chain;
use std::collections::{BTreeSet, VecDeque};
use stepwell_protocol::budget::DriveBudget;
use stepwell_protocol::channel::{Channel, Sample};
use stepwell_protocol::dwell::{DwellEnd, DwellReport};
use stepwell_protocol::guards::Guards;
use stepwell_protocol::identity::Identity;
use stepwell_protocol::message::{Action, Refusal, Reply, TripCause, TripReport};
use stepwell_protocol::state::{State, Status};
use stepwell_protocol::time::Tick;

/// A program that the board has not heard for this long while something could be driven stood still, in ms.
const AWAY_MS_MAX: i32 = 1_000;

/// After a greeting the rig is left alone this long before its zeroes are taken, in ms.
const ZERO_AFTER_MS: u32 = 500;

/// The zeroes are means over this long, in ms.
const ZERO_MS: u32 = 1_000;

/// Seconds without a gap are waited for this long, in ms; then the longest stretch there was must do.
const ZERO_WAIT_MS: u32 = 5_000;

/// The shortest stretch that tells a zero, in ms.
const ZERO_MS_MIN: u32 = 50;

/// The speed before a trip is taken over this long, in ms.
const SPEED_MS: u32 = 1_000;

/// What no reading can say any more.
const UNSEEN: &str = "Treat the rail as under pressure and look at the mechanical gauge";

/// In place of an answer.
const NOBODY: &str = "nobody was there to answer: taken as no";

/// What a "no" to the question for the gauge means.
const GAUGE_NOT_ZERO: &str = "The mechanical gauge was not seen at zero: pressure may be trapped. Open nothing, keep \
     everybody away from rail and pipes, and find out why the rail does not empty";

/// The caution that comes before the first energy of a run.
const CAUTIONS: &str = "\
Local codes, the maker's data and licensed practice come before anything this program says.\n\
 * A pinhole jet goes through gloves and skin. Never feel for leaks. Any suspected injection: hospital \
 at once, it is a surgical emergency even if it hardly hurts.\n\
 * Zero on a screen is not proof of zero pressure. Vent, then look at the mechanical gauge.\n\
 * Fuel mist can burn below its flash point. Ventilate, no ignition sources, stop on any spray.\n\
 * The drive turns and coasts. Guard closed, no loose sleeves, no rags, hands away.\n\
 * Coils stay hot and kick back when unplugged: power off first.\n\
 * SOFTWARE STOP is not an emergency stop. Relief valve, guard and emergency stop must work without \
 this program.\n\
Eye protection on, gloves for fuel on, guard closed, emergency stop in reach?";

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

    fn welcome(&mut self, identity: &Identity) {
        if self.board.is_some() {
            return;
        }
        let drive = &self.plan.bench.drive;
        let budget = DriveBudget::empty(guard::ms(drive.on_s_max), guard::ms(drive.rest_s_min));
        self.board = Some(BoardKnown {
            calibration: Calibration::nominal(&self.plan.bench, identity),
            zero: (identity.now, identity.now),
            budget: budget.with_left_ms(identity.drive_left_ms),
            identity: identity.clone(),
            guards: None,
            guards_set: false,
            armed_at: None,
            status: None,
            leased: identity.now,
        });
        self.anchor = identity.now;
        // A stop may have come before the board answered.
        if matches!(self.stage, Stage::Greeting) {
            self.stage = Stage::Waking;
        }
    }

    fn telemetry(&mut self, first: Tick, first_us: u64, samples: &[Sample]) {
        let missing_ms = self.recording.append(first, first_us, samples);
        if missing_ms > 0 {
            self.note(
                EventKind::Link,
                format!("{missing_ms} ms of telemetry missing before tick {}", first.0),
            );
        }
        let Some(board) = &mut self.board else { return };
        for _ in 0..missing_ms {
            // What the drive did in the gap is unknown; assume that it turned.
            board.budget.tick(true);
        }
        for (index, sample) in samples.iter().enumerate() {
            let tick = first.plus_ms(index as u32);
            let Some(status) = Status::from_word(sample[Channel::Status.index()]) else { continue };
            board.budget.tick(status.drive_on);
            board.status = Some((tick, status));
            if status.lease_alive {
                board.leased = tick;
            }
            if status.state == State::Rest && board.armed_at.is_some_and(|at| tick.is_after(at)) {
                board.armed_at = None;
            }
            if let Stage::Stepping(stepping) = &mut self.stage
                && let Doing::Chaining(chain) = &mut stepping.doing
            {
                chain.observe(tick, status.state);
            }
        }
        self.stood_still();
    }

    /// Once anything was driven in this run, a host that stood still does not simply go on: nobody knows who
    /// stands at the bench by now.
    fn stood_still(&mut self) {
        let Some(board) = &self.board else { return };
        let Some((now, status)) = board.status else { return };
        if status.lease_alive || status.state == State::Tripped {
            return;
        }
        let away_ms = now.ms_since(board.leased);
        let may_drive = self.cautions_given && !self.tearing_down && self.ended.is_none();
        if away_ms > AWAY_MS_MAX && may_drive {
            self.refuse(format!(
                "going on: the board has not heard the program for {:.1} s; the computer was asleep, its screen hung or \
                 it is too slow. Nothing is driven again by itself: look at the bench, then start a new run",
                f64::from(away_ms) / 1000.0
            ));
        }
    }

    fn answered(&mut self, at: Tick, result: Result<Reply, Refusal>) {
        let Some(pending) = self.pending.take() else { return };
        match (pending, result) {
            (Pending::SetGuards, Ok(_)) => {
                if let Some(board) = &mut self.board {
                    board.guards_set = true;
                }
            }
            (Pending::Arm, Ok(_)) => {
                if let Some(board) = &mut self.board {
                    board.armed_at = Some(at);
                }
            }
            (Pending::ClearTrip, Ok(_)) => {
                self.trip = None;
                self.anchor = self.now();
            }
            (Pending::ReadTrip, Ok(Reply::Trip(report))) => self.tripped(report),
            // Nothing is latched after all, or the trip itself is on its way.
            (Pending::ReadTrip, Err(Refusal::NothingToRead))
            | (_, Err(Refusal::Tripped(_) | Refusal::InState(State::Tripped))) => {}
            // The board has not heard the host for a moment: it is asked again, and arms as strictly as ever.
            (Pending::Arm, Err(Refusal::NotReady(TripCause::LeaseLost)))
            | (Pending::Dwell, Err(Refusal::InState(State::Rest)))
                if self.chain().is_some_and(Chain::moved) =>
            {
                self.arm_again();
            }
            (Pending::ReadDwell, Err(Refusal::NothingToRead)) if self.chain().is_some_and(Chain::dropped) => {
                self.arm_again();
            }
            (Pending::ReadDwell, Ok(Reply::Dwell(report))) => self.dwell_ended(report),
            (Pending::HandWork, Ok(_)) => {
                if let Stage::Stepping(stepping) = &mut self.stage
                    && matches!(stepping.doing, Doing::Noting)
                {
                    stepping.doing = Doing::Nothing;
                }
            }
            (Pending::Dwell | Pending::ReadDwell | Pending::ReadBurst, result) => {
                let refused = self.chain().and_then(|chain| chain.answered(pending, result).err());
                if let Some(refusal) = refused {
                    self.refused(pending, refusal);
                }
            }
            (_, Err(refusal)) => self.refused(pending, refusal),
            (_, Ok(_)) => {}
        }
    }

    /// The board has disarmed itself.
    fn arm_again(&mut self) {
        if let Some(board) = &mut self.board {
            board.armed_at = None;
        }
    }

    /// The chain that is under way.
    fn chain(&mut self) -> Option<&mut Chain> {
        match &mut self.stage {
            Stage::Stepping(stepping) => match &mut stepping.doing {
                Doing::Chaining(chain) => Some(chain),
                _ => None,
            },
            _ => None,
        }
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

    fn refused(&mut self, pending: Pending, refusal: Refusal) {
        if self.ended.is_some() {
            return;
        }
        let doing = match pending {
            Pending::SetGuards => "setting the guards",
            Pending::Arm => "arming",
            Pending::ClearTrip => "clearing the trip",
            Pending::ReadTrip => "asking what the trip was",
            Pending::HandWork => "noting what was done by hand",
            Pending::Dwell => "starting a dwell",
            Pending::ReadDwell => "asking how a dwell ended",
            Pending::ReadBurst => "reading a coil's current",
        };
        let cause = match refusal {
            Refusal::NotReady(cause) | Refusal::CauseRemains(cause) => Some(cause),
            _ => None,
        };
        let reading = cause.and_then(|cause| self.reading_now(cause));
        let why = format!("{doing}: {}", words::refusal(refusal, reading.as_ref()));
        self.note_board(format!("refused {why}"), cause, reading);
        self.end(Ended::Refused { why });
    }

    fn tripped(&mut self, report: TripReport) {
        if self.trip.is_some() {
            return;
        }
        self.trip = Some(report);
        let cause = report.cause;
        let reading = self
            .board
            .as_ref()
            .and_then(|board| readings::behind(cause, &report.readings, &self.plan.pump, &board.calibration));
        let what = match self.slow_shaft(&report) {
            Some(speed) => words::trip_too_slow(speed, self.plan.pump.points.speed_rev_per_s),
            None => words::trip(cause, reading.as_ref()),
        };
        self.note_board(format!("tripped at tick {}: {what}", report.at.0), Some(cause), reading);
        match self.stage {
            // An old trip, found on waking, is asked about; it does not end this run.
            Stage::Greeting | Stage::Waking => {}
            _ => self.end(Ended::Tripped { what }),
        }
    }

    /// The speed before a trip for want of flow, in revolutions per second, when it was too low for flow.
    fn slow_shaft(&self, report: &TripReport) -> Option<f64> {
        let to = if self.now().is_after(report.at) { report.at } else { self.now() };
        let window = self.recording.window(to.minus_ms(SPEED_MS), to).ok()?;
        let speed = shaft::rev_per_s(self.plan.bench.speed_pulses_per_rev, &window);
        let least = self.plan.pump.points.speed_rev_per_s * (1.0 - shaft::SPEED_WITHIN);
        (report.cause == TripCause::NoFlow && speed < least).then_some(speed)
    }

    /// The reading behind `cause` as it is now.
    fn reading_now(&self, cause: TripCause) -> Option<Reading> {
        let now = self.now();
        let window = self.recording.window(now.minus_ms(1), now).ok()?;
        let board = self.board.as_ref()?;
        readings::behind(cause, window.samples.last()?, &self.plan.pump, &board.calibration)
    }

    fn note_board(&mut self, text: String, cause: Option<TripCause>, reading: Option<Reading>) {
        let cause = cause.map(words::cause_word);
        let event = Event { cause, reading, ..Event::new(self.now(), EventKind::Board, text) };
        self.intents.push_back(Intent::Write(Entry::Event(event)));
    }

    fn operator(&mut self, number: u32, yes: bool, said: &str) {
        if self.prompt.as_ref().is_none_or(|prompt| prompt.number != number) {
            return;
        }
        self.prompt = None;
        self.note(EventKind::Operator, said);
        match &mut self.stage {
            Stage::Waking if yes => self.command(Pending::ClearTrip, Action::ClearTrip),
            Stage::Stepping(stepping) if yes => {
                stepping.doing = Doing::Nothing;
                self.release(None);
            }
            Stage::Stepping(_) if self.ended.is_some() => {
                if self.asks_for_gauge() {
                    self.note(EventKind::Operator, GAUGE_NOT_ZERO);
                    self.warning = Some(GAUGE_NOT_ZERO.to_owned());
                    self.release(Some(GAUGE_NOT_ZERO));
                }
                let step = self.steps.get(self.position).map(|(_, spec)| spec.name.clone());
                self.leave_step();
                self.end(Ended::Declined { step: step.unwrap_or_default() });
            }
            _ => {
                let step = self.steps.get(self.position).map(|(_, spec)| spec.name.clone());
                self.end(Ended::Declined { step: step.unwrap_or_default() });
            }
        }
    }

    fn link_lost(&mut self, why: &str) {
        if matches!(self.stage, Stage::Finished) || self.link_lost {
            return;
        }
        self.link_lost = true;
        self.pending = None;
        if matches!(self.ended, None | Some(Ended::Completed)) {
            self.ended = Some(Ended::LinkLost);
        }
        self.note(EventKind::Link, format!("link lost: {why}; the board goes to rest by itself. {UNSEEN}"));
        if self.board.is_none() {
            // Nothing was ever energised.
            self.finish();
            return;
        }
        self.warning.get_or_insert_with(|| format!("The link to the board is lost. {UNSEEN}"));
        if self.tearing_down && self.prompt.is_some() {
            return;
        }
        self.prompt = None;
        self.write_step_done();
        if !self.tearing_down {
            self.tear_down();
        }
        self.stage = Stage::Between;
    }

    /// Turns to the first step of tear-down.
    fn tear_down(&mut self) {
        let first = self.steps.iter().position(|(part, _)| *part == Part::TearDown);
        self.position = first.unwrap_or(self.steps.len());
        self.tearing_down = true;
    }

    /// Whether the step under way is the question behind a vent in tear-down.
    fn asks_for_gauge(&self) -> bool {
        let before = self.position.checked_sub(1).and_then(|before| self.steps.get(before));
        matches!(before, Some((Part::TearDown, StepSpec { kind: StepKind::Vent { .. }, .. })))
    }

    /// Whether the step after this one asks for the gauge.
    fn gauge_comes_next(&self, vent: &StepSpec) -> bool {
        let next = self.steps.get(self.position + 1);
        self.tearing_down
            && matches!(vent.kind, StepKind::Vent { .. })
            && matches!(next, Some((_, StepSpec { kind: StepKind::Confirm { .. }, .. })))
    }

    /// Lets out what a vent has found; worthless for a reason, if there is one.
    fn release(&mut self, worthless: Option<&str>) {
        for mut finding in std::mem::take(&mut self.held) {
            if let Some(why) = worthless {
                finding.verdict = Verdict::Invalid;
                finding.conformity = None;
                finding.notes.insert(0, why.to_owned());
                finding.check_next = causes::check_next(&finding.id, causes::Side::Absent);
            }
            self.found(finding);
        }
    }

    /// Ends the work for `ended`, unless it has already ended for another cause. The first cause is
    /// the one that counts; a trip that follows a stop is noted and no more. Work that had come to its
    /// own end is no cause: whatever goes wrong in tear-down takes its place.
    fn end(&mut self, ended: Ended) {
        if matches!(self.stage, Stage::Finished) {
            return;
        }
        if !matches!(self.ended, None | Some(Ended::Completed)) {
            // A second stop during tear-down: no more questions.
            if matches!(ended, Ended::Stopped) && self.prompt.take().is_some() {
                self.note(EventKind::Operator, "not answered: stopped again");
                self.release(Some("the mechanical gauge was not read"));
                self.leave_step();
            }
            return;
        }
        self.ended = Some(ended);
        if self.tearing_down {
            // Nothing is energised any more; tear-down goes on with its questions.
            return;
        }
        self.prompt = None;
        self.pending = None;
        self.stop();
    }

    fn part(&self) -> Option<Part> {
        self.steps.get(self.position).map(|(part, _)| *part)
    }

    fn stop(&mut self) {
        if !matches!(self.stage, Stage::Stopping { .. }) {
            self.write_step_done();
            self.intents.push_back(Intent::Stop);
            self.stage = Stage::Stopping { since: self.now() };
        }
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

    fn wake(&mut self) -> bool {
        match (self.state(), self.trip) {
            (Some(State::Tripped), None) => {
                self.command(Pending::ReadTrip, Action::ReadTrip);
                false
            }
            (Some(State::Tripped), Some(trip)) => {
                let (what, next) = words::cause(trip.cause);
                let text = format!(
                    "The board is tripped from before: {what}.\nBefore you clear it: {next}.\nCleared up, and \
                     everybody clear of the rig?"
                );
                self.ask("Clear the trip", text, false);
                false
            }
            (Some(State::Rest), _) => {
                self.trip = None;
                let from = self.anchor.plus_ms(ZERO_AFTER_MS);
                self.stage = Stage::Zeroing { from, since: from };
                true
            }
            _ => false,
        }
    }

    fn zero(&mut self, from: Tick, since: Tick) -> bool {
        let to = from.plus_ms(ZERO_MS);
        if to.is_after(self.now()) {
            return false;
        }
        let Some(board) = &mut self.board else { return false };
        let window = match self.recording.window(from, to) {
            Ok(window) => window,
            // Telemetry has a gap there: take the next second instead.
            Err(_) if !to.is_after(since.plus_ms(ZERO_WAIT_MS)) => {
                self.stage = Stage::Zeroing { from: to, since };
                return true;
            }
            Err(_) => match self.recording.longest_window(since, to) {
                Some(window) if window.len_ms() >= ZERO_MS_MIN => window,
                _ => {
                    self.refuse(format!(
                        "taking the zeroes of the sensors: telemetry never went on for {ZERO_MS_MIN} ms without a gap. The \
                         link loses too much: check the cable and its screen, keep it away from motors and \
                         welders, then start again"
                    ));
                    return true;
                }
            },
        };
        let stretch = (window.from, window.from.plus_ms(window.len_ms()));
        let objection = at_rest::objection(&self.plan.pump, &board.calibration, &window);
        board.calibration = board.calibration.clone().zeroed(&window);
        board.zero = stretch;
        let objection = objection.or_else(|| {
            at_rest::beyond_ceilings(&self.plan.pump, &board.calibration, &board.identity.ceilings)
        });
        let supply_v = board.calibration.supply_v(window.mean_counts(Channel::SupplyVoltage));
        board.guards = Some(guard::guards(&self.plan.pump, &board.calibration, supply_v));
        self.anchor = to;
        self.note(EventKind::Board, format!("zeroes taken at rest, supply {supply_v:.2} V"));
        self.stage = Stage::Between;
        if let Some(why) = objection {
            self.refuse(why);
        }
        true
    }

    /// Ends the run before it begins: the rig is not fit for it. What is wrong stands above every
    /// question that is still asked.
    fn refuse(&mut self, why: String) {
        self.note(EventKind::Board, format!("refused: {why}"));
        self.warning = Some(why.clone());
        self.end(Ended::Refused { why });
    }

    fn begin_step(&mut self) {
        let main_is_over = self.part().is_none_or(|part| part == Part::TearDown);
        if main_is_over && !self.tearing_down {
            self.ended.get_or_insert(Ended::Completed);
            self.stop();
            return;
        }
        let Some((_, spec)) = self.steps.get(self.position) else {
            self.finish();
            return;
        };
        if self.link_lost && !matches!(spec.kind, StepKind::Confirm { .. }) {
            self.position += 1;
            return;
        }
        let step = step::start(spec);
        let title = spec.title.clone();
        self.note(EventKind::Step, format!("step: {title}"));
        let now = self.now();
        self.stage = Stage::Stepping(Box::new(Stepping {
            step,
            phases: VecDeque::new(),
            later: Vec::new(),
            doing: Doing::Nothing,
            spans: Vec::new(),
            bursts: Vec::new(),
            began: now,
            planned_ms: 0,
        }));
        self.begin_round();
    }

    fn begin_round(&mut self) {
        let Stage::Stepping(stepping) = &mut self.stage else { return };
        let Some(board) = &self.board else { return };
        let rig = Rig { pump: &self.plan.pump, calibration: &board.calibration, identity: &board.identity };
        self.recording.forget_before(self.anchor.minus_ms(ZERO_MS));
        stepping.phases = stepping.step.phases(&rig).into();
        stepping.later = stepping.step.surely_later(&rig);
        stepping.spans.clear();
        stepping.bursts.clear();
        let mut ahead = Ahead { ms: 0, budget: board.budget };
        stepping.phases.iter().chain(&stepping.later).for_each(|phase| ahead.phase(phase));
        stepping.planned_ms = ahead.ms;
    }

    /// The step's next move; `false` when a fact is missing.
    fn step_on(&mut self) -> bool {
        let now = self.now();
        let Stage::Stepping(stepping) = &mut self.stage else { return false };
        match &mut stepping.doing {
            Doing::Asking | Doing::Noting => false,
            Doing::Watching { label, from, ms } => {
                let (label, from, to) = (*label, *from, from.plus_ms(*ms));
                if to.is_after(now) {
                    return false;
                }
                stepping.spans.push(Span { label: label.to_owned(), from, to, end: DwellEnd::Complete });
                stepping.doing = Doing::Nothing;
                self.anchor = to;
                true
            }
            Doing::Chaining(_) => self.chain_on(),
            Doing::Nothing => match stepping.phases.pop_front() {
                Some(phase) => self.begin_phase(phase),
                None => self.conclude(),
            },
        }
    }

    fn begin_phase(&mut self, phase: Phase) -> bool {
        let energy_first = matches!(phase, Phase::Chain(_)) && !self.cautions_given;
        let after_bad_end = !matches!(self.ended, None | Some(Ended::Completed));
        let title = self.steps.get(self.position).map(|(_, spec)| spec.title.clone()).unwrap_or_default();
        let anchor = self.anchor;
        let now = self.now();
        let Stage::Stepping(stepping) = &mut self.stage else { return false };
        if energy_first && !after_bad_end {
            stepping.phases.push_front(phase);
            stepping.doing = Doing::Asking;
            self.cautions_given = true;
            self.ask("Before energy", CAUTIONS.to_owned(), true);
            return true;
        }
        match phase {
            Phase::Ask(text) => {
                stepping.doing = Doing::Asking;
                self.ask(&title, text, false);
            }
            Phase::Watch { label, ms } => {
                // After a pause for the operator the anchor is stale: watch from now.
                let fresh = now.ms_since(anchor) < STALE_MS;
                let from = if fresh { anchor } else { now };
                stepping.doing = Doing::Watching { label, from, ms };
            }
            Phase::Hand(work) => {
                stepping.doing = Doing::Noting;
                let at = next_slot(anchor, anchor, now);
                self.anchor = at;
                self.command(Pending::HandWork, Action::HandWork { at, work });
            }
            // Nothing is energised after a bad ending, nor in tear-down.
            Phase::Chain(_) if self.ended.is_some() => {}
            Phase::Chain(dwells) => stepping.doing = Doing::Chaining(Chain::new(dwells)),
        }
        true
    }

    fn conclude(&mut self) -> bool {
        let Stage::Stepping(stepping) = &mut self.stage else { return false };
        let stepping = &mut **stepping;
        let Some(board) = &self.board else { return false };
        let Some((_, spec)) = self.steps.get(self.position) else { return false };
        let rig = Rig { pump: &self.plan.pump, calibration: &board.calibration, identity: &board.identity };
        let spans = std::mem::take(&mut stepping.spans);
        let round = Round { step: spec.name.clone(), zero: board.zero, spans };
        let evidence = round.evidence(&self.recording, &stepping.bursts);
        let conclusion = stepping.step.conclude(&rig, &evidence);
        self.intents.push_back(Intent::Write(Entry::Round(round)));
        if conclusion.again && self.ended.is_none() {
            let found: Vec<String> = conclusion.findings.iter().map(Finding::line).collect();
            self.note(EventKind::Step, format!("another round: {}", found.join("; ")));
            self.begin_round();
            return true;
        }
        let gate = spec.gate;
        let name = spec.name.clone();
        let waits = self.gauge_comes_next(spec);
        let holds = conclusion.findings.iter().all(|finding| finding.verdict.lets_go_on());
        for mut finding in conclusion.findings {
            finding.step.clone_from(&name);
            if waits {
                self.note(EventKind::Step, format!("waits for the gauge: {}", finding.line()));
                self.held.push(finding);
            } else {
                self.found(finding);
            }
        }
        self.leave_step();
        if gate && !holds && self.ended.is_none() {
            self.end(Ended::Gated { step: name });
        }
        true
    }

    fn found(&mut self, finding: Finding) {
        self.findings.push(finding.clone());
        self.intents.push_back(Intent::Write(Entry::Finding(finding)));
    }

    fn leave_step(&mut self) {
        self.write_step_done();
        self.position += 1;
        self.stage = Stage::Between;
    }

    fn write_step_done(&mut self) {
        let now = self.now();
        if let (Stage::Stepping(stepping), Some((part, spec))) = (&self.stage, self.steps.get(self.position))
        {
            let done = StepDone {
                part: *part,
                name: spec.name.clone(),
                title: spec.title.clone(),
                ticks: (stepping.began.0, now.0),
            };
            self.intents.push_back(Intent::Write(Entry::Step(done)));
        }
    }

    /// Names what was never found, and says what the run comes to.
    fn finish(&mut self) {
        self.release(None);
        let ended = self.ended.clone().unwrap_or(Ended::Completed);
        let why = match &ended {
            Ended::Completed => "the step found nothing".to_owned(),
            Ended::Gated { step } => format!("{UNREACHED}: ended after step “{step}”"),
            Ended::Stopped => format!("{UNREACHED}: stopped"),
            Ended::Declined { step } => format!("{UNREACHED}: declined at step “{step}”"),
            Ended::Tripped { .. } => format!("{UNREACHED}: the board tripped"),
            Ended::Refused { .. } => format!("{UNREACHED}: the board would not"),
            Ended::LinkLost | Ended::Interrupted => format!("{UNREACHED}: link lost. {UNSEEN}"),
        };
        let mut missing = Vec::new();
        if let Some(board) = &self.board {
            let rig =
                Rig { pump: &self.plan.pump, calibration: &board.calibration, identity: &board.identity };
            for (_, spec) in &self.steps {
                for expected in step::start(spec).expects(&rig) {
                    if !self.findings.iter().any(|f| f.id == expected.id && f.step == spec.name) {
                        let mut finding = expected.unmeasured(why.clone(), Vec::new());
                        finding.step.clone_from(&spec.name);
                        missing.push(finding);
                    }
                }
            }
        }
        for finding in missing {
            self.found(finding);
        }
        let worst = self.findings.iter().map(|finding| finding.verdict).max();
        let whole = matches!(ended, Ended::Completed) && worst.is_some();
        let floor = if whole { Verdict::Pass } else { Verdict::NotMeasured };
        let verdict = worst.unwrap_or(Verdict::NotMeasured).max(floor);
        self.stage = Stage::Finished;
        self.intents.push_back(Intent::Finished(Outcome { ended, verdict }));
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

/// A watch follows the stretch before it without a gap, unless that ended this long ago, in ms.
const STALE_MS: i32 = 2_000;

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
