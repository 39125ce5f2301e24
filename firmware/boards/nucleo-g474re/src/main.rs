//! The image for an STM32G474RE on a Nucleo-64 board; on a computer, a word on how to build it.
#![cfg_attr(target_os = "none", no_std, no_main)]

#[cfg(target_os = "none")]
mod target;

#[cfg(not(target_os = "none"))]
fn main() {
    println!(
        "This is firmware for an STM32G474RE on a Nucleo-64 board. Build the image with

    firmware/thumb.sh build --profile firmware -p stepwell-nucleo-g474re

and write target/thumb/thumbv7em-none-eabihf/firmware/stepwell-nucleo-g474re to the board's flash.
hardware/wiring/README.md says how, and what to check before anything is connected."
    );
}
