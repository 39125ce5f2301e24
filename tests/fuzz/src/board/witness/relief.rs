//! Whether a coil that must be held in a staged stop may be let go: told from what the rig showed, by the promise of
//! docs/protocol.md (6.1 and 7) and the findings of its chapter 11.

use std::collections::VecDeque;
use stepwell_core::{Outputs, Readings};
use stepwell_protocol::channel::{Channel, Coil};
use stepwell_protocol::guards::Guards;
use stepwell_protocol::state::State;

/// The longest hold, in ms.
pub(super) const HOLD_MS: u32 = 5_000;

/// The rail must have been low for more than this, in ms.
const LOW_MS: u32 = 50;

/// Before a shaft has been without a pulse for so long no valve is let go for it, in ms; a driven one has a dead sensor.
const STILL_LEAST_MS: u32 = 500;

/// Doubt of the rail: outside its live band for 10 ms, no conversion for 20 ms, the same word for 200 ms of a dwell;
/// each a few ms later, for the filter.
const DOUBTS_MS: [u32; 3] = [10 + 5, 20 + 5, 200 + 5];

/// A coil's current is gone so long after its duty, in ms.
const DECAY_MS: u32 = 100;

/// What lets a coil go is found within this, in ms.
const FOUND_MS: u32 = 50;

/// What the rig has shown so far.
#[derive(Debug)]
pub(super) struct Relief {
    rails: VecDeque<u16>,
    low_ms: u32,
    still_ms: u32,
    /// Driven without a pulse, and none came since.
    dead: bool,
    doubts_ms: [u32; 3],
    doubted: bool,
    idle_ms: [u32; 2],
    /// Since a coil last showed what lets it go.
    reason_ms: [u32; 2],
    let_go: [bool; 2],
    last: (u16, u16, u16),
    applied: Outputs,
}

impl Relief {
    pub(super) fn new() -> Relief {
        Relief {
            rails: VecDeque::new(),
            low_ms: 0,
            still_ms: STILL_LEAST_MS,
            dead: false,
            doubts_ms: [0; 3],
            doubted: false,
            // Nothing was ever driven.
            idle_ms: [u32::MAX; 2],
            reason_ms: [u32::MAX; 2],
            let_go: [false; 2],
            last: (0, 0, 0),
            applied: Outputs::REST,
        }
    }

    /// What the rig shows at a tick to which the board came in `state`.
    pub(super) fn look(&mut self, guards: &Guards, readings: &Readings<'_>, state: State) {
        let rail = readings.analog[Channel::RailPressure.index()];
        self.rails.push_back(rail);
        if self.rails.len() > 3 {
            self.rails.pop_front();
        }
        let mut sorted: Vec<u16> = self.rails.iter().copied().collect();
        sorted.sort_unstable();
        let median = sorted[sorted.len() / 2];
        self.low_ms = count(self.low_ms, guards.rail_live.contains(median) && median <= guards.rail_low);

        let now = (rail, readings.conversions_taken, readings.speed.count);
        let last = std::mem::replace(&mut self.last, now);
        let pulse = now.2 != last.2;
        self.still_ms = count(self.still_ms, !pulse);
        let driven = self.applied.drive_rpm > 0;
        self.dead = !pulse && (self.dead || (driven && self.still_ms > STILL_LEAST_MS));

        let energised = matches!(state, State::Dwelling | State::Stopping);
        let doubtful = [
            energised && !guards.rail_live.contains(rail),
            energised && now.1 == last.1,
            state == State::Dwelling && now.0 == last.0,
        ];
        for ((ms, doubtful), most) in self.doubts_ms.iter_mut().zip(doubtful).zip(DOUBTS_MS) {
            *ms = count(*ms, doubtful);
            self.doubted |= *ms > most;
        }
        self.doubted &= energised;

        for (coil, guard) in Coil::BOTH.into_iter().zip(&guards.coils) {
            let (index, shown) = (coil.index(), readings.analog[coil.current().index()]);
            self.idle_ms[index] = count(self.idle_ms[index], self.applied.duty_e4(coil) == 0);
            let shows = guard.is_some_and(|guard| {
                shown > guard.current_max || (self.idle_ms[index] > DECAY_MS && !guard.zero.contains(shown))
            });
            self.reason_ms[index] = count(self.reason_ms[index], !shows);
            let lately = self.reason_ms[index] <= FOUND_MS;
            self.let_go[index] = lately || (state == State::Stopping && self.let_go[index]);
        }
    }

    /// What is set until the next tick.
    pub(super) fn apply(&mut self, outputs: &Outputs) {
        self.applied = *outputs;
    }

    /// Whether the rail has been low for long enough, whatever its sensor is worth.
    pub(super) fn rail_is_proven_low(&self) -> bool {
        self.low_ms > LOW_MS
    }

    /// Whether this coil may be at rest in a stop that has held for `hold_ms`.
    pub(super) fn may_let_go(&self, coil: Coil, hold_ms: u32) -> bool {
        let relieved =
            self.rail_is_proven_low() && self.still_ms >= STILL_LEAST_MS && !self.dead && !self.doubted;
        hold_ms >= HOLD_MS || relieved || self.let_go[coil.index()]
    }
}

/// One more, or none.
fn count(ms: u32, goes_on: bool) -> u32 {
    if goes_on { ms.saturating_add(1) } else { 0 }
}

#[cfg(test)]
mod tests {
    use super::super::super::script::GuardWish;
    use super::{HOLD_MS, Relief};
    use arbitrary::{Arbitrary, Unstructured};
    use stepwell_core::{Outputs, Pulses, Readings};
    use stepwell_protocol::channel::{ANALOG_CHANNELS, Channel, Coil};
    use stepwell_protocol::guards::Guards;
    use stepwell_protocol::state::State;

    /// A rig in a stop, and what somebody makes of it.
    struct Stop {
        guards: Guards,
        relief: Relief,
        tick: u16,
        rail: u16,
        current: u16,
        pulses: u16,
    }

    impl Stop {
        /// Just after a drive that turned as its pulses said, with the rail low.
        fn after_turning() -> Stop {
            let mut stop = Stop::at_rest();
            stop.pulses += 1;
            stop.pass(1, State::Dwelling);
            stop
        }

        fn at_rest() -> Stop {
            let wish = GuardWish::arbitrary(&mut Unstructured::new(&[0; 64])).expect("zeroes will do");
            let guards = wish.guards();
            let rail = guards.rail_live.low.max(1);
            assert!(rail <= guards.rail_low);
            let current = guards.coils[0].expect("an inlet valve").zero.low;
            Stop { guards, relief: Relief::new(), tick: 0, rail, current, pulses: 0 }
        }

        fn pass(&mut self, ms: u32, state: State) {
            for _ in 0..ms {
                self.tick += 1;
                let mut analog = [0; ANALOG_CHANNELS];
                // Noise that never stands still.
                analog[Channel::RailPressure.index()] = self.rail + self.tick % 2;
                analog[Channel::InletCurrent.index()] = self.current;
                analog[Channel::PressureCurrent.index()] =
                    self.guards.coils[1].expect("a pressure valve").zero.low;
                let readings = Readings {
                    analog,
                    flow: Pulses::default(),
                    speed: Pulses { count: self.pulses, edge_us: 0 },
                    stop_chain_closed: true,
                    guard_closed: true,
                    tank_level_ok: true,
                    conversions_taken: self.tick,
                    burst: &[],
                };
                self.relief.look(&self.guards, &readings, state);
            }
        }

        fn may(&self) -> bool {
            self.relief.may_let_go(Coil::Inlet, 1_000)
        }
    }

    #[test]
    fn a_low_rail_is_no_reason_before_the_shaft_has_been_still_for_half_a_second() {
        let mut stop = Stop::after_turning();
        stop.pass(499, State::Stopping);
        assert!(!stop.may());
        assert!(stop.relief.may_let_go(Coil::Inlet, HOLD_MS), "five seconds are enough whatever is shown");
        stop.pass(1, State::Stopping);
        assert!(stop.may());
    }

    #[test]
    fn a_still_shaft_is_no_reason_before_the_rail_has_been_low_for_more_than_fifty_ms() {
        let mut stop = Stop::after_turning();
        let low = std::mem::replace(&mut stop.rail, stop.guards.rail_low + 1);
        stop.pass(1_000, State::Stopping);
        assert!(!stop.may());
        stop.rail = low;
        // A median of three ticks comes one tick later.
        stop.pass(51, State::Stopping);
        assert!(!stop.may());
        stop.pass(1, State::Stopping);
        assert!(stop.may());
    }

    #[test]
    fn a_drive_without_pulses_and_a_rail_sensor_that_was_dead_prove_nothing() {
        let mut dead = Stop::at_rest();
        dead.relief.apply(&Outputs { drive_rpm: 100, ..Outputs::REST });
        dead.pass(10, State::Dwelling);
        dead.relief.apply(&Outputs::REST);
        dead.pass(4_000, State::Stopping);
        assert!(!dead.may());
        let mut doubted = Stop::after_turning();
        let low = std::mem::replace(&mut doubted.rail, doubted.guards.rail_live.high + 1);
        doubted.pass(20, State::Dwelling);
        doubted.rail = low;
        doubted.pass(4_000, State::Stopping);
        assert!(!doubted.may());
    }

    #[test]
    fn a_coil_with_too_much_current_or_current_nobody_asked_for_is_let_go_and_the_other_is_not() {
        for over in [true, false] {
            let mut stop = Stop::after_turning();
            let guard = stop.guards.coils[0].expect("an inlet valve");
            stop.current = if over { guard.current_max + 1 } else { guard.zero.high + 1 };
            stop.pass(101, State::Stopping);
            assert!(stop.may());
            assert!(!stop.relief.may_let_go(Coil::Pressure, 1_000));
        }
    }
}
