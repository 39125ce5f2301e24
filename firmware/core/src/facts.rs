//! What a board knows of itself, and how it says so.

use heapless::String;
use stepwell_protocol::PROTOCOL_VERSION;
use stepwell_protocol::guards::Ceilings;
use stepwell_protocol::identity::{Identity, ResetCause};
use stepwell_protocol::time::Tick;

/// What a board knows of itself from its build, its chip and its start.
#[derive(Clone, Copy, Debug)]
pub struct BoardFacts {
    /// Kind of board, for people; what exceeds 32 bytes is cut off.
    pub board: &'static str,
    /// Version of the firmware, for people; what exceeds 16 bytes is cut off.
    pub firmware: &'static str,
    /// Number of this very board.
    pub serial: u64,
    /// Whether the rig behind the board is a model.
    pub simulated: bool,
    /// Why the board started.
    pub reset: ResetCause,
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
}

impl BoardFacts {
    pub(crate) fn identity(&self, session: u32, now: Tick, drive_left_ms: u32) -> Identity {
        Identity {
            protocol: PROTOCOL_VERSION,
            session,
            board: cut(self.board),
            firmware: cut(self.firmware),
            serial: self.serial,
            simulated: self.simulated,
            reset: self.reset,
            now,
            conversions_per_tick: self.conversions_per_tick,
            conversion_full_scale: self.conversion_full_scale,
            full_scale_mv: self.full_scale_mv,
            burst_hz: self.burst_hz,
            pwm_hz: self.pwm_hz,
            ceilings: self.ceilings,
            drive_left_ms,
        }
    }
}

/// As many whole characters of `text` as fit.
pub(crate) fn cut<const N: usize>(text: &str) -> String<N> {
    let mut fitting = String::new();
    for character in text.chars() {
        if fitting.push(character).is_err() {
            break;
        }
    }
    fitting
}
