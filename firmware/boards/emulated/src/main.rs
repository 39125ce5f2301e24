//! The image of the emulated board. On a computer it only says how it is run.
#![cfg_attr(target_os = "none", no_std, no_main)]

#[cfg(target_os = "none")]
mod image;

#[cfg(not(target_os = "none"))]
fn main() {
    println!("This is a program for a processor. Build it, and let the bench on it be served:");
    println!("  firmware/thumb.sh build --profile firmware -p stepwell-emulated");
    println!(
        "  cargo run --release -- serve --pump heron --image target/thumb/thumbv7em-none-eabihf/firmware/stepwell-emulated"
    );
}
