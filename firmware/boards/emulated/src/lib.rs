//! An emulated board: the real core, compiled for a Cortex-M4F, on an emulated one.
//!
//! ```text
//!   host program ◄─ bytes ─► bridge ◄─ one exchange per tick ─► image in the emulator
//!                            model of the rig                   core, pins, watchdog, fault handlers
//! ```
//!
//! Built for the processor this crate is the image (`src/image`), built for a computer it is the
//! bridge (`src/bridge`). What both say to each other is in `exchange.rs`. The bytes of the line to
//! the host travel inside the exchange, no more per tick than a line at 921 600 baud carries.
#![cfg_attr(target_os = "none", no_std)]

pub mod exchange;

#[cfg(not(target_os = "none"))]
mod bridge;
#[cfg(not(target_os = "none"))]
pub use {
    bridge::{EmulatedBench, Upset},
    exchange::UpsetKind,
};
