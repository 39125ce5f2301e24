//! The board's core against a scripted host and a rig of a few lines.
//!
//! `bench` is the rig and the host. The faults are in `faults`, each named in plain words and
//! measured against its bound; what a board must never do, whatever comes, is in `oracles`.

mod arming;
mod bench;
mod commands;
mod dwells;
mod edges;
mod faults;
mod line;
mod oracles;
mod power;
mod stop;
mod telemetry;
