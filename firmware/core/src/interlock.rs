//! The interlock: what the board finds wrong, every tick, in integers.
//!
//! ```text
//!   readings ──► median of 3 ──► present: wrong now ──► lasting: wrong for long enough ──► trip
//!                                    │                                          only in these states
//!                                    └──► asked when arming and when clearing a trip
//! ```
//!
//! | cause               | wrong when                                        | for       | bound   | R | A | D | S |
//! |---------------------|---------------------------------------------------|-----------|---------|---|---|---|---|
//! | `StopChainOpen`     | the chain input is open                           | 5 ms      | 20 ms   |   | x | x | x |
//! | `GuardOpen`         | the guard input is open                           | 20 ms     | 100 ms  |   | x | x | x |
//! | `OverCurrent`       | mean of 5 ms above `current_max`                  | –         | 10 ms   |   | x | x | x |
//! | `CurrentAtZeroDuty` | 0 % for 100 ms, current outside `zero`            | 20 ms     | 50 ms   | x | x | x | x |
//! | `AdcFrozen`         | no conversion since the tick before               | 20 ms     | 50 ms   |   | x | x | x |
//! | `SupplyLow`, `High` | outside `supply`                                  | 50 ms     | 100 ms  |   | x | x | x |
//! | `RailSensorDead`    | outside `rail_live`                               | 10 ms     | 50 ms   |   | x | x | x |
//! | `RailHigh`          | inside `rail_live`, above `rail_max`              | –         | 20 ms   |   | x | x | x |
//! | `RailSensorFrozen`  | the same word as the tick before                  | 200 ms    | 2 s     |   |   | x |   |
//! | `FeedSensorDead`    | outside `feed_live`                               | 10 ms     | 50 ms   |   | x | x | x |
//! | `FluidTemperature`  | outside `fluid`                                   | 500 ms    | 1 s     |   | x | x | x |
//! | `TankLow`           | the level input says low                          | 500 ms    | 1 s     |   | x | x | x |
//! | `CoilOpen`          | ≥ 10 % for 50 ms, mean of 20 ms draws < a tenth   | –         | 50 ms   |   |   | x | x |
//! | `NoFlow`            | flow expected, no pulse for `flow_gap_ms_max`     | –         | that    |   |   | x |   |
//! | `ShaftStillTurning` | drive off, the shaft turns for 5 s, never still   | –         | 5 s     | x | x | x | x |
//! | `PressureTrapped`   | after a dwell, for 10 s the rail not proven low   | –         | 10 s    | x | x |   | x |
//!
//! R, A, D, S: at Rest, Armed, Dwelling, Stopping; in Tripped the causes of Armed are counted. The
//! last two follow a stop to wherever it led. `DriveBudget`, `LeaseLost`, `LinkNoise`,
//! `ForeignSession`, `BadCommand` and `Restarted` come from the board itself. A real rail sensor's word never
//! stands still for 200 ms: the sum of a tick's conversions carries noise.

use crate::causes::Causes;
use crate::filter::{CoilSums, Lasting, Medians};
use crate::shaft::Shaft;
use crate::signals::{Outputs, Readings, analog};
use crate::stop::PROVEN_LOW_MS;
use stepwell_protocol::channel::{Channel, Coil};
use stepwell_protocol::guards::{CoilGuard, Guards};
use stepwell_protocol::identity::ResetCause;
use stepwell_protocol::message::TripCause;
use stepwell_protocol::state::State;

/// For how many ticks in a row each cause must be present. They lie well below the bounds, which
/// run from the fault and not from its first sample. The longer ones sit out what a healthy rig
/// does: contacts bounce, the supply sags when a coil switches, fuel sloshes in the tank.
const MUST_LAST_MS: [(TripCause, u16); 12] = [
    (TripCause::StopChainOpen, 5),
    (TripCause::GuardOpen, 20),
    (TripCause::CurrentAtZeroDuty(Coil::Inlet), 20),
    (TripCause::CurrentAtZeroDuty(Coil::Pressure), 20),
    (TripCause::AdcFrozen, 20),
    (TripCause::SupplyLow, 50),
    (TripCause::SupplyHigh, 50),
    (TripCause::RailSensorDead, 10),
    (TripCause::RailSensorFrozen, 200),
    (TripCause::FeedSensorDead, 10),
    (TripCause::FluidTemperature, 500),
    (TripCause::TankLow, 500),
];

/// What trips as soon as its filter shows it.
const AT_ONCE: Causes = Causes::of(&[
    TripCause::RailHigh,
    TripCause::OverCurrent(Coil::Inlet),
    TripCause::OverCurrent(Coil::Pressure),
]);

/// A coil's current has this long to decay after its duty went to 0 %: five times the time constant
/// of 10 mH in 0.5 Ω, beyond any valve of the trade (common practice, no source).
const DECAY_MS: u16 = 100;

/// A coil must have been driven at [`OPEN_DUTY_E4`] or more for this long before its current tells
/// whether it is open.
const DRIVEN_MS: u16 = 50;
const OPEN_DUTY_E4: u16 = 1_000;

/// Pressure that has not been proven low for so long without a dwell is trapped.
const TRAPPED_MS: u16 = 10_000;

const ARMED: Causes = Causes::of(&[
    TripCause::StopChainOpen,
    TripCause::GuardOpen,
    TripCause::OverCurrent(Coil::Inlet),
    TripCause::OverCurrent(Coil::Pressure),
    TripCause::CurrentAtZeroDuty(Coil::Inlet),
    TripCause::CurrentAtZeroDuty(Coil::Pressure),
    TripCause::AdcFrozen,
    TripCause::SupplyLow,
    TripCause::SupplyHigh,
    TripCause::RailSensorDead,
    TripCause::RailHigh,
    TripCause::FeedSensorDead,
    TripCause::FluidTemperature,
    TripCause::TankLow,
    TripCause::ShaftStillTurning,
    TripCause::PressureTrapped,
    TripCause::LinkNoise,
    TripCause::BadCommand,
]);

const STOPPING: Causes = ARMED.with(Causes::of(&[
    TripCause::CoilOpen(Coil::Inlet),
    TripCause::CoilOpen(Coil::Pressure),
    TripCause::ForeignSession,
]));

const DWELLING: Causes = STOPPING.with(Causes::of(&[
    TripCause::RailSensorFrozen,
    TripCause::NoFlow,
    TripCause::DriveBudget,
    TripCause::LeaseLost,
]));

const REST: Causes = Causes::of(&[
    TripCause::CurrentAtZeroDuty(Coil::Inlet),
    TripCause::CurrentAtZeroDuty(Coil::Pressure),
    TripCause::ShaftStillTurning,
    TripCause::PressureTrapped,
    TripCause::Restarted(ResetCause::Watchdog),
    TripCause::Restarted(ResetCause::BrownOut),
    TripCause::Restarted(ResetCause::Fault),
]);

/// The causes that trip in this state.
pub(crate) const fn applies(state: State) -> Causes {
    match state {
        State::Rest => REST,
        State::Armed | State::Tripped => ARMED,
        State::Dwelling => DWELLING,
        State::Stopping => STOPPING,
    }
}

/// What the board was doing while the readings were taken.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Doing<'a> {
    pub(crate) state: State,
    pub(crate) applied: &'a Outputs,
    pub(crate) expects_flow: bool,
    pub(crate) guards: Option<&'a Guards>,
}

/// One coil, watched.
#[derive(Debug)]
struct CoilWatch {
    sums: CoilSums,
    idle: Lasting,
    driven: Lasting,
}

impl CoilWatch {
    const NEW: CoilWatch = CoilWatch { sums: CoilSums::EMPTY, idle: Lasting::NONE, driven: Lasting::NONE };

    fn take(&mut self, current: u16, duty_e4: u16) {
        self.sums.take(current, duty_e4);
        self.idle.tick(duty_e4 == 0);
        self.driven.tick(duty_e4 >= OPEN_DUTY_E4);
    }

    fn open(&self, guard: &CoilGuard) -> bool {
        self.driven.ms() >= DRIVEN_MS && self.sums.draws_less_than_a_tenth(guard.zero.high, guard.full_duty)
    }
}

/// The interlock's memory.
#[derive(Debug)]
pub(crate) struct Interlock {
    medians: Medians,
    stop_chain_closed: bool,
    guard_closed: bool,
    tank_level_ok: bool,
    last_rail: u16,
    rail_stands: bool,
    rail_low: Lasting,
    last_conversions: u16,
    adc_stands: bool,
    last_flow: u16,
    dry: Lasting,
    shaft: Shaft,
    coils: [CoilWatch; 2],
    lasting: [Lasting; MUST_LAST_MS.len()],
    /// Since the last dwell ended or the rail was last proven low; `None` while a dwell runs, before the first,
    /// and once pressure was found trapped, until that trip is cleared.
    stopped_ms: Option<u16>,
}

impl Interlock {
    pub(crate) const NEW: Interlock = Interlock {
        medians: Medians::EMPTY,
        stop_chain_closed: false,
        guard_closed: false,
        tank_level_ok: false,
        last_rail: 0,
        rail_stands: false,
        rail_low: Lasting::NONE,
        last_conversions: 0,
        adc_stands: true,
        last_flow: 0,
        dry: Lasting::NONE,
        shaft: Shaft::STILL,
        coils: [CoilWatch::NEW; 2],
        lasting: [Lasting::NONE; MUST_LAST_MS.len()],
        stopped_ms: None,
    };

    /// Takes one tick's readings and returns what has been wrong for long enough to trip.
    pub(crate) fn look(&mut self, readings: &Readings<'_>, doing: Doing<'_>) -> Causes {
        self.remember(readings, &doing);
        let Some(guards) = doing.guards else { return Causes::NONE };
        let rail = analog(self.medians.now(), Channel::RailPressure);
        self.rail_low.tick(is_low(guards, rail));

        let mut present = self.present(guards);
        // At any pressure: a sensor stuck at zero would hide the highest.
        present.put(TripCause::RailSensorFrozen, doing.state == State::Dwelling && self.rail_stands);
        let mut found = self.lasting(present.without(self.still_decaying()));

        found = found.with(present.only(AT_ONCE));
        found.put(TripCause::NoFlow, self.dry.ms() > guards.flow_gap_ms_max);
        for ((coil, watch), guard) in Coil::BOTH.into_iter().zip(&self.coils).zip(&guards.coils) {
            found.put(TripCause::CoilOpen(coil), guard.is_some_and(|guard| watch.open(&guard)));
        }
        found.put(TripCause::ShaftStillTurning, self.shaft.turns_on());
        found.put(TripCause::PressureTrapped, self.trapped());
        found
    }

    /// What is wrong now under these guards, as far as it can be told without a dwell.
    pub(crate) fn present(&self, guards: &Guards) -> Causes {
        let now = self.medians.now();
        let rail = analog(now, Channel::RailPressure);
        let feed = analog(now, Channel::FeedPressure);
        let supply = analog(now, Channel::SupplyVoltage);
        let live = guards.rail_live.contains(rail);
        let mut found = Causes::NONE;
        found.put(TripCause::StopChainOpen, !self.stop_chain_closed);
        found.put(TripCause::GuardOpen, !self.guard_closed);
        found.put(TripCause::TankLow, !self.tank_level_ok);
        found.put(TripCause::AdcFrozen, self.adc_stands);
        found.put(TripCause::SupplyLow, supply < guards.supply.low);
        found.put(TripCause::SupplyHigh, supply > guards.supply.high);
        found.put(TripCause::RailSensorDead, !live);
        found.put(TripCause::RailHigh, live && rail > guards.rail_max);
        found.put(TripCause::RailNotZero, !guards.rail_zero.contains(rail));
        found.put(TripCause::PressureTrapped, !is_low(guards, rail));
        found.put(TripCause::FeedSensorDead, guards.feed_live.is_some_and(|band| !band.contains(feed)));
        let fluid = analog(now, Channel::FluidTemperature);
        found.put(TripCause::FluidTemperature, !guards.fluid.contains(fluid));
        found.put(TripCause::ShaftStillTurning, self.shaft.turning());
        for ((coil, watch), guard) in Coil::BOTH.into_iter().zip(&self.coils).zip(&guards.coils) {
            let Some(guard) = guard else { continue };
            let at_zero = guard.zero.contains(analog(now, coil.current()));
            found.put(TripCause::CurrentAtZeroDuty(coil), watch.idle.ms() > 0 && !at_zero);
            found.put(TripCause::OverCurrent(coil), watch.sums.period_mean_above(guard.current_max));
        }
        found
    }

    /// A dwell has started: pressure is wanted.
    pub(crate) fn dwell_started(&mut self) {
        self.stopped_ms = None;
    }

    /// The last dwell has ended, or pressure that was trapped is gone: from now on it must go, and stay away.
    pub(crate) fn pressure_must_go(&mut self) {
        self.stopped_ms = Some(0);
    }

    /// Whether the rail is low at this tick, and nothing can fill it again: a coasting pump would.
    pub(crate) fn rail_is_relieved(&self, guards: &Guards) -> bool {
        is_low(guards, analog(self.medians.now(), Channel::RailPressure)) && !self.shaft.delivers()
    }

    /// Whether the rail has been low for a while.
    pub(crate) const fn rail_proven_low(&self) -> bool {
        self.rail_low.ms() > PROVEN_LOW_MS
    }

    pub(crate) const fn shaft_turning(&self) -> bool {
        self.shaft.turning()
    }

    /// Adds one tick to what must be remembered from tick to tick.
    fn remember(&mut self, readings: &Readings<'_>, doing: &Doing<'_>) {
        self.medians.take(&readings.analog);
        self.stop_chain_closed = readings.stop_chain_closed;
        self.guard_closed = readings.guard_closed;
        self.tank_level_ok = readings.tank_level_ok;
        let rail = analog(&readings.analog, Channel::RailPressure);
        self.rail_stands = core::mem::replace(&mut self.last_rail, rail) == rail;
        let conversions = readings.conversions_taken;
        self.adc_stands = core::mem::replace(&mut self.last_conversions, conversions) == conversions;
        let no_pulse = core::mem::replace(&mut self.last_flow, readings.flow.count) == readings.flow.count;
        self.dry.tick(doing.expects_flow && no_pulse);
        self.shaft.take(readings.speed.count, doing.applied.drive_rpm > 0);
        for (coil, watch) in Coil::BOTH.into_iter().zip(&mut self.coils) {
            watch.take(analog(self.medians.now(), coil.current()), doing.applied.duty_e4(coil));
        }
        self.stopped_ms = self.stopped_ms.map(|ms| ms.saturating_add(1));
    }

    /// Coils whose current may still be dying away.
    fn still_decaying(&self) -> Causes {
        let mut decaying = Causes::NONE;
        for (coil, watch) in Coil::BOTH.into_iter().zip(&self.coils) {
            decaying.put(TripCause::CurrentAtZeroDuty(coil), watch.idle.ms() <= DECAY_MS);
        }
        decaying
    }

    /// Of what must last, what has lasted.
    fn lasting(&mut self, present: Causes) -> Causes {
        let mut found = Causes::NONE;
        for (&(cause, must_last_ms), lasting) in MUST_LAST_MS.iter().zip(&mut self.lasting) {
            found.put(cause, lasting.tick(present.has(cause)) >= must_last_ms);
        }
        found
    }

    /// Whether pressure has outstayed the stop; told once.
    fn trapped(&mut self) -> bool {
        if self.rail_proven_low() {
            // It may rise again: a valve let go, a pump that coasts.
            self.stopped_ms = self.stopped_ms.map(|_| 0);
        }
        let trapped = self.stopped_ms.is_some_and(|ms| ms >= TRAPPED_MS);
        if trapped {
            self.stopped_ms = None;
        }
        trapped
    }
}

/// Whether this pressure is low, as far as a sensor can tell that is alive.
fn is_low(guards: &Guards, rail: u16) -> bool {
    guards.rail_live.contains(rail) && rail <= guards.rail_low
}
