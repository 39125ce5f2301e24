//! The staged stop, because losing current is not always safe.
//!
//! ```text
//!   tick 0      drive off, supply off, dump open; valves that lose pressure without current: 0 %
//!               valves that keep or raise it: held at the duty at which they relieve
//!      …        until the rail has been proven low for 50 ms and the shaft delivers nothing, or 5 s are over
//!   then        everything at 0 %: Armed, Rest or Tripped
//! ```
//!
//! A pump that coasts fills a rail again whose valve is let go: hence the shaft. A coil with too much current,
//! or with current that nobody asked for, is let go at once. A rail
//! sensor that is not to be trusted proves nothing: then the hold takes its full time.

use crate::signals::Outputs;
use stepwell_protocol::RELIEVE_MS_MAX;
use stepwell_protocol::channel::Coil;
use stepwell_protocol::guards::{Guards, OnLoss};
use stepwell_protocol::state::State;
use stepwell_protocol::time::Tick;

/// The rail counts as low after it has been so for this long.
pub(crate) const PROVEN_LOW_MS: u16 = 50;

/// A staged stop under way, or the latest one.
#[derive(Debug)]
pub(crate) struct StagedStop {
    leads_to: State,
    began: Tick,
    hold_e4: [u16; 2],
    rail_trusted: bool,
    low_ms: u16,
}

impl StagedStop {
    pub(crate) const NONE: StagedStop =
        StagedStop { leads_to: State::Rest, began: Tick(0), hold_e4: [0; 2], rail_trusted: true, low_ms: 0 };

    pub(crate) fn begin(guards: Option<&Guards>, leads_to: State, began: Tick) -> StagedStop {
        let hold_e4 = guards.map_or([0; 2], |guards| {
            guards.coils.map(|coil| match coil {
                Some(coil) if coil.on_loss != OnLoss::Falls => coil.relieve_e4,
                _ => 0,
            })
        });
        StagedStop { leads_to, began, hold_e4, rail_trusted: true, low_ms: 0 }
    }

    /// Where it leads.
    pub(crate) const fn leads_to(&self) -> State {
        self.leads_to
    }

    /// Makes it lead somewhere stricter: a trip outranks a stop, a stop outranks the end of a chain.
    pub(crate) fn lead_to(&mut self, state: State) {
        let strictness = |state| match state {
            State::Armed => 0,
            State::Tripped => 2,
            _ => 1,
        };
        if strictness(state) > strictness(self.leads_to) {
            self.leads_to = state;
        }
    }

    /// Lets one coil go at once.
    pub(crate) fn let_go(&mut self, coil: Coil) {
        if let Some(hold_e4) = self.hold_e4.get_mut(coil.index()) {
            *hold_e4 = 0;
        }
    }

    /// The rail sensor is found dead or frozen: nothing it shows proves anything.
    pub(crate) fn distrust_rail(&mut self) {
        self.rail_trusted = false;
    }

    /// One tick. Returns whether the stop is over.
    pub(crate) fn tick(&mut self, now: Tick, rail_is_relieved: bool) -> bool {
        self.low_ms = if rail_is_relieved && self.rail_trusted { self.low_ms.saturating_add(1) } else { 0 };
        self.hold_e4 == [0; 2]
            || self.low_ms > PROVEN_LOW_MS
            || now.ms_since(self.began) >= RELIEVE_MS_MAX as i32
    }

    /// What it sets.
    pub(crate) fn outputs(&self) -> Outputs {
        let [inlet_duty_e4, pressure_duty_e4] = self.hold_e4;
        Outputs { inlet_duty_e4, pressure_duty_e4, ..Outputs::REST }
    }
}
