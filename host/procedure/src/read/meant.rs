//! What can be meant by a number of a sheet, in the SI unit of its dimension (common practice, no source). Beyond
//! these it is a slip of the unit or of the decimal sign, and would judge good pumps by nonsense.

use super::table::Allowed;
use crate::sheet;

/// Inputs of sensors are on a 5 V supply, or behind a divider for it.
pub(in crate::read) const SENSOR_V: Allowed = Allowed::Between(0.0, 10.0);

/// A coil draws a few amperes.
pub(in crate::read) const CURRENT_A: Allowed = Allowed::Between(0.1, 30.0);

/// Rails and their sensors, from a feed line to the highest injection pressure.
pub(in crate::read) const SPAN_PA: Allowed = Allowed::Between(1e4, 400e6);

/// From a hand crank to a fast spindle, in rev/s.
pub(in crate::read) const SPEED: Allowed = Allowed::Between(1.0 / 60.0, 150.0);

/// From a short burst to a drive that never tires.
pub(in crate::read) const DRIVE_S: Allowed = Allowed::Between(1.0, 86_400.0);

/// Car and lorry.
pub(in crate::read) const SUPPLY_V: Allowed = Allowed::Between(5.0, 60.0);

/// A rail that counts as low must be harmless.
pub(in crate::read) const LOW_PA: Allowed = Allowed::Between(1e4, 2e6);

pub(in crate::read) const VOLUME_M3: Allowed = Allowed::within(&sheet::RAIL_M3);

pub(in crate::read) const MODULUS_PA: Allowed = Allowed::within(&sheet::MODULUS_PA);

/// A shunt of a milliohm to an amplifier behind one.
pub(in crate::read) const VOLT_PER_AMPERE: Allowed = Allowed::Between(1e-3, 100.0);

/// A diode or two.
pub(in crate::read) const DROP_V: Allowed = Allowed::Between(0.01, 3.0);

/// Harness, contacts and shunt; a switch.
pub(in crate::read) const SERIES_OHM: Allowed = Allowed::Between(1e-4, 2.0);

pub(in crate::read) const PULSES_PER_M3: Allowed = Allowed::within(&sheet::PULSES_PER_M3);

/// A drop in ten seconds to a small stream.
pub(in crate::read) const SLIP_M3_PER_S: Allowed = Allowed::Between(0.0, 1e-5);

/// Platinum sensors are made from 10 ohm up (IEC 60751 names 100 ohm).
pub(in crate::read) const PLATINUM_OHM: Allowed = Allowed::Between(10.0, 1e4);

/// A milliampere through it, amplified a little or much.
pub(in crate::read) const VOLT_PER_OHM: Allowed = Allowed::Between(1e-5, 1.0);

/// As thermistors are.
pub(in crate::read) const PULL_UP_OHM: Allowed = Allowed::Between(100.0, 1e6);

pub(in crate::read) const COIL_OHM: Allowed = Allowed::within(&sheet::COIL_OHM);

pub(in crate::read) const COIL_H: Allowed = Allowed::within(&sheet::COIL_H);

/// A plunger the size of a pin's head to a pump for ships.
pub(in crate::read) const DISPLACEMENT_M3_PER_REV: Allowed = Allowed::Between(1e-8, 1e-4);

/// A rail answers a step within seconds, or not at all.
pub(in crate::read) const RESPONSE_S: Allowed = Allowed::Between(0.0, 5.0);

/// A meter that is wrong by half shows this much.
pub(in crate::read) const EFFICIENCY: Allowed = Allowed::Between(0.0, 1.5);

/// A rail that is empty in a tenth of a second was opened; one that lasts for days cannot be watched.
pub(in crate::read) const LEAK_S: Allowed = Allowed::Between(0.1, 1e5);

/// Share of its full scale that a sound sensor may be off at zero.
pub(in crate::read) const ZERO_SHARE_MAX: f64 = 0.05;
