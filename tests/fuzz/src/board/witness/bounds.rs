//! For how long something has been wrong without a break, as the rig showed it, and for how long it may
//! before no dwell runs any more. The bounds are those promised for each cause of a trip; they run from the
//! fault, and lie well above the board's own filters.

use stepwell_core::{Outputs, Readings};
use stepwell_protocol::channel::{Channel, Coil};
use stepwell_protocol::guards::Guards;

/// What may be wrong, and for how many ms at most.
const BOUNDS: [(&str, u32); 15] = [
    ("the stop chain is open", 20),
    ("the guard is open", 100),
    ("the tank is low", 1_000),
    ("the converter stands still", 50),
    ("supply too low", 100),
    ("supply too high", 100),
    ("the rail sensor is dead", 50),
    ("the rail is too high", 20),
    ("the rail sensor stands still", 2_000),
    ("the feed sensor is dead", 50),
    ("the fluid is too hot or too cold", 1_000),
    ("over-current of the inlet coil", 10),
    ("over-current of the pressure coil", 10),
    // 100 for the current to die away, and 50.
    ("current in the idle inlet coil", 150),
    ("current in the idle pressure coil", 150),
];

#[derive(Debug, Default)]
pub(super) struct Bounds {
    wrong_ms: [u32; BOUNDS.len()],
    last_conversions: u16,
    last_rail: u16,
    /// What was set while the readings were taken.
    idle_ms: [u32; 2],
    duty_e4: [u16; 2],
}

impl Bounds {
    /// One tick. What has been wrong for too long.
    pub(super) fn tick(
        &mut self,
        guards: &Guards,
        readings: &Readings<'_>,
        outputs: &Outputs,
        dwelt: bool,
    ) -> Option<&'static str> {
        let reads = |channel: Channel| readings.analog[channel.index()];
        let (rail, supply) = (reads(Channel::RailPressure), reads(Channel::SupplyVoltage));
        let coils = Coil::BOTH.map(|coil| (guards.coils[coil.index()], reads(coil.current())));
        for (idle_ms, duty_e4) in self.idle_ms.iter_mut().zip(self.duty_e4) {
            *idle_ms = if duty_e4 == 0 { *idle_ms + 1 } else { 0 };
        }
        let over = coils.map(|(guard, current)| guard.is_some_and(|guard| current > guard.current_max));
        let idle = |coil: Coil| {
            let (guard, current) = coils[coil.index()];
            self.idle_ms[coil.index()] > 0 && guard.is_some_and(|guard| !guard.zero.contains(current))
        };
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
        ];
        (self.last_conversions, self.last_rail) = (readings.conversions_taken, rail);
        self.duty_e4 = [outputs.inlet_duty_e4, outputs.pressure_duty_e4];
        let mut found = None;
        for ((wrong_ms, wrong), (what, bound_ms)) in self.wrong_ms.iter_mut().zip(wrong).zip(BOUNDS) {
            *wrong_ms = if wrong { *wrong_ms + 1 } else { 0 };
            found = found.or((*wrong_ms > bound_ms).then_some(what));
        }
        found
    }
}
