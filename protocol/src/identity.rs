//! Who the board is: the first thing it says, and everything the host must know before it asks for
//! anything else.

use crate::guards::Ceilings;
use crate::time::Tick;
use heapless::String;
use serde::{Deserialize, Serialize};

/// Why the board last started.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum ResetCause {
    /// Power came on.
    PowerOn,
    /// The reset pin, which opening a port may pull.
    Pin,
    /// The watchdog found the loop hung.
    Watchdog,
    /// The supply fell below the brown-out level.
    BrownOut,
    /// The firmware restarted itself after a fault.
    Fault,
}

impl ResetCause {
    /// Whether the board fell over: nobody asked for this start. It is latched as a trip.
    #[must_use]
    pub const fn is_fall(self) -> bool {
        matches!(self, ResetCause::Watchdog | ResetCause::BrownOut | ResetCause::Fault)
    }
}

/// The board's answer to a greeting.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Identity {
    /// Version of the conversation, [`crate::PROTOCOL_VERSION`] of the board.
    pub protocol: u16,
    /// The session this answer opens, as the host proposed it.
    pub session: u32,
    /// Kind of board, for people.
    pub board: String<32>,
    /// Version of the firmware, for people.
    pub firmware: String<16>,
    /// Number of this very board.
    pub serial: u64,
    /// Whether the rig behind the board is a model.
    pub simulated: bool,
    /// Why the board last started.
    pub reset: ResetCause,
    /// The tick at which the answer was made.
    pub now: Tick,
    /// ADC conversions summed into each analogue word.
    pub conversions_per_tick: u8,
    /// Count of one conversion at full scale.
    pub conversion_full_scale: u16,
    /// Input voltage at full scale, in millivolts.
    pub full_scale_mv: u16,
    /// Sampling rate of a burst, in hertz.
    pub burst_hz: u32,
    /// Frequency of the PWM of each coil, inlet first, in hertz.
    pub pwm_hz: [u16; 2],
    /// Limits compiled into the board.
    pub ceilings: Ceilings,
    /// Drive time left in the drive budget at `now`, in milliseconds.
    pub drive_left_ms: u32,
}
