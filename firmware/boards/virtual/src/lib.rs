//! The built-in bench: the board's core joined to the model of the rig on a virtual clock.
//!
//! Bytes in, ticks, bytes out: the same conversation as over a wire. It has no clock of its own:
//! whoever holds it decides whether ten milliseconds pass in ten milliseconds or at once, and the
//! results are the same to the bit. Everything that comes from it is marked as simulated by the
//! identity that it reports.
//!
//! The facts of a board in front of the model are all that an image for a processor takes from here;
//! the rest exists on computers only.
#![cfg_attr(target_os = "none", no_std)]

pub mod facts;

#[cfg(not(target_os = "none"))]
mod bench;
#[cfg(not(target_os = "none"))]
mod real_time;
#[cfg(not(target_os = "none"))]
mod rig;

#[cfg(not(target_os = "none"))]
pub use crate::{
    bench::{SimulatedBench, VirtualBench, drain},
    real_time::pace,
    rig::{ModelRig, Setup},
};
