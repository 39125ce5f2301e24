//! Outside checks, refusals, coverage and properties of the analysis crate, one binary.
//!
//! Published or independently computed data come from `tests/data/analysis` of the repository;
//! each file names its source. Synthetic records are drawn from seeded generators, so every run
//! sees the same numbers.

mod air;
mod coil;
mod coil_bent;
mod coil_scope;
mod common;
mod fits;
mod flow;
mod leak;
mod levels;
mod monte_carlo;
mod oil;
mod properties;
mod repeats;
mod ripple;
mod statistics;
mod step;
mod sweep;
mod temperature;
mod transient;
mod uncertainty;
