//! What the boards of simulated benches know of themselves: their converter, their PWM, their limits.

use stepwell_core::BoardFacts;
use stepwell_protocol::guards::Ceilings;
use stepwell_protocol::identity::ResetCause;

/// Conversions of every analogue input in one tick.
pub const CONVERSIONS_PER_TICK: u8 = 10;

/// Count of one 12-bit conversion at full scale.
const CONVERSION_FULL_SCALE: u16 = 4_095;

/// Input voltage at full scale in millivolts.
const FULL_SCALE_MV: u16 = 5_000;

/// Burst samples in one tick: two per step of the model.
pub const BURST_PER_TICK: usize = 2 * CONVERSIONS_PER_TICK as usize;

/// Counts of one tick at `mv` millivolts.
const fn counts(mv: u32) -> u16 {
    (mv * CONVERSIONS_PER_TICK as u32 * CONVERSION_FULL_SCALE as u32 / FULL_SCALE_MV as u32) as u16
}

/// Limits compiled into this board. The rail sensor gives 0.5 V to 4.5 V over 200 MPa, the current
/// channels 1 V/A.
const CEILINGS: Ceilings = Ceilings {
    rail_max: counts(500 + 4_000 * 160 / 200),
    current_max: counts(4_800),
    duty_max_e4: 10_000,
    drive_rpm_max: 1_500,
    drive_on_ms_max: 30_000,
    drive_rest_ms_min: 20_000,
    dwell_ms_max: 60_000,
};

/// Frequency of the PWM of each coil, inlet first, in hertz.
const PWM_HZ: [u16; 2] = [200, 1_000];

/// The facts of one board in front of the model of the rig.
#[must_use]
pub const fn facts(board: &'static str, serial: u64, reset: ResetCause) -> BoardFacts {
    BoardFacts {
        board,
        firmware: env!("CARGO_PKG_VERSION"),
        serial,
        simulated: true,
        reset,
        conversions_per_tick: CONVERSIONS_PER_TICK,
        conversion_full_scale: CONVERSION_FULL_SCALE,
        full_scale_mv: FULL_SCALE_MV,
        burst_hz: 1_000 * BURST_PER_TICK as u32,
        pwm_hz: PWM_HZ,
        ceilings: CEILINGS,
    }
}
