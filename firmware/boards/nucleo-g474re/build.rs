//! Links the image by the memory layout beside this file; does nothing on a computer.

use std::path::PathBuf;
use std::{env, fs};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    println!("cargo:rerun-if-changed=memory.x");
    if env::var("CARGO_CFG_TARGET_OS")? == "none" {
        let out = PathBuf::from(env::var("OUT_DIR")?);
        fs::copy("memory.x", out.join("memory.x"))?;
        println!("cargo:rustc-link-search={}", out.display());
        println!("cargo:rustc-link-arg-bins=--nmagic");
        println!("cargo:rustc-link-arg-bins=-Tlink.x");
    }
    Ok(())
}
