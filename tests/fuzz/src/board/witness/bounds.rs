//! For how long something has been wrong without a break, as the rig showed it and the line said it, and for how long
//! it may before the board is latched. The bounds, and the states in which each holds, are those that chapter 11 of
//! docs/protocol.md promises for each cause of a trip; they run from the fault, and lie well above the board's own filters.
//!
//! Of the causes of that chapter that end a dwell, three are judged elsewhere: `LeaseLost` and `NoFlow` with the dwells
//! ([`super::ends`]), `DriveBudget` by the account of the drive. `RailNotZero`, `PressureTrapped` and `Restarted` end
//! none; the latter two, which must be latched without one, [`super::Witness`] judges itself.

use crate::promised::{watched, within_ms};
use std::collections::VecDeque;
use std::sync::LazyLock;
use stepwell_core::{Outputs, Readings};
use stepwell_protocol::channel::{Channel, Coil};
use stepwell_protocol::guards::Guards;
use stepwell_protocol::state::State;

/// What may be wrong, the cause of the trip, and what is added to the promise, in ms.
const WRONG: [(&str, &str, u32); 21] = [
    ("the stop chain is open", "StopChainOpen", 0),
    ("the guard is open", "GuardOpen", 0),
    ("the tank is low", "TankLow", 0),
    ("the converter stands still", "AdcFrozen", 0),
    ("supply too low", "SupplyLow", 0),
    ("supply too high", "SupplyHigh", 0),
    ("the rail sensor is dead", "RailSensorDead", 0),
    ("the rail is too high", "RailHigh", 0),
    ("the rail sensor stands still", "RailSensorFrozen", 0),
    ("the feed sensor is dead", "FeedSensorDead", 0),
    ("the fluid is too hot or too cold", "FluidTemperature", 0),
    ("over-current of the inlet coil", "OverCurrent", 0),
    ("over-current of the pressure coil", "OverCurrent", 0),
    // 100 for the current to die away.
    ("current in the idle inlet coil", "CurrentAtZeroDuty", 100),
    ("current in the idle pressure coil", "CurrentAtZeroDuty", 100),
    // A current that has just been switched on tells nothing: as long again.
    ("no current in the driven inlet coil", "CoilOpen", 50),
    ("no current in the driven pressure coil", "CoilOpen", 50),
    // The next pulse must come before it is known that the shaft still turns.
    ("the shaft turns without its drive", "ShaftStillTurning", TURNS_MS),
    ("broken frames", "LinkNoise", 0),
    ("a second host", "ForeignSession", 0),
    ("an impossible dwell", "BadCommand", 0),
];

static BOUNDS_MS: LazyLock<[u32; WRONG.len()]> =
    LazyLock::new(|| WRONG.map(|(_, cause, added_ms)| within_ms(cause) as u32 + added_ms));

/// In which states each is watched, by their letters on the page.
static WATCHED: LazyLock<[String; WRONG.len()]> = LazyLock::new(|| WRONG.map(|(_, cause, _)| watched(cause)));

/// A shaft turns for so long after a pulse, in ms.
const TURNS_MS: u32 = 2_000;

/// A coil that is driven at this duty or more must draw something.
const DRIVEN_E4: u16 = 1_000;

/// What is due is due for the least duty of so many ticks: a mean may reach back so far.
const MEAN_MS: usize = 50;

#[derive(Debug, Default)]
pub(super) struct Bounds {
    wrong_ms: [u32; WRONG.len()],
    last_conversions: u16,
    last_rail: u16,
    last_pulses: u16,
    /// For how long the shaft may have turned since its latest pulse, in ms; nothing before the first.
    turns_ms: u32,
    idle_ms: [u32; 2],
    /// What was set while the latest readings were taken, the newest last.
    applied: VecDeque<Outputs>,
}

impl Bounds {
    /// One tick, at which `said` was wrong with what is said. What has been wrong for too long for a board that comes to
    /// `state` with it. A stop that is under way may be one for this very cause already.
    pub(super) fn tick(
        &mut self,
        guards: &Guards,
        readings: &Readings<'_>,
        outputs: &Outputs,
        dwelt: bool,
        state: State,
        said: [bool; 3],
    ) -> Option<&'static str> {
        let reads = |channel: Channel| readings.analog[channel.index()];
        let (rail, supply) = (reads(Channel::RailPressure), reads(Channel::SupplyVoltage));
        let coils = Coil::BOTH.map(|coil| (guards.coils[coil.index()], reads(coil.current())));
        let applied = self.applied.back().copied().unwrap_or(Outputs::REST);
        for (idle_ms, coil) in self.idle_ms.iter_mut().zip(Coil::BOTH) {
            *idle_ms = if applied.duty_e4(coil) == 0 { *idle_ms + 1 } else { 0 };
        }
        let over = coils.map(|(guard, current)| guard.is_some_and(|guard| current > guard.current_max));
        let idle = |coil: Coil| {
            let (guard, current) = coils[coil.index()];
            self.idle_ms[coil.index()] > 0 && guard.is_some_and(|guard| !guard.zero.contains(current))
        };
        let open = |coil: Coil| {
            let (guard, current) = coils[coil.index()];
            let least_e4 = self.applied.iter().map(|outputs| outputs.duty_e4(coil)).min().unwrap_or(0);
            let tenth = |full_duty: u16| u64::from(full_duty) * u64::from(least_e4) / 100_000;
            // Whatever its zero is, it shows less than a tenth.
            least_e4 >= DRIVEN_E4
                && guard.is_some_and(|guard| {
                    u64::from(current) < u64::from(guard.zero.low) + tenth(guard.full_duty)
                })
        };
        let pulse = readings.speed.count != self.last_pulses;
        self.turns_ms = if pulse { TURNS_MS } else { self.turns_ms.saturating_sub(1) };
        let wrong = [
            !readings.stop_chain_closed,
            !readings.guard_closed,
            !readings.tank_level_ok,
            readings.conversions_taken == self.last_conversions,
            supply < guards.supply.low,
            supply > guards.supply.high,
            !guards.rail_live.contains(rail),
            guards.rail_live.contains(rail) && rail > guards.rail_max,
            dwelt && rail == self.last_rail,
            guards.feed_live.is_some_and(|band| !band.contains(reads(Channel::FeedPressure))),
            !guards.fluid.contains(reads(Channel::FluidTemperature)),
            over[0],
            over[1],
            idle(Coil::Inlet),
            idle(Coil::Pressure),
            open(Coil::Inlet),
            open(Coil::Pressure),
            applied.drive_rpm == 0 && self.turns_ms > 0,
            said[0],
            said[1],
            said[2],
        ];
        (self.last_conversions, self.last_rail) = (readings.conversions_taken, rail);
        self.last_pulses = readings.speed.count;
        self.applied.push_back(*outputs);
        if self.applied.len() > MEAN_MS {
            self.applied.pop_front();
        }
        let letter = match state {
            State::Rest => 'R',
            State::Armed => 'A',
            State::Dwelling => 'D',
            State::Stopping | State::Tripped => '-',
        };
        let mut found = None;
        let bounds = WRONG.iter().zip(&*BOUNDS_MS).zip(&*WATCHED);
        for ((wrong_ms, wrong), (((what, ..), bound_ms), watched)) in
            self.wrong_ms.iter_mut().zip(wrong).zip(bounds)
        {
            *wrong_ms = if wrong { *wrong_ms + 1 } else { 0 };
            found = found.or((*wrong_ms > *bound_ms && watched.contains(letter)).then_some(*what));
        }
        found
    }
}
