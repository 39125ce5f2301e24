//! A set of trip causes in one word, and the order in which causes of the same tick are named.

use stepwell_protocol::channel::Coil;
use stepwell_protocol::message::TripCause;

/// Every cause, the one that explains the others first: an open stop chain also cuts the coils, a
/// dead ADC also freezes the sensors.
const BY_RANK: [TripCause; 26] = [
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
        TripCause::StopChainOpen => 0,
        TripCause::GuardOpen => 1,
        TripCause::OverCurrent(Coil::Inlet) => 2,
        TripCause::OverCurrent(Coil::Pressure) => 3,
        TripCause::CurrentAtZeroDuty(Coil::Inlet) => 4,
        TripCause::CurrentAtZeroDuty(Coil::Pressure) => 5,
        TripCause::AdcFrozen => 6,
        TripCause::SupplyLow => 7,
        TripCause::SupplyHigh => 8,
        TripCause::RailSensorDead => 9,
        TripCause::RailHigh => 10,
        TripCause::RailSensorFrozen => 11,
        TripCause::RailNotZero => 12,
        TripCause::PressureTrapped => 13,
        TripCause::FeedSensorDead => 14,
        TripCause::FluidTemperature => 15,
        TripCause::TankLow => 16,
        TripCause::CoilOpen(Coil::Inlet) => 17,
        TripCause::CoilOpen(Coil::Pressure) => 18,
        TripCause::NoFlow => 19,
        TripCause::DriveBudget => 20,
        TripCause::ShaftStillTurning => 21,
        TripCause::LeaseLost => 22,
        TripCause::LinkNoise => 23,
        TripCause::ForeignSession => 24,
        TripCause::BadCommand => 25,
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
