//! The store as its users see it: written, killed, damaged, shared, and read back.

#![expect(clippy::unwrap_used, reason = "a test that meets an error it does not expect has failed")]

mod cuts;
mod damage;
mod golden;
mod killed;
mod opening;
mod recorder;
mod rescued;
mod round_trip;
mod sample;
mod size;
mod writers;
