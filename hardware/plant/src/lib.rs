//! The rig as equations: what a bench with a common-rail pump on it does when its outputs are driven.
//!
//! Tank, feed pump, filter, inlet-metering valve, a pump with three plungers, rail, pressure-control valve, return
//! with flow meter, the rig's own dump, drive, sensors, and the faults any of them can have. Lumped parameters, SI
//! units, absolute pressures, one oil temperature.
//!
//! There is no clock: [`Plant::step`] advances [`STEP_US`]. The result is a deterministic function of parameters,
//! seed, inputs, faults and hands, bit for bit the same on every machine: the order of operations is fixed,
//! multiply-add is never contracted, and sine, power and logarithm come from software.
//!
//! This crate knows no board, no protocol, no procedure, and judges nothing.
#![no_std]

pub mod adc;
mod bubbles;
pub mod coil;
pub mod constants;
mod contact;
pub mod drive;
pub mod faults;
pub mod feed;
pub mod fluid;
pub mod friction;
pub mod inlet_valve;
mod inputs;
pub mod network;
pub mod node;
pub mod noise;
pub mod orifice;
mod plant;
pub mod pressure_valve;
pub mod pulses;
pub mod pump;
pub mod rail;
pub mod rig;
pub mod sensors;
mod streams;
pub mod thermal;
pub mod truth;

pub use adc::{ANALOG_CHANNELS, AnalogChannel};
pub use faults::{Fault, FaultKind, SEVERITY_DEFAULT, SEVERITY_MAX};
pub use inlet_valve::ValveRest;
pub use inputs::{CoilId, Hand, Inputs};
pub use plant::{Plant, REST_LUMP_US, STEP_US, SUB_STEPS};
pub use pulses::Pulses;
pub use rig::{Contacts, Feed, PumpFacts, Rig};
pub use truth::{CoilTruth, GasTruth, Truth};
