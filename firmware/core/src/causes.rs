//! A set of trip causes in one word, and the order in which causes of the same tick are named.

use stepwell_protocol::channel::Coil;
use stepwell_protocol::identity::ResetCause;
use stepwell_protocol::message::TripCause;

/// Every cause, the one that explains the others first: an open stop chain also cuts the coils, a
/// dead ADC also freezes the sensors, a fall of the board came before anything else it found.
const BY_RANK: [TripCause; 29] = [
    TripCause::Restarted(ResetCause::Watchdog),
    TripCause::Restarted(ResetCause::BrownOut),
    TripCause::Restarted(ResetCause::Fault),
    TripCause::StopChainOpen,
    TripCause::GuardOpen,
    TripCause::OverCurrent(Coil::Inlet),
    TripCause::OverCurrent(Coil::Pressure),
    TripCause::CurrentAtZeroDuty(Coil::Inlet),
    TripCause::CurrentAtZeroDuty(Coil::Pressure),
    TripCause::AdcFrozen,
    TripCause::SupplyLow,
    TripCause::SupplyHigh,
    TripCause::RailSensorDead,
    TripCause::RailHigh,
    TripCause::RailSensorFrozen,
    TripCause::RailNotZero,
    TripCause::PressureTrapped,
    TripCause::FeedSensorDead,
    TripCause::FluidTemperature,
    TripCause::TankLow,
    TripCause::CoilOpen(Coil::Inlet),
    TripCause::CoilOpen(Coil::Pressure),
    TripCause::NoFlow,
    TripCause::DriveBudget,
    TripCause::ShaftStillTurning,
    TripCause::LeaseLost,
    TripCause::LinkNoise,
    TripCause::ForeignSession,
    TripCause::BadCommand,
];

const fn rank(cause: TripCause) -> u32 {
    match cause {
        TripCause::Restarted(ResetCause::Watchdog | ResetCause::PowerOn | ResetCause::Pin) => 0,
        TripCause::Restarted(ResetCause::BrownOut) => 1,
        TripCause::Restarted(ResetCause::Fault) => 2,
        TripCause::StopChainOpen => 3,
        TripCause::GuardOpen => 4,
        TripCause::OverCurrent(Coil::Inlet) => 5,
        TripCause::OverCurrent(Coil::Pressure) => 6,
        TripCause::CurrentAtZeroDuty(Coil::Inlet) => 7,
        TripCause::CurrentAtZeroDuty(Coil::Pressure) => 8,
        TripCause::AdcFrozen => 9,
        TripCause::SupplyLow => 10,
        TripCause::SupplyHigh => 11,
        TripCause::RailSensorDead => 12,
        TripCause::RailHigh => 13,
        TripCause::RailSensorFrozen => 14,
        TripCause::RailNotZero => 15,
        TripCause::PressureTrapped => 16,
        TripCause::FeedSensorDead => 17,
        TripCause::FluidTemperature => 18,
        TripCause::TankLow => 19,
        TripCause::CoilOpen(Coil::Inlet) => 20,
        TripCause::CoilOpen(Coil::Pressure) => 21,
        TripCause::NoFlow => 22,
        TripCause::DriveBudget => 23,
        TripCause::ShaftStillTurning => 24,
        TripCause::LeaseLost => 25,
        TripCause::LinkNoise => 26,
        TripCause::ForeignSession => 27,
        TripCause::BadCommand => 28,
    }
}

/// A set of causes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Causes(u32);

impl Causes {
    pub(crate) const NONE: Causes = Causes(0);

    pub(crate) const fn of(causes: &[TripCause]) -> Causes {
        let mut set = 0;
        let mut left = causes;
        while let [cause, rest @ ..] = left {
            set |= 1 << rank(*cause);
            left = rest;
        }
        Causes(set)
    }

    /// Adds `cause` when `so`.
    pub(crate) const fn put(&mut self, cause: TripCause, so: bool) {
        self.0 |= (so as u32) << rank(cause);
    }

    pub(crate) const fn has(self, cause: TripCause) -> bool {
        self.0 >> rank(cause) & 1 != 0
    }

    pub(crate) const fn is_empty(self) -> bool {
        self.0 == 0
    }

    pub(crate) const fn with(self, others: Causes) -> Causes {
        Causes(self.0 | others.0)
    }

    pub(crate) const fn only(self, others: Causes) -> Causes {
        Causes(self.0 & others.0)
    }

    pub(crate) const fn without(self, others: Causes) -> Causes {
        Causes(self.0 & !others.0)
    }

    pub(crate) const fn count(self) -> u8 {
        self.0.count_ones() as u8
    }

    /// The cause to name when there are several.
    pub(crate) fn first(self) -> Option<TripCause> {
        BY_RANK.get(self.0.trailing_zeros() as usize).copied()
    }
}

#[cfg(test)]
mod tests {
    use super::{BY_RANK, Causes, rank};
    use stepwell_protocol::message::TripCause;

    #[test]
    fn every_cause_stands_at_its_rank() {
        for (index, &cause) in BY_RANK.iter().enumerate() {
            assert_eq!(rank(cause) as usize, index);
            assert_eq!(Causes::of(&[cause]).first(), Some(cause));
        }
        assert_eq!(Causes::NONE.first(), None);
    }

    #[test]
    fn the_cause_that_explains_the_others_is_named() {
        let set = Causes::of(&[TripCause::NoFlow, TripCause::StopChainOpen, TripCause::RailHigh]);
        assert_eq!(set.first(), Some(TripCause::StopChainOpen));
        assert_eq!(set.count(), 3);
    }
}
