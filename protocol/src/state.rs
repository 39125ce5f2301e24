//! The board's state and the status word that carries it in every tick.
//!
//! ```text
//!           SetGuards, Arm            Dwell reaches its start
//!   Rest ──────────────────► Armed ──────────────────────────► Dwelling
//!    ▲                         ▲                                  │
//!    │ Disarm, Stop,           └───────────◄─ Stopping ◄──────────┤ last dwell ends
//!    │ lease out, left alone                     ▲  │             │
//!    └────────────◄──────────────────────────────┼──┘             │ Stop
//!                                                │                │
//!   any ──── cause of a trip ────► Stopping ─────┴──► Tripped ────┴─ ClearTrip ──► Rest
//! ```
//!
//! `Stopping` is the staged stop: the drive is off at once, valves and dump are held where they
//! relieve until the rail is proven low or time is up. It leads to `Armed` after the last dwell of
//! a chain, to `Rest` after a stop or when the lease runs out meanwhile, and to `Tripped` after a trip: a
//! lease that runs out in a dwell is one.

use serde::{Deserialize, Serialize};

/// What the board is doing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[repr(u8)]
pub enum State {
    /// No output energised; nothing can be energised before guards are set and the board is armed.
    Rest = 0,
    /// No output energised; a dwell may start.
    Armed = 1,
    /// A dwell is running.
    Dwelling = 2,
    /// The staged stop is under way.
    Stopping = 3,
    /// No output energised; latched until the cause is gone and the trip is cleared.
    Tripped = 4,
}

impl State {
    /// The state with this number.
    #[must_use]
    pub const fn from_u16(value: u16) -> Option<State> {
        match value {
            0 => Some(State::Rest),
            1 => Some(State::Armed),
            2 => Some(State::Dwelling),
            3 => Some(State::Stopping),
            4 => Some(State::Tripped),
            _ => None,
        }
    }
}

/// The status word of one tick: state in the low three bits, flags above.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Status {
    /// What the board is doing.
    pub state: State,
    /// The drive is permitted to turn.
    pub drive_on: bool,
    /// The supply pump is energised.
    pub supply_on: bool,
    /// The dump is energised, which shuts it.
    pub dump_closed: bool,
    /// The hardware stop chain is closed, that is, healthy.
    pub stop_chain_closed: bool,
    /// The guard over the drive is closed.
    pub guard_closed: bool,
    /// The tank has fluid.
    pub tank_level_ok: bool,
    /// The lease is alive.
    pub lease_alive: bool,
    /// Speed pulses are arriving: the shaft turns, driven or coasting.
    pub shaft_turning: bool,
    /// The rail has been at or below the guards' proven-low level for a while.
    pub rail_proven_low: bool,
    /// A burst is waiting to be read.
    pub burst_ready: bool,
    /// Guards are set.
    pub guards_set: bool,
}

impl Status {
    /// The word as it travels.
    #[must_use]
    pub const fn to_word(self) -> u16 {
        self.state as u16
            | (self.drive_on as u16) << 3
            | (self.supply_on as u16) << 4
            | (self.dump_closed as u16) << 5
            | (self.stop_chain_closed as u16) << 6
            | (self.guard_closed as u16) << 7
            | (self.tank_level_ok as u16) << 8
            | (self.lease_alive as u16) << 9
            | (self.shaft_turning as u16) << 10
            | (self.rail_proven_low as u16) << 11
            | (self.burst_ready as u16) << 12
            | (self.guards_set as u16) << 13
    }

    /// Reads a word; `None` when the state number is not one of ours or a spare bit is set.
    #[must_use]
    pub const fn from_word(word: u16) -> Option<Status> {
        if word >> 14 != 0 {
            return None;
        }
        let Some(state) = State::from_u16(word & 7) else { return None };
        Some(Status {
            state,
            drive_on: word & 1 << 3 != 0,
            supply_on: word & 1 << 4 != 0,
            dump_closed: word & 1 << 5 != 0,
            stop_chain_closed: word & 1 << 6 != 0,
            guard_closed: word & 1 << 7 != 0,
            tank_level_ok: word & 1 << 8 != 0,
            lease_alive: word & 1 << 9 != 0,
            shaft_turning: word & 1 << 10 != 0,
            rail_proven_low: word & 1 << 11 != 0,
            burst_ready: word & 1 << 12 != 0,
            guards_set: word & 1 << 13 != 0,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::Status;

    #[test]
    fn every_word_reads_back_or_is_refused() {
        let mut read = 0;
        for word in 0..=u16::MAX {
            if let Some(status) = Status::from_word(word) {
                assert_eq!(status.to_word(), word);
                read += 1;
            }
        }
        assert_eq!(read, 5 << 11, "five states, eleven flags");
    }
}
