//! What must hold at every tick, told from what the board heard and what the rig showed, with arithmetic
//! that shares nothing with the board's core. What the board answers is used for one thing only: to know
//! which commands it says to have carried out; that it may do so, or refuse as it does, is judged here.

mod bounds;
mod commands;
mod ends;
mod impossible;
mod refusals;
mod relief;
mod said;
mod session;
mod talk;

use crate::promised::within_ms;
use bounds::Bounds;
use ends::Ends;
use relief::{HOLD_MS, Relief};
use session::Session;
use std::sync::LazyLock;
use stepwell_core::{Outputs, Readings};
use stepwell_protocol::channel::{Channel, Coil};
use stepwell_protocol::guards::{Ceilings, Guards, OnLoss};
use stepwell_protocol::identity::ResetCause;
use stepwell_protocol::message::{Command, TripCause};
use stepwell_protocol::state::State;
use stepwell_protocol::time::Tick;
use talk::Talk;

/// No dwell runs so long after the last renewal, in ms; nothing is energised a little later.
const LEASE_MS: i32 = 450;
const SILENT_MS: i32 = 500;

/// A rail sensor that has read low and moved for so long proves that the hold may end, in ms: 50 of the
/// promise, and a filter's few.
const PROVEN_LOW_MS: u32 = 55;

/// A shaft without a pulse for more than this keeps no valve held any longer, in ms: 500 of the promise, and as long again
/// as the rail must have been low meanwhile.
const STILL_MOST_MS: u32 = 500 + PROVEN_LOW_MS;

/// Pressure that stays is latched within this, in ms: what is promised, and the tick on which the dwell is over, which
/// is the first without it.
static TRAPPED_MS: LazyLock<usize> = LazyLock::new(|| within_ms("PressureTrapped") + 1);

pub(super) struct Witness {
    ceilings: Ceilings,
    /// Whether the board fell over, and has not told so yet.
    fell: bool,
    now: Tick,
    state: State,
    session: Session,
    renewed: Option<Tick>,
    /// The command whose answer is due.
    asked: Option<Command>,
    guards: Option<Guards>,
    armed: bool,
    /// The cause of the trip that is latched.
    tripped: Option<TripCause>,
    ends: Ends,
    talk: Talk,
    /// Greetings and commands heard since the latest tick.
    heard: u8,
    /// Whether something is energised.
    energised: bool,
    driven: bool,
    drive_left_ms: f64,
    /// The drive's rating: longest on, rest that refills, in ms.
    drive: (f64, f64),
    hold_ms: u32,
    /// For how long the rail sensor has been above doubt, and low.
    rail_sane_ms: u32,
    rail_low_ms: u32,
    /// For how long no pulse of the shaft has come.
    still_ms: u32,
    /// Whether one came since the drive last went on: else nobody knows whether the shaft stands still.
    speed_told: bool,
    last_pulses: u16,
    last_rail: u16,
    last_conversions: u16,
    inputs_good: bool,
    bounds: Bounds,
    relief: Relief,
    /// For how long no dwell has run, no trip was latched and the rail was not proven low; nothing before the first
    /// dwell.
    pressed_ms: Option<usize>,
}

impl Witness {
    /// Of a board that has started for this reason.
    pub(super) fn new(ceilings: Ceilings, reset: ResetCause) -> Witness {
        Witness {
            ceilings,
            fell: reset.is_fall(),
            now: Tick(0),
            state: State::Rest,
            session: Session::default(),
            renewed: None,
            asked: None,
            guards: None,
            armed: false,
            tripped: None,
            ends: Ends::default(),
            talk: Talk::default(),
            heard: 0,
            energised: false,
            driven: false,
            drive_left_ms: 0.0,
            drive: (ceilings.drive_on_ms_max.into(), ceilings.drive_rest_ms_min.into()),
            hold_ms: 0,
            rail_sane_ms: 0,
            rail_low_ms: 0,
            still_ms: STILL_MOST_MS,
            speed_told: true,
            last_pulses: 0,
            last_rail: 0,
            last_conversions: 0,
            inputs_good: false,
            bounds: Bounds::default(),
            relief: Relief::new(),
            pressed_ms: None,
        }
    }

    pub(super) fn session(&self) -> Option<u32> {
        self.session.number()
    }

    pub(super) fn guards(&self) -> Option<&Guards> {
        self.guards.as_ref()
    }

    /// The number of the next command, once a session is open.
    pub(super) fn due(&self) -> Option<u16> {
        self.session.number().map(|_| self.session.due())
    }

    fn leased(&self, ms: i32) -> bool {
        self.renewed.is_some_and(|renewed| self.now.ms_since(renewed) < ms)
    }

    /// The state after a frame or a tick.
    pub(super) fn state(&mut self, state: State) {
        if let Some(command) = &self.asked {
            panic!("not answered: {command:?}");
        }
        if self.tripped.is_some() {
            assert!(matches!(state, State::Stopping | State::Tripped), "tripped, and then {state:?}");
        }
        if matches!(state, State::Armed | State::Dwelling) {
            assert!(self.armed, "{state:?} without being armed");
        }
        assert!(state != State::Tripped || self.tripped.is_some(), "tripped, and nobody was told");
        if matches!(state, State::Rest | State::Tripped) {
            self.armed = false;
        }
        self.state = state;
    }

    /// All is over: dwells began and ended as they should.
    pub(super) fn over(&self) {
        self.ends.over();
    }

    /// A tick: what the rig showed, and what was set upon it. [`Self::state`] comes after it.
    pub(super) fn tick(&mut self, readings: &Readings<'_>, outputs: &Outputs, state: State) {
        self.now = self.now.plus_ms(1);
        self.heard = 0;
        let told = !std::mem::take(&mut self.fell) || state == State::Tripped;
        assert!(told, "fallen over, and then {state:?}");
        if self.renewed.is_some_and(|renewed| self.now.ms_since(renewed) == LEASE_MS) {
            self.ends.lease_out();
        }
        self.ends.tick(readings, outputs, state, self.guards.as_ref());
        self.look(readings);
        self.pressed(state);
        if matches!(self.state, State::Dwelling | State::Stopping) && state != State::Dwelling {
            self.holds_on(outputs);
        }
        self.relief.apply(outputs);
        match state {
            State::Dwelling => assert!(self.leased(LEASE_MS), "a dwell without a lease"),
            State::Stopping => self.stops(outputs),
            State::Rest | State::Armed | State::Tripped => {
                assert!(!outputs.energised(), "{state:?}, and energised: {outputs:?}");
            }
        }
        self.hold_ms = if state == State::Stopping { self.hold_ms + 1 } else { 0 };
        self.within_guards(outputs);
        self.speed_told &= outputs.drive_rpm == 0 || self.driven;
        self.driven = outputs.drive_rpm > 0;
        self.drive(self.driven);
        self.energised = outputs.energised();
        let dwelt = self.state == State::Dwelling;
        let said = self.talk.wrong(self.now.0, self.state);
        if let Some(guards) = &self.guards {
            let over = self.bounds.tick(guards, readings, outputs, dwelt, state, said);
            assert!(over.is_none(), "{state:?} still: {over:?}");
        }
    }

    fn look(&mut self, readings: &Readings<'_>) {
        let rail = readings.analog[Channel::RailPressure.index()];
        let live = self.guards.as_ref().is_some_and(|guards| guards.rail_live.contains(rail));
        let low = self.guards.as_ref().is_some_and(|guards| rail <= guards.rail_low);
        let moves = rail != self.last_rail && readings.conversions_taken != self.last_conversions;
        (self.last_rail, self.last_conversions) = (rail, readings.conversions_taken);
        self.rail_sane_ms = if live && moves { self.rail_sane_ms + 1 } else { 0 };
        self.rail_low_ms = if live && low { self.rail_low_ms + 1 } else { 0 };
        let pulse = readings.speed.count != self.last_pulses;
        self.last_pulses = readings.speed.count;
        self.still_ms = if pulse { 0 } else { self.still_ms + 1 };
        self.speed_told |= pulse;
        if let Some(guards) = &self.guards {
            self.relief.look(guards, readings, self.state);
        }
        self.inputs_good = readings.stop_chain_closed && readings.guard_closed && readings.tank_level_ok;
    }

    /// Pressure that stays after a dwell, or comes back, is latched (docs/protocol.md, 11), whether or not it was before.
    fn pressed(&mut self, state: State) {
        let low = self.relief.rail_is_proven_low();
        self.pressed_ms = match state {
            State::Dwelling => Some(0),
            State::Tripped => self.pressed_ms.map(|_| 0),
            _ => self.pressed_ms.map(|ms| if low { 0 } else { ms + 1 }),
        };
        assert!(self.pressed_ms <= Some(*TRAPPED_MS), "pressure stays, and nobody is told: {state:?}");
    }

    /// A coil that must be held is let go for a reason only.
    fn holds_on(&self, outputs: &Outputs) {
        for (coil, guard) in Coil::BOTH.into_iter().zip(self.guards.map_or([None; 2], |guards| guards.coils))
        {
            let held = guard.is_some_and(|guard| guard.on_loss != OnLoss::Falls && guard.relieve_e4 > 0);
            let let_go = held && outputs.duty_e4(coil) == 0;
            assert!(
                !let_go || self.relief.may_let_go(coil, self.hold_ms),
                "{coil:?} was let go after {} ms: {:?}",
                self.hold_ms,
                self.relief
            );
        }
    }

    /// Only the relieving hold is left, and not for longer than it takes.
    fn stops(&self, outputs: &Outputs) {
        assert!(outputs.drive_rpm == 0 && !outputs.supply_on && !outputs.dump_closed, "{outputs:?}");
        if !outputs.energised() {
            return;
        }
        for (coil, guard) in Coil::BOTH.into_iter().zip(self.guards.map_or([None; 2], |guards| guards.coils))
        {
            let hold =
                guard.filter(|guard| guard.on_loss != OnLoss::Falls).map_or(0, |guard| guard.relieve_e4);
            assert!(
                [0, hold].contains(&outputs.duty_e4(coil)),
                "{coil:?} is not where it relieves: {outputs:?}"
            );
        }
        assert!(self.hold_ms < HOLD_MS, "a hold of {} ms", self.hold_ms);
        let told = self.rail_sane_ms > self.hold_ms + 10 && self.speed_told && self.still_ms > STILL_MOST_MS;
        let proven = told && self.rail_low_ms.min(self.hold_ms) > PROVEN_LOW_MS;
        assert!(!proven, "the rail is low, the shaft still, and a valve is held");
        let quiet = told && self.rail_low_ms > PROVEN_LOW_MS;
        assert!(self.leased(SILENT_MS) || !quiet, "energised without a lease");
    }

    fn within_guards(&self, outputs: &Outputs) {
        let Some(guards) = &self.guards else {
            assert!(!outputs.energised(), "energised without guards");
            return;
        };
        assert!(outputs.drive_rpm <= guards.drive_rpm_max, "{outputs:?}");
        for (coil, guard) in Coil::BOTH.into_iter().zip(guards.coils) {
            assert!(outputs.duty_e4(coil) <= guard.map_or(0, |guard| guard.duty_max_e4), "{outputs:?}");
        }
    }

    fn drive(&mut self, on: bool) {
        let (on_max, rest_min) = self.drive;
        self.drive_left_ms =
            if on { self.drive_left_ms - 1.0 } else { self.drive_left_ms + on_max / rest_min };
        self.drive_left_ms = self.drive_left_ms.min(on_max);
        // The sum of forty thousand parts is off by far less.
        assert!(self.drive_left_ms > -1e-6, "the drive turns beyond its rating");
    }
}
