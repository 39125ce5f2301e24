//! Sheets: what a pump is and what a rig is, as data that cannot be wrong once it is read.

mod bench;
mod pump;

pub use bench::{
    BenchSheet, CoilCircuit, CurrentChannel, DriveRating, MODULUS_PA, PULSES_PER_M3, Platinum, PulseMeter,
    RAIL_M3, Thermistor, VoltageSpan,
};
pub use pump::{AirExit, COIL_H, COIL_OHM, Feed, LossEffect, PumpSheet, TestPoints, Tolerances, Valve};

use serde::{Deserialize, Serialize};

/// A file as it was written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Written {
    /// Where it came from, for messages and the record.
    pub name: String,
    /// What it said, word for word.
    pub text: String,
}

/// A tolerance: at least one end, in the SI unit of its quantity.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Tolerance {
    /// The smallest conforming value.
    pub min: Option<f64>,
    /// The largest conforming value.
    pub max: Option<f64>,
}
