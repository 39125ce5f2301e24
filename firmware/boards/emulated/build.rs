//! Tells the linker where the processor's memories are, when building for it.

use std::path::PathBuf;

fn main() {
    println!("cargo::rerun-if-changed=memory.x");
    if std::env::var("CARGO_CFG_TARGET_OS").is_ok_and(|os| os == "none") {
        let here = PathBuf::from(std::env::var("CARGO_MANIFEST_DIR").unwrap_or_default());
        println!("cargo::rustc-link-search={}", here.display());
        for argument in ["-Tlink.x", "--nmagic"] {
            println!("cargo::rustc-link-arg-bins={argument}");
        }
    }
}
