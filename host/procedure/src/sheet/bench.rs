//! The bench sheet: this rig's channels, calibrations, volumes and ratings.

use super::Written;
use std::ops::RangeInclusive;
use stepwell_analysis::Input;

/// Volume of a rail with its pipes, m3: from a short pipe to a long rail with hoses (common practice, no source).
pub const RAIL_M3: RangeInclusive<f64> = 1e-7..=1e-2;

/// Bulk modulus of a liquid in its rail, Pa: in hoses to in steel (common practice, no source).
pub const MODULUS_PA: RangeInclusive<f64> = 1e8..=5e9;

/// Pulses of a meter per volume, 1/m3: one per litre to one per microlitre (common practice, no source).
pub const PULSES_PER_M3: RangeInclusive<f64> = 1e3..=1e9;

/// What a rig is. All quantities in SI units, pressures above atmosphere. Sheets state half-widths of 95 %
/// intervals; here they are standard uncertainties.
#[derive(Clone, Debug, PartialEq)]
pub struct BenchSheet {
    /// The file it came from, word for word.
    pub source: Written,
    /// Short name.
    pub name: String,
    /// One line for people.
    pub title: String,
    /// Whether the sheet is invented demonstration data.
    pub demo: bool,
    /// The drive.
    pub drive: DriveRating,
    /// Supply voltage inside which the rig may run, least and greatest, in V.
    pub supply_v: (f64, f64),
    /// Fluid temperature inside which the rig may run, least and greatest, in °C.
    pub fluid_celsius: (f64, f64),
    /// Rail pressure above which the rig must not be guarded, in Pa: what pipes, fittings and relief valve
    /// allow, or the sensor's full scale when the sheet does not say.
    pub rail_max_pa: f64,
    /// Rail pressure at or below which the rail counts as proven low, in Pa.
    pub rail_low_pa: f64,
    /// How far from zero the rail sensor may read at rest, in Pa.
    pub rail_zero_pa: f64,
    /// Coil current above which an output is over-current, in A.
    pub current_max_a: f64,
    /// Longest time without a flow pulse while flow is expected, in s.
    pub flow_gap_s: f64,
    /// Volume of rail and pipes, in m³.
    pub rail_volume_m3: Input,
    /// Bulk modulus of the fluid at atmospheric pressure, the give of the rail's walls included, in Pa.
    pub fluid_modulus_pa: Input,
    /// How much that modulus grows per pressure, a pure number.
    pub fluid_modulus_slope: Input,
    /// Atmospheric pressure, in Pa.
    pub atmosphere_pa: f64,
    /// Rail pressure sensor.
    pub rail_pressure: VoltageSpan,
    /// Feed pressure sensor, when fitted.
    pub feed_pressure: Option<VoltageSpan>,
    /// Coil current measurement.
    pub current: CurrentChannel,
    /// What stands between the driver and the winding.
    pub coil_circuit: CoilCircuit,
    /// Ratio of supply voltage to the voltage at the board's input.
    pub supply_divider: Input,
    /// Fluid temperature sensor: a thermistor to ground with a pull-up.
    pub fluid_temperature: Thermistor,
    /// Sensor on the pump's body: a platinum resistor.
    pub body_temperature: Platinum,
    /// The return flow meter.
    pub flow_meter: PulseMeter,
    /// Pulses of the speed sensor per revolution.
    pub speed_pulses_per_rev: f64,
}

/// What the drive can stand.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DriveRating {
    /// Fastest speed, in revolutions per second.
    pub speed_max_rev_per_s: f64,
    /// Longest time on from rested, in s.
    pub on_s_max: f64,
    /// Rest that restores it, in s.
    pub rest_s_min: f64,
}

/// A sensor whose voltage is a straight line of its quantity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct VoltageSpan {
    /// Voltage at zero, in V.
    pub zero_v: f64,
    /// Voltage at `span_pa`, in V.
    pub span_v: f64,
    /// Pressure at `span_v`, in Pa.
    pub span_pa: f64,
    /// Standard uncertainty of the zero, in Pa; 0 for a sensor whose zero is taken at rest in every run.
    pub zero_u_pa: f64,
    /// Relative standard uncertainty of the slope.
    pub gain_u: f64,
    /// Standard uncertainty of the zero for each kelvin that the fluid is away from where the zero was
    /// taken, in Pa/K.
    pub zero_drift_u_pa_per_k: f64,
}

/// Coil current measurement.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurrentChannel {
    /// Volts at the board's input per ampere.
    pub volt_per_ampere: f64,
    /// Relative standard uncertainty of that.
    pub gain_u: f64,
}

/// What stands between the driver and the winding.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CoilCircuit {
    /// Forward drop of the freewheel diode, in V.
    pub freewheel_drop_v: Input,
    /// Harness, contacts and shunt in series with the winding, in ohm.
    pub leads_ohm: Input,
    /// The switch when on, in ohm.
    pub switch_on_ohm: Input,
}

/// A thermistor to ground with a pull-up: `1/T = a + b ln R + c (ln R)³` (Steinhart and Hart).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Thermistor {
    /// Pull-up resistor, in ohm.
    pub pull_up_ohm: f64,
    /// Voltage of the pull-up, in V.
    pub pull_up_v: f64,
    /// Steinhart–Hart coefficients a, b, c, in 1/K.
    pub coefficients: [f64; 3],
}

/// A platinum resistor to IEC 60751, fed with a constant current.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Platinum {
    /// Resistance at 0 °C, in ohm.
    pub ohm_at_0c: f64,
    /// Volts at the board's input per ohm.
    pub volt_per_ohm: f64,
    /// Standard uncertainty of the coil's temperature taken from it, in K.
    pub coil_temperature_u_k: f64,
}

/// A flow meter that gives pulses.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PulseMeter {
    /// Pulses per m³.
    pub k_factor_per_m3: Input,
    /// Slip: volume flow that passes uncounted, in m³/s.
    pub slip_m3_per_s: f64,
}
