//! Checks of the plant, those against outside solutions first.
//!
//! `tests/data/plant/` holds trajectories computed by independent adaptive solvers or closed forms; each file says
//! how. Tolerances come from the error of the fixed-step method, of a hand calculation, or of what is neglected,
//! and each says which.

mod abuse;
mod closed_forms;
mod conservation;
mod determinism;
mod expected;
mod faults;
mod outside_coils;
mod outside_hydraulics;
mod sensors;
mod support;
