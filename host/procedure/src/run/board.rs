//! What the board says, and what comes of it: on waking, while commands are answered, when it trips.

use super::chain::Chain;
use super::input::Intent;
use super::{BoardKnown, Doing, Pending, Run, Stage, ZERO_MS};
use crate::calibrate::Calibration;
use crate::readings::Reading;
use crate::record::{Ended, Entry, Event, EventKind};
use crate::sheet::PumpSheet;
use crate::step::shaft;
use crate::{at_rest, guard, readings, words};
use stepwell_protocol::budget::DriveBudget;
use stepwell_protocol::channel::{Channel, Sample};
use stepwell_protocol::identity::Identity;
use stepwell_protocol::message::{Action, Refusal, Reply, TripCause, TripReport};
use stepwell_protocol::state::{State, Status};
use stepwell_protocol::time::Tick;

/// The speed before a trip is taken over this long, in ms.
const SPEED_MS: u32 = 1_000;

/// The shortest stretch that tells a zero, in ms.
const ZERO_MS_MIN: u32 = 50;

/// Seconds without a gap are waited for this long, in ms; then the longest stretch there was must do.
const ZERO_WAIT_MS: u32 = 5_000;

/// After a greeting the rig is left alone this long before its zeroes are taken, in ms.
const ZERO_AFTER_MS: u32 = 500;

/// A program that the board has not heard for this long while something could be driven stood still, in ms.
const AWAY_MS_MAX: i32 = 1_000;

impl BoardKnown {
    /// The reading behind `cause` in a sample of it.
    fn reading(&self, cause: TripCause, sample: &Sample, pump: &PumpSheet) -> Option<Reading> {
        readings::behind(cause, sample, pump, &self.calibration, self.guards.as_ref())
    }
}

impl Run {
    pub(super) fn welcome(&mut self, identity: &Identity) {
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
        match &mut self.stage {
            // A stop came before the board answered: by its ticks it comes now.
            Stage::Stopping { since } => *since = identity.now,
            Stage::Greeting => self.stage = Stage::Waking,
            _ => {}
        }
    }

    pub(super) fn telemetry(&mut self, first: Tick, first_us: u64, samples: &[Sample]) {
        let missing_ms = self.recording.append(first, first_us, samples);
        if missing_ms > 0 {
            self.note(
                EventKind::Link,
                format!("{missing_ms} ms of telemetry missing before tick {}", first.0),
            );
        }
        let Some(board) = &mut self.board else { return };
        // What the drive did in the gap is unknown; assume that it turned.
        board.budget = board.budget.after_ms(true, missing_ms);
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

    pub(super) fn wake(&mut self) -> bool {
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

    pub(super) fn zero(&mut self, from: Tick, since: Tick) -> bool {
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

    pub(super) fn answered(&mut self, at: Tick, result: Result<Reply, Refusal>) {
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
    pub(super) fn chain(&mut self) -> Option<&mut Chain> {
        match &mut self.stage {
            Stage::Stepping(stepping) => match &mut stepping.doing {
                Doing::Chaining(chain) => Some(chain),
                _ => None,
            },
            _ => None,
        }
    }

    pub(super) fn refused(&mut self, pending: Pending, refusal: Refusal) {
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

    pub(super) fn tripped(&mut self, report: TripReport) {
        if self.trip.is_some() {
            return;
        }
        self.trip = Some(report);
        let cause = report.cause;
        let reading =
            self.board.as_ref().and_then(|board| board.reading(cause, &report.readings, &self.plan.pump));
        let what = self.slow_shaft(&report).unwrap_or_else(|| words::trip(cause, reading.as_ref()));
        self.note_board(format!("tripped at tick {}: {what}", report.at.0), Some(cause), reading);
        match self.stage {
            // An old trip, found on waking, is asked about; it does not end this run.
            Stage::Greeting | Stage::Waking => {}
            _ => {
                // Above every question that is still asked; a lost link says more.
                self.warning.get_or_insert_with(|| format!("TRIPPED: {}", what.trim_end_matches('.')));
                self.end(Ended::Tripped { what });
            }
        }
    }

    /// What is to be said of a trip for want of flow when the shaft was too slow for flow.
    fn slow_shaft(&self, report: &TripReport) -> Option<String> {
        let to = if self.now().is_after(report.at) { report.at } else { self.now() };
        let window = self.recording.window(to.minus_ms(SPEED_MS), to).ok()?;
        let speed = shaft::rev_per_s(self.plan.bench.speed_pulses_per_rev, &window);
        let asked = self.plan.pump.points.speed_rev_per_s;
        let slow = speed.is_none_or(|speed| speed < asked * (1.0 - shaft::SPEED_WITHIN));
        (report.cause == TripCause::NoFlow && slow).then(|| words::trip_too_slow(speed, asked))
    }

    /// The reading behind `cause` as it is now.
    fn reading_now(&self, cause: TripCause) -> Option<Reading> {
        let now = self.now();
        let window = self.recording.window(now.minus_ms(1), now).ok()?;
        let board = self.board.as_ref()?;
        board.reading(cause, window.samples.last()?, &self.plan.pump)
    }

    fn note_board(&mut self, text: String, cause: Option<TripCause>, reading: Option<Reading>) {
        let cause = cause.map(words::cause_word);
        let event = Event { cause, reading, ..Event::new(self.now(), EventKind::Board, text) };
        self.intents.push_back(Intent::Write(Entry::Event(event)));
    }
}
