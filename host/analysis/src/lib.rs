//! Pure measurement maths: slices of engineering values in, results with uncertainty out.
//!
//! Every function here answers one question about a recording ("what is the coil's resistance?",
//! "how much air is in the rail?") and returns either a [`Measured`] value, whose uncertainty is
//! built up as JCGM 100 asks, or an [`Unmeasured`] reason why the recording cannot answer.
//! All numbers are in SI units, pressures are gauge pressures unless a name says otherwise.
//!
//! What is not here: clocks, files, raw counts and calibrations of channels, limits and verdicts.
//! Nothing in this crate knows what a good pump is.

pub mod air;
pub mod coil;
pub mod copper;
pub mod edges;
pub mod fit;
pub mod flow;
pub mod leak;
pub mod levels;
pub mod monte_carlo;
pub mod oil;
pub mod reason;
pub mod repeats;
mod series;
mod shape;
pub mod stats;
pub mod step;
pub mod sweep;
pub mod temperature;
pub mod uncertainty;

pub use reason::Unmeasured;
pub use uncertainty::{Contribution, Input, Measured};
