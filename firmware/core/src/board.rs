//! The board: one structure, and its tick on one page.
//!
//! ```text
//!   bytes ──► receive ──► commands ─┐
//!                                   ▼
//!   readings ──► read ──► check ──► advance ──► write ──► outputs
//!                                                 └─────► pack ──► transmit ──► bytes
//! ```

use crate::burst::Burst;
use crate::causes::Causes;
use crate::facts::BoardFacts;
use crate::handwork::HandWaiting;
use crate::interlock::{Doing, Interlock, applies};
use crate::lease::Lease;
use crate::link::Link;
use crate::outbox::Outbox;
use crate::runner::Runner;
use crate::session::Session;
use crate::signals::{Outputs, Readings, sample};
use crate::stop::StagedStop;
use crate::telemetry::Telemetry;
use crate::trip::Latch;
use stepwell_protocol::LEFT_ALONE_MS;
use stepwell_protocol::budget::DriveBudget;
use stepwell_protocol::channel::{Coil, Sample};
use stepwell_protocol::dwell::{DwellEnd, DwellReport};
use stepwell_protocol::guards::Guards;
use stepwell_protocol::message::{FromBoard, TripCause};
use stepwell_protocol::state::{State, Status};
use stepwell_protocol::time::Tick;

/// Causes after which the rail sensor proves nothing.
const RAIL_UNTRUSTED: Causes =
    Causes::of(&[TripCause::RailSensorDead, TripCause::RailSensorFrozen, TripCause::AdcFrozen]);

/// The whole behaviour of the board.
#[derive(Debug)]
pub struct Board {
    pub(crate) facts: BoardFacts,
    pub(crate) now: Tick,
    pub(crate) state: State,
    /// What was set at `now`.
    pub(crate) outputs: Outputs,
    pub(crate) guards: Option<Guards>,
    pub(crate) budget: DriveBudget,
    pub(crate) link: Link,
    pub(crate) session: Session,
    pub(crate) lease: Lease,
    /// When the latest new command came, or the board came to the state that it is in.
    pub(crate) asked: Tick,
    /// Causes found between two ticks, while receiving.
    pub(crate) events: Causes,
    pub(crate) interlock: Interlock,
    pub(crate) latch: Latch,
    pub(crate) runner: Runner,
    pub(crate) stopping: StagedStop,
    pub(crate) burst: Burst,
    pub(crate) hand_work: HandWaiting,
    pub(crate) telemetry: Telemetry,
    pub(crate) outbox: Outbox,
    /// Causes that are not seen.
    #[cfg(feature = "blindable")]
    pub(crate) unseen: Causes,
}

impl Board {
    /// A board that has just started: at rest, without guards or session, with nothing in the
    /// drive's account, because nobody knows what the drive did before. When it fell over
    /// ([`stepwell_protocol::identity::ResetCause::is_fall`]), the first tick trips with that cause.
    #[must_use]
    pub fn new(facts: BoardFacts) -> Board {
        let ceilings = &facts.ceilings;
        let mut events = Causes::NONE;
        if facts.reset.is_fall() {
            events.put(TripCause::Restarted(facts.reset), true);
        }
        Board {
            facts,
            now: Tick(0),
            state: State::Rest,
            outputs: Outputs::REST,
            guards: None,
            budget: DriveBudget::empty(ceilings.drive_on_ms_max, ceilings.drive_rest_ms_min),
            link: Link::new(),
            session: Session::NONE,
            lease: Lease::NONE,
            asked: Tick(0),
            events,
            interlock: Interlock::NEW,
            latch: Latch::OPEN,
            runner: Runner::IDLE,
            stopping: StagedStop::NONE,
            burst: Burst::EMPTY,
            hand_work: HandWaiting::NONE,
            telemetry: Telemetry::EMPTY,
            outbox: Outbox::EMPTY,
            #[cfg(feature = "blindable")]
            unseen: Causes::NONE,
        }
    }

    /// Takes bytes from the line: any bytes, split anywhere.
    ///
    /// Whole frames are handled here, and answered when bytes are next taken; what they change shows in
    /// the outputs of the next tick. The work is proportional to the bytes, except that no more than
    /// [`crate::ANSWERS_PER_TICK_MAX`] greetings and commands are handled between two ticks. Stops
    /// and renewals are always handled.
    pub fn receive(&mut self, bytes: &[u8]) {
        let mut bytes = bytes;
        while let Some(message) = self.link.next_message(&mut bytes) {
            self.handle(&message);
        }
    }

    /// One millisecond: `now_us` is the board's microsecond clock at which `readings` were taken.
    /// Returns what is to be set until the next tick. The first call is tick 1.
    pub fn tick(&mut self, now_us: u64, readings: &Readings<'_>) -> Outputs {
        self.now = self.next_tick();
        self.session.tick();
        self.link.tick();
        self.lease.expire(self.now);
        let causes = self.read(readings);

        self.trip(causes, readings);
        self.let_lapse();
        self.advance(readings);
        self.outputs = self.set();
        self.budget.tick(self.outputs.drive_rpm > 0);

        self.telemetry.work(&mut self.outbox);
        self.telemetry.record(self.now, now_us, self.row(readings));
        self.outputs
    }

    /// Takes bytes for the line; returns how many of `out` are filled. Frames may be split between
    /// two calls.
    pub fn transmit(&mut self, out: &mut [u8]) -> usize {
        self.outbox.take(out)
    }

    /// What the board is doing.
    #[must_use]
    pub const fn state(&self) -> State {
        self.state
    }

    /// The tick that the latest call of [`Board::tick`] was; 0 before the first.
    #[must_use]
    pub const fn now(&self) -> Tick {
        self.now
    }

    pub(crate) const fn next_tick(&self) -> Tick {
        self.now.plus_ms(1)
    }

    /// Read and check: what is wrong, of what matters in this state.
    fn read(&mut self, readings: &Readings<'_>) -> Causes {
        self.burst.take(readings.burst);
        let doing = Doing {
            state: self.state,
            applied: &self.outputs,
            expects_flow: self.runner.expects_flow(),
            guards: self.guards.as_ref(),
        };
        let mut causes = self.interlock.look(readings, doing);
        causes = causes.with(core::mem::replace(&mut self.events, Causes::NONE));
        causes.put(TripCause::LeaseLost, !self.lease.alive());
        causes.put(TripCause::LinkNoise, self.link.noisy());
        causes.only(applies(self.state))
    }

    /// Latches causes. The first ones start the staged stop; every one of them may change it.
    fn trip(&mut self, causes: Causes, readings: &Readings<'_>) {
        #[cfg(feature = "blindable")]
        let causes = causes.without(self.unseen);
        if causes.is_empty() {
            return;
        }
        if self.latch.add(causes, self.now, self.row(readings)) {
            if let Some(report) = self.latch.report() {
                self.outbox.send(&FromBoard::Tripped(report));
            }
            self.stop(State::Tripped, DwellEnd::Tripped, self.now);
        }
        if !causes.only(RAIL_UNTRUSTED).is_empty() {
            self.stopping.distrust_rail();
        }
        for coil in Coil::BOTH {
            if causes.has(TripCause::OverCurrent(coil)) || causes.has(TripCause::CurrentAtZeroDuty(coil)) {
                self.stopping.let_go(coil);
            }
        }
    }

    /// Without a lease, or left alone, the board does not stay armed. (A dwell without a lease is a
    /// trip.)
    fn let_lapse(&mut self) {
        let alone = !self.runner.waiting() && self.now.ms_since(self.asked) >= LEFT_ALONE_MS as i32;
        let lapses = match self.state {
            State::Armed => alone || !self.lease.alive(),
            State::Stopping => !self.lease.alive(),
            _ => false,
        };
        if lapses {
            self.stop(State::Rest, DwellEnd::Stopped, self.now);
        }
    }

    /// Lets the dwells and the staged stop go on by one tick.
    fn advance(&mut self, readings: &Readings<'_>) {
        if self.state == State::Stopping {
            let relieved = self.guards.as_ref().is_some_and(|guards| self.interlock.rail_is_relieved(guards));
            if self.stopping.tick(self.now, relieved) {
                self.arrive(self.stopping.leads_to());
            }
        }
        let step = self.runner.tick(self.now, &readings.analog);
        if let Some(report) = step.ended {
            self.outbox.send(&FromBoard::DwellEnded(report));
        }
        if let Some((serial, burst)) = step.started {
            self.state = State::Dwelling;
            self.interlock.dwell_started();
            if let Some(coil) = burst {
                self.burst.start(serial, coil);
            }
        } else if step.ended.is_some() {
            self.begin_stop(State::Armed, self.now);
        }
        if self.runner.drives() && self.budget.left_ms() == 0 {
            self.trip(Causes::of(&[TripCause::DriveBudget]), readings);
        }
    }

    /// Goes where the stop leads, through the staged stop if anything is energised. `at` is the
    /// first tick without the dwell.
    pub(crate) fn stop(&mut self, leads_to: State, end: DwellEnd, at: Tick) {
        let ended: Option<DwellReport> = self.runner.abandon(end, at);
        if let Some(report) = ended {
            self.outbox.send(&FromBoard::DwellEnded(report));
        }
        match self.state {
            State::Dwelling => self.begin_stop(leads_to, at),
            State::Stopping => self.stopping.lead_to(leads_to),
            State::Armed => self.arrive(leads_to),
            State::Rest if leads_to == State::Tripped => self.arrive(leads_to),
            State::Rest | State::Tripped => {}
        }
    }

    fn begin_stop(&mut self, leads_to: State, at: Tick) {
        self.interlock.pressure_must_go();
        self.stopping = StagedStop::begin(self.guards.as_ref(), leads_to, at);
        self.state = State::Stopping;
    }

    fn arrive(&mut self, state: State) {
        self.state = state;
        self.asked = self.now;
    }

    /// Write.
    fn set(&mut self) -> Outputs {
        let energised = match self.state {
            State::Dwelling => self.runner.outputs(self.now),
            State::Stopping => self.stopping.outputs(),
            State::Rest | State::Armed | State::Tripped => Outputs::REST,
        };
        Outputs { burst: self.burst.wants(), hand_work: self.hand_work.due(self.now), ..energised }
    }

    /// The row of telemetry for these readings and what is set.
    fn row(&self, readings: &Readings<'_>) -> Sample {
        let status = Status {
            state: self.state,
            drive_on: self.outputs.drive_rpm > 0,
            supply_on: self.outputs.supply_on,
            dump_closed: self.outputs.dump_closed,
            stop_chain_closed: readings.stop_chain_closed,
            guard_closed: readings.guard_closed,
            tank_level_ok: readings.tank_level_ok,
            lease_alive: self.lease.alive(),
            shaft_turning: self.interlock.shaft_turning(),
            rail_proven_low: self.interlock.rail_proven_low(),
            burst_ready: self.burst.ready(),
            guards_set: self.guards.is_some(),
        };
        sample(readings, &self.outputs, status)
    }
}
