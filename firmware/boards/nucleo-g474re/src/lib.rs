//! What the image for the STM32G474RE on a Nucleo-64 board computes, without a register in it.
//!
//! The image is `src/main.rs` with `src/target/`: thin modules that move words between registers and
//! the functions here, which are compiled and tested on a computer too. What is connected to which
//! pin, and what each signal needs outside, is in `hardware/wiring/`.
//!
//! Field positions and settings of registers are those of the reference manual RM0440; section
//! numbers are given from memory.
#![no_std]
#![forbid(unsafe_code)]

pub mod clocks;
pub mod drive;
pub mod facts;
pub mod pinmap;
pub mod pulses;
pub mod pwm;
pub mod reset;
pub mod ring;
pub mod samples;
pub mod time;
