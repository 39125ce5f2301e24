//! The readings that a trip or a refusal rests on, in units, with the limits they broke.

use crate::calibrate::Calibration;
use crate::guard::{self, IDLE_CURRENT_MAX_A};
use crate::quantity::Dimension;
use crate::sheet::{PumpSheet, Tolerance};
use serde::{Deserialize, Serialize};
use stepwell_protocol::channel::{Channel, Coil, Sample};
use stepwell_protocol::guards::Guards;
use stepwell_protocol::message::TripCause;

/// One reading and what it should have been.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// What was read, for people.
    pub what: String,
    /// Its dimension; numbers are in that dimension's SI unit.
    pub dimension: Dimension,
    /// What was found.
    pub found: f64,
    /// What was allowed; an end that does not count is absent.
    pub allowed: Tolerance,
}

impl std::fmt::Display for Reading {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let show = |value| self.dimension.display(value);
        write!(f, "{} {}", self.what, show(self.found))?;
        match (self.allowed.min, self.allowed.max) {
            (Some(min), Some(max)) => write!(f, ", {} to {} allowed", show(min), show(max)),
            (Some(min), None) => write!(f, ", at least {} wanted", show(min)),
            (None, Some(max)) => write!(f, ", at most {} allowed", show(max)),
            (None, None) => Ok(()),
        }
    }
}

/// The reading behind `cause` in `sample` with what `guards` allow, as far as the board was given any; `None` for causes
/// that rest on no measured value.
#[must_use]
pub fn behind(
    cause: TripCause,
    sample: &Sample,
    pump: &PumpSheet,
    calibration: &Calibration,
    guards: Option<&Guards>,
) -> Option<Reading> {
    let bench = calibration.bench();
    let counts = |channel: Channel| f64::from(sample[channel.index()]);
    let reading = |what: &str, dimension, found, min, max| {
        Some(Reading { what: what.to_owned(), dimension, found, allowed: Tolerance { min, max } })
    };
    let rail_pa = calibration.rail_pa(counts(Channel::RailPressure));
    let rail = |min, max| reading("rail pressure", Dimension::Pressure, rail_pa, min, max);
    let volts = |what, channel, span| {
        let (low, high) = guard::live_volts(span, bench.atmosphere_pa);
        reading(what, Dimension::Voltage, calibration.volts(counts(channel)), Some(low), Some(high))
    };
    let supply = || {
        let (found, (low, high)) = (calibration.supply_v(counts(Channel::SupplyVoltage)), bench.supply_v);
        reading("supply voltage", Dimension::Voltage, found, Some(low), Some(high))
    };
    let current = |coil: Coil, min, max| {
        let found = calibration.current_a(coil, counts(coil.current()));
        reading("current", Dimension::Current, found, min, max)
    };
    match cause {
        TripCause::SupplyLow | TripCause::SupplyHigh => supply(),
        TripCause::RailHigh => rail(None, Some(pump.rail_guard_pa)),
        TripCause::RailNotZero => rail(Some(-bench.rail_zero_pa), Some(bench.rail_zero_pa)),
        TripCause::PressureTrapped => rail(None, Some(bench.rail_low_pa)),
        TripCause::RailSensorDead => volts("sensor voltage", Channel::RailPressure, &bench.rail_pressure),
        TripCause::FeedSensorDead => {
            volts("sensor voltage", Channel::FeedPressure, bench.feed_pressure.as_ref()?)
        }
        TripCause::FluidTemperature => {
            let found = calibration.fluid_celsius(counts(Channel::FluidTemperature))?;
            let (low, high) = bench.fluid_celsius;
            reading("fluid temperature", Dimension::Temperature, found, Some(low), Some(high))
        }
        TripCause::OverCurrent(coil) => {
            let guard = guards.and_then(|guards| guards.coils[coil.index()]);
            let most_a = guard.map(|guard| calibration.current_a(coil, f64::from(guard.current_max)));
            current(coil, None, most_a)
        }
        TripCause::CurrentAtZeroDuty(coil) => current(coil, None, Some(IDLE_CURRENT_MAX_A)),
        TripCause::CoilOpen(coil) => current(coil, None, None),
        _ => None,
    }
}
