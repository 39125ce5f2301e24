//! Guards and ceilings: the two limits that the board enforces.
//!
//! Ceilings are compiled into the board and nobody raises them. Guards come from the host when it
//! arms, in raw counts of the telemetry columns, and must lie within the ceilings. Tolerances, the
//! third kind of limit, judge findings and never come here.

use crate::frame::crc32;
use serde::{Deserialize, Serialize};

/// A closed range of counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Band {
    /// The smallest count inside.
    pub low: u16,
    /// The largest count inside.
    pub high: u16,
}

impl Band {
    /// Whether `counts` lies inside, ends included.
    #[must_use]
    pub const fn contains(self, counts: u16) -> bool {
        self.low <= counts && counts <= self.high
    }

    /// Whether the range is not upside down.
    #[must_use]
    pub const fn is_ordered(self) -> bool {
        self.low <= self.high
    }
}

/// What losing its current does to the rail pressure.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum OnLoss {
    /// Pressure falls: the valve may be let go at once.
    Falls,
    /// Pressure rises or is kept: the valve is held where it relieves until the rail is low.
    Rises,
    /// Nobody knows: the board refuses to arm.
    Unknown,
}

/// What the board must know of one coil and its valve.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct CoilGuard {
    /// What losing current does to the rail.
    pub on_loss: OnLoss,
    /// The duty at which the valve relieves the rail, in 0.01 %; held during a staged stop when
    /// pressure would rise without it.
    pub relieve_e4: u16,
    /// The largest duty a dwell may ask for, in 0.01 %.
    pub duty_max_e4: u16,
    /// Counts that the current column may show at 0 % duty.
    pub zero: Band,
    /// Counts of the current column above which the coil is over-current.
    pub current_max: u16,
    /// Counts above zero that the coil at its nominal resistance would draw at 100 % duty.
    pub full_duty: u16,
}

/// Everything the board enforces for one pump on one rig, in raw counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Guards {
    /// Rail pressure above which the board trips.
    pub rail_max: u16,
    /// Rail pressure at or below which the rail counts as proven low.
    pub rail_low: u16,
    /// Counts a healthy rail sensor can show at all; outside is an open or shorted sensor.
    pub rail_live: Band,
    /// Counts the rail sensor may show at rest when arming.
    pub rail_zero: Band,
    /// Counts a healthy feed sensor can show; `None` when none is fitted.
    pub feed_live: Option<Band>,
    /// Supply voltage inside which the board may run.
    pub supply: Band,
    /// Counts a healthy fluid temperature sensor shows between too cold and too hot.
    pub fluid: Band,
    /// The coils, inlet first; `None` where the pump has no such valve (its duty must stay 0).
    pub coils: [Option<CoilGuard>; 2],
    /// The fastest set-point of the drive, in revolutions per minute.
    pub drive_rpm_max: u16,
    /// The longest the drive may turn from a full budget, in milliseconds.
    pub drive_on_ms_max: u32,
    /// The rest that refills an empty budget, in milliseconds.
    pub drive_rest_ms_min: u32,
    /// The longest a dwell that expects flow may go without a pulse, in milliseconds.
    pub flow_gap_ms_max: u16,
}

impl Guards {
    /// Checksum of the guards as they travel. The host quotes it when it arms, so that a board whose
    /// copy differs refuses.
    #[must_use]
    pub fn checksum(&self) -> u32 {
        let mut bytes = [0_u8; 160];
        postcard::to_slice(self, &mut bytes).map_or(0, |used| crc32(used))
    }
}

/// Limits compiled into the board, in the same units as the guards.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Ceilings {
    /// Largest `rail_max` a guard may ask for.
    pub rail_max: u16,
    /// Largest `current_max` a guard may ask for.
    pub current_max: u16,
    /// Largest duty, in 0.01 %.
    pub duty_max_e4: u16,
    /// Fastest drive set-point, in revolutions per minute.
    pub drive_rpm_max: u16,
    /// Longest drive-on time, in milliseconds.
    pub drive_on_ms_max: u32,
    /// Shortest rest that may refill an empty budget, in milliseconds.
    pub drive_rest_ms_min: u32,
    /// Longest dwell, in milliseconds.
    pub dwell_ms_max: u32,
}
