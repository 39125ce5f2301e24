//! The columns of telemetry: what the board samples once per tick, as raw 16-bit words.
//!
//! Analogue columns are sums of the tick's ADC conversions; counters are free-running and wrap;
//! edge columns are the low 16 bits of the board's microsecond clock at the latest edge. The host
//! alone turns them into engineering units.

use serde::{Deserialize, Serialize};

/// A column of telemetry. The order is the order on the wire.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[repr(u8)]
pub enum Channel {
    /// Rail pressure sensor, sum of the tick's conversions.
    RailPressure = 0,
    /// Feed pressure sensor behind the filter, sum of the tick's conversions.
    FeedPressure = 1,
    /// Current of the inlet valve's coil, sum of the tick's conversions.
    InletCurrent = 2,
    /// Current of the pressure valve's coil, sum of the tick's conversions.
    PressureCurrent = 3,
    /// Supply voltage of the driver stage, sum of the tick's conversions.
    SupplyVoltage = 4,
    /// Fluid temperature sensor, sum of the tick's conversions.
    FluidTemperature = 5,
    /// Temperature sensor on the pump's body, sum of the tick's conversions.
    BodyTemperature = 6,
    /// Pulses of the return flow meter since start, low 16 bits.
    FlowCount = 7,
    /// Board time of the latest flow pulse in microseconds, low 16 bits.
    FlowEdge = 8,
    /// Pulses of the shaft speed sensor since start, low 16 bits.
    SpeedCount = 9,
    /// Board time of the latest speed pulse in microseconds, low 16 bits.
    SpeedEdge = 10,
    /// Duty applied to the inlet valve in 0.01 %.
    InletDuty = 11,
    /// Duty applied to the pressure valve in 0.01 %.
    PressureDuty = 12,
    /// The [`crate::state::Status`] word.
    Status = 13,
}

/// How many columns a tick has.
pub const CHANNELS: usize = 14;

/// How many of them, from the first, are analogue.
pub const ANALOG_CHANNELS: usize = 7;

impl Channel {
    /// Every column, in wire order.
    pub const ALL: [Channel; CHANNELS] = [
        Channel::RailPressure,
        Channel::FeedPressure,
        Channel::InletCurrent,
        Channel::PressureCurrent,
        Channel::SupplyVoltage,
        Channel::FluidTemperature,
        Channel::BodyTemperature,
        Channel::FlowCount,
        Channel::FlowEdge,
        Channel::SpeedCount,
        Channel::SpeedEdge,
        Channel::InletDuty,
        Channel::PressureDuty,
        Channel::Status,
    ];

    /// Position of the column in a [`Sample`].
    #[must_use]
    pub const fn index(self) -> usize {
        self as usize
    }

    /// The column's name in files, in the store and in exports.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Channel::RailPressure => "rail_pressure",
            Channel::FeedPressure => "feed_pressure",
            Channel::InletCurrent => "inlet_current",
            Channel::PressureCurrent => "pressure_current",
            Channel::SupplyVoltage => "supply_voltage",
            Channel::FluidTemperature => "fluid_temperature",
            Channel::BodyTemperature => "body_temperature",
            Channel::FlowCount => "flow_count",
            Channel::FlowEdge => "flow_edge",
            Channel::SpeedCount => "speed_count",
            Channel::SpeedEdge => "speed_edge",
            Channel::InletDuty => "inlet_duty",
            Channel::PressureDuty => "pressure_duty",
            Channel::Status => "status",
        }
    }
}

/// One tick of every column.
pub type Sample = [u16; CHANNELS];

/// One of the two driven coils.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[repr(u8)]
pub enum Coil {
    /// The inlet valve's coil.
    Inlet = 0,
    /// The pressure valve's coil.
    Pressure = 1,
}

impl Coil {
    /// Both coils, in wire order.
    pub const BOTH: [Coil; 2] = [Coil::Inlet, Coil::Pressure];

    /// Position in a pair of per-coil values.
    #[must_use]
    pub const fn index(self) -> usize {
        self as usize
    }

    /// The telemetry column of this coil's current.
    #[must_use]
    pub const fn current(self) -> Channel {
        match self {
            Coil::Inlet => Channel::InletCurrent,
            Coil::Pressure => Channel::PressureCurrent,
        }
    }

    /// The telemetry column of this coil's duty.
    #[must_use]
    pub const fn duty(self) -> Channel {
        match self {
            Coil::Inlet => Channel::InletDuty,
            Coil::Pressure => Channel::PressureDuty,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::Channel;

    #[test]
    fn every_column_stands_at_its_own_index_under_its_own_name() {
        for (index, channel) in Channel::ALL.iter().enumerate() {
            assert_eq!(channel.index(), index);
            let same = Channel::ALL.iter().filter(|other| other.name() == channel.name()).count();
            assert_eq!(same, 1, "{}", channel.name());
        }
    }
}
