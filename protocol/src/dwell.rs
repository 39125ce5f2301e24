//! The dwell: one bounded stretch of outputs that the board runs by itself.
//!
//! It is the only way to energise anything. Dwells may be queued behind the one that runs, so that
//! a chain (settle, step, settle) passes from one to the next on the same tick.

use crate::channel::{Channel, Coil};
use crate::time::Tick;
use serde::{Deserialize, Serialize};

/// How many dwells may wait behind the running one.
pub const QUEUED_DWELLS_MAX: usize = 8;

/// Duty over a dwell, in 0.01 %: constant when both ends are equal, else a straight ramp.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Ramp {
    /// Duty at the dwell's first tick, 0 to 10 000.
    pub from_e4: u16,
    /// Duty that the ramp reaches as the dwell's full duration ends, 0 to 10 000.
    pub to_e4: u16,
}

impl Ramp {
    /// Full scale of a duty: 100 %.
    pub const FULL_E4: u16 = 10_000;

    /// The same duty from beginning to end.
    #[must_use]
    pub const fn constant(duty_e4: u16) -> Ramp {
        Ramp { from_e4: duty_e4, to_e4: duty_e4 }
    }

    /// The duty `elapsed_ms` into a dwell of `duration_ms`, in 0.01 %, rounded towards `from_e4`.
    #[must_use]
    pub const fn at(self, elapsed_ms: u32, duration_ms: u32) -> u16 {
        if elapsed_ms >= duration_ms {
            return self.to_e4;
        }
        let span = self.to_e4 as i64 - self.from_e4 as i64;
        (self.from_e4 as i64 + span * elapsed_ms as i64 / duration_ms as i64) as u16
    }

    /// The larger of the two ends, in 0.01 %.
    #[must_use]
    pub const fn max_e4(self) -> u16 {
        if self.from_e4 > self.to_e4 { self.from_e4 } else { self.to_e4 }
    }
}

/// When a dwell begins.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Start {
    /// On this tick. A dwell that arrives after its tick is refused as late.
    At(Tick),
    /// On the tick on which the dwell before it ends. Refused when nothing runs or waits.
    AfterPrevious,
}

/// Ends a dwell before its time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct EndWhen {
    /// The analogue column to watch.
    pub channel: Channel,
    /// Which side of the threshold ends the dwell.
    pub side: Side,
    /// The threshold, in the counts of that column.
    pub counts: u16,
    /// How long the column must stay beyond the threshold, in milliseconds (at least 1).
    pub for_ms: u16,
}

/// A side of a threshold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Side {
    /// Strictly above.
    Above,
    /// Strictly below.
    Below,
}

/// One bounded stretch of outputs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Dwell {
    /// The host's number for this dwell; reports carry it back.
    pub serial: u16,
    /// When it begins.
    pub start: Start,
    /// How long it lasts at most, in milliseconds (at least 1).
    pub duration_ms: u32,
    /// Duty of the inlet valve.
    pub inlet: Ramp,
    /// Duty of the pressure valve.
    pub pressure: Ramp,
    /// Whether the supply pump is energised.
    pub supply_on: bool,
    /// Speed set-point of the drive in revolutions per minute; 0 leaves the drive off.
    pub drive_rpm: u16,
    /// Whether the dump is energised, which shuts it.
    pub dump_closed: bool,
    /// Whether flow pulses must be seen; none for the guards' time is a dry run and trips.
    pub expect_flow: bool,
    /// Ends the dwell early.
    pub end_when: Option<EndWhen>,
    /// Captures this coil's current at the burst rate from the dwell's first tick on.
    pub burst: Option<Coil>,
}

/// How a dwell ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum DwellEnd {
    /// Its time was up.
    Complete,
    /// Its end condition was met.
    Condition,
    /// The host stopped it.
    Stopped,
    /// The board tripped, as it does when the lease runs out.
    Tripped,
}

/// What became of a dwell.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct DwellReport {
    /// The host's number for the dwell.
    pub serial: u16,
    /// Its first tick.
    pub started: Tick,
    /// The first tick after it.
    pub ended: Tick,
    /// Why it ended.
    pub end: DwellEnd,
}

#[cfg(test)]
mod tests {
    use super::Ramp;

    #[test]
    fn a_ramp_is_straight_and_stays_within_its_ends() {
        let up = Ramp { from_e4: 1_000, to_e4: 3_000 };
        assert_eq!(up.at(0, 1_000), 1_000);
        assert_eq!(up.at(500, 1_000), 2_000);
        assert_eq!(up.at(1_000, 1_000), 3_000);
        let down = Ramp { from_e4: 3_000, to_e4: 1_000 };
        for ms in 0..=1_000 {
            assert_eq!(down.at(ms, 1_000), 4_000 - up.at(ms, 1_000));
        }
        assert_eq!(Ramp::constant(700).at(123, 1_000), 700);
        let longest = Ramp { from_e4: 0, to_e4: 10_000 };
        assert_eq!(longest.at(u32::MAX - 1, u32::MAX), 9_999);
    }
}
