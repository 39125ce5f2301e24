//! The pump sheet: what a pump is, how far it may be driven, and the tolerances its findings are
//! judged by.

use super::{Tolerance, Written};
use std::ops::RangeInclusive;

/// Resistance of windings of solenoid valves, ohm (common practice, no source).
pub const COIL_OHM: RangeInclusive<f64> = 0.1..=100.0;

/// Their inductance, H (common practice, no source).
pub const COIL_H: RangeInclusive<f64> = 1e-5..=1.0;

/// What a pump is. All quantities in SI units, pressures above atmosphere.
#[derive(Clone, Debug, PartialEq)]
pub struct PumpSheet {
    /// The file it came from, word for word.
    pub source: Written,
    /// Short name, as given on the command line.
    pub name: String,
    /// One line for people.
    pub title: String,
    /// Whether the sheet is invented demonstration data.
    pub demo: bool,
    /// Fuel taken per revolution at full filling, in m³/rev.
    pub displacement_m3_per_rev: f64,
    /// How fuel gets to the pump.
    pub feed: Feed,
    /// How air gets out of the rail.
    pub air_exit: AirExit,
    /// The inlet valve.
    pub inlet_valve: Valve,
    /// The pressure valve, when the pump has one.
    pub pressure_valve: Option<Valve>,
    /// Rail pressure the board must never let pass, in Pa.
    pub rail_guard_pa: f64,
    /// How the pump is tested.
    pub points: TestPoints,
    /// What its findings are judged by.
    pub tolerances: Tolerances,
}

/// How fuel gets to the pump.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Feed {
    /// The rig's electric supply pump.
    ElectricSupply,
    /// The pump's own transfer pump, which works only while the shaft turns.
    TransferPump,
    /// A hand primer, worked by the operator.
    HandPrimer,
}

/// How air gets out of the rail.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AirExit {
    /// Through the open pressure valve into the return line.
    PressureValve,
    /// Through a union at the rail that the operator cracks at low pressure.
    Union,
}

/// One valve and its coil.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Valve {
    /// Whether the valve is open without current.
    pub open_without_current: bool,
    /// What losing its current does to the rail pressure.
    pub on_loss: LossEffect,
    /// Duty at which it is fully open, 0 to 1.
    pub open_duty: f64,
    /// Duty at which it is shut, or holds hardest, 0 to 1.
    pub shut_duty: f64,
    /// The largest duty it may see, 0 to 1.
    pub duty_max: f64,
    /// Duty for measuring the coil with everything else at rest, 0 to 1.
    pub check_duty: f64,
    /// Resistance of the coil at 20 °C that the maker states, in ohm.
    pub resistance_20c_ohm: f64,
}

/// What losing current does to the rail pressure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LossEffect {
    /// It falls.
    Falls,
    /// It rises, or stays.
    Rises,
    /// Nobody knows; such a pump cannot be armed.
    Unknown,
}

/// How the pump is tested.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TestPoints {
    /// Speed of the drive, in revolutions per second.
    pub speed_rev_per_s: f64,
    /// Duty of the pressure valve from which the small step starts, 0 to 1. `None` without such a
    /// valve.
    pub bias_duty: Option<f64>,
    /// The small step of duty, -1 to 1. Negative where less duty means more pressure.
    pub step_duty: Option<f64>,
    /// Duty of the pressure valve for the build-up that shows the air, 0 to 1.
    pub build_up_duty: Option<f64>,
    /// Rail pressure at which the build-up has shown enough, in Pa.
    pub build_up_pa: f64,
    /// Duty that answers plainly but builds nothing large, for telling the valves apart, 0 to 1.
    pub response_duty: Option<f64>,
    /// The duties of the sweep's end points, least pressure first, 0 to 1.
    pub sweep_duty: Option<(f64, f64)>,
    /// Rail pressure from which leak-down is watched, in Pa.
    pub leak_down_pa: Option<f64>,
}

/// What the findings are judged by. `None` where the sheet sets no limit because the pump lacks the
/// part, or because none is needed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tolerances {
    /// Inlet coil resistance at 20 °C, in ohm.
    pub inlet_resistance_20c_ohm: Tolerance,
    /// Pressure coil resistance at 20 °C, in ohm.
    pub pressure_resistance_20c_ohm: Option<Tolerance>,
    /// Inlet coil inductance, in H; `None` where the sheet sets no limit.
    pub inlet_inductance_h: Option<Tolerance>,
    /// Pressure coil inductance, in H; `None` where the sheet sets no limit.
    pub pressure_inductance_h: Option<Tolerance>,
    /// Feed pressure once primed, in Pa.
    pub feed_pressure_pa: Option<Tolerance>,
    /// Flow through the open valves at feed pressure with the shaft still, in m³/s.
    pub still_flow_m3_per_s: Option<Tolerance>,
    /// Air left in the rail, as a fraction of its volume at atmospheric pressure.
    pub air_fraction: Tolerance,
    /// Pressure rise after the small step, in Pa.
    pub pressure_rise_pa: Option<Tolerance>,
    /// Dead time of that rise, in s.
    pub dead_time_s: Option<Tolerance>,
    /// Its rise time from 10 % to 90 %, in s.
    pub rise_time_s: Option<Tolerance>,
    /// Its overshoot, as a fraction of the rise.
    pub overshoot: Option<Tolerance>,
    /// Flow delivered at the duty after the small step, in m³/s.
    pub flow_m3_per_s: Option<Tolerance>,
    /// Volumetric efficiency at the same point, as a fraction.
    pub volumetric_efficiency: Option<Tolerance>,
    /// Hysteresis of pressure over duty, as a fraction of the span.
    pub hysteresis: Option<Tolerance>,
    /// Time constant of leak-down, in s.
    pub leak_time_constant_s: Option<Tolerance>,
}
