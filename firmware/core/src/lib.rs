//! The whole behaviour of the board: readings in, outputs out, bytes both ways.
//!
//! [`Board`] is a pure structure. Once per millisecond its owner hands it what the rig reads and
//! sets what it returns; whenever bytes come from the line they go to [`Board::receive`], and
//! [`Board::transmit`] has the bytes for it. No clock, no heap, no floating point, no panic, and a
//! bounded amount of work per call. The tick is in `board.rs`, the checks are in `interlock.rs`.
//!
//! What is not here: engineering units, procedures, the host's side, and everything about a
//! particular microcontroller. `pins` is the glue from embedded-hal pins to [`Readings`] and
//! [`Outputs`], shared by the boards that have pins.
#![no_std]
#![cfg_attr(
    not(test),
    deny(
        clippy::indexing_slicing,
        clippy::arithmetic_side_effects,
        clippy::float_arithmetic,
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic
    )
)]

mod arming;
#[cfg(feature = "blindable")]
mod blind;
mod board;
mod burst;
mod causes;
mod commands;
mod facts;
mod filter;
mod handwork;
mod interlock;
mod lease;
mod link;
mod outbox;
pub mod pins;
mod runner;
mod session;
mod shaft;
mod signals;
mod stop;
mod telemetry;
mod trip;

pub use board::Board;
pub use burst::BURST_SAMPLES;
pub use facts::BoardFacts;
pub use outbox::{OUTBOX_BYTES, RESERVED_BYTES};
pub use session::ANSWERS_PER_TICK_MAX;
pub use signals::{Outputs, Pulses, Readings};
