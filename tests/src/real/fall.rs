//! A thread of the built program, as it is, made to fall over at a chosen instant: its look at the clock fails, on
//! which Rust's standard library panics. `fall.c`, loaded into the program, sees to that.

use super::{now, wait_until};
use std::cell::Cell;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

/// What the panic says: the system's words for `EINVAL`.
pub const WORDS: &str = "Invalid argument";

/// Whatever a thread waits for, it looks at the clock again within this.
const LOOKS_WITHIN: Duration = Duration::from_secs(1);

/// A thread that will fall over.
#[derive(Debug)]
pub struct Fall {
    library: PathBuf,
    file: PathBuf,
    thread: &'static str,
}

impl Fall {
    /// Of the thread of this name, or `main`. Puts what it needs into `folder`.
    ///
    /// # Panics
    /// When there is no C compiler.
    #[must_use]
    pub fn of(thread: &'static str, folder: &Path) -> Fall {
        let (library, file) = (folder.join("fall.so"), folder.join("fall"));
        let source = concat!(env!("CARGO_MANIFEST_DIR"), "/src/real/fall.c");
        let mut compile = Command::new("cc");
        compile.args(["-shared", "-fPIC", "-Wall", "-Werror", "-o"]).arg(&library).arg(source);
        assert!(compile.status().expect("there is a C compiler").success(), "{compile:?}");
        Fall { library, file, thread }
    }

    /// Prepares the program that `command` starts.
    pub fn prepare(&self, command: &mut Command) {
        command.env("LD_PRELOAD", &self.library);
        // What is not asked for in a workshop: printing it takes a tenth of a second, before anything is stopped.
        command.env("RUST_BACKTRACE", "0");
        command.env("STEPWELL_FALL_THREAD", self.thread).env("STEPWELL_FALL_FILE", &self.file);
    }

    /// Lets it happen. Returns an instant at which the thread still stood, a few ms before it fell.
    ///
    /// # Panics
    /// When it does not fall.
    #[must_use]
    pub fn happen(&self) -> Instant {
        std::fs::write(&self.file, "").expect("the folder is ours");
        let stood = Cell::new(now());
        let fell = || {
            let looked = now();
            let stands = self.file.exists();
            if stands {
                stood.set(looked);
            }
            !stands
        };
        assert!(wait_until(LOOKS_WITHIN, fell), "{} does not fall", self.thread);
        stood.get()
    }
}
