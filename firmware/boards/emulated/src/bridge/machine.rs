//! The emulator as a process, with blocks going in and out.

use crate::exchange::{self, BLOCK, FromImage, ToImage};
use std::io::{self, Read, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

/// The emulator: Debian's package qemu-system-arm.
const EMULATOR: &str = "qemu-system-arm";

/// A Cortex-M4 with the watchdog that the image wants; every instruction takes 64 ns, so that time in
/// the image is a count of instructions, the same in every run.
const MACHINE: [&str; 14] = [
    "-machine",
    "mps2-an386",
    "-icount",
    "shift=6",
    "-semihosting-config",
    "enable=on,target=native",
    "-display",
    "none",
    "-monitor",
    "none",
    "-serial",
    "none",
    "-parallel",
    "none",
];

/// The emulator, running.
#[derive(Debug)]
pub(crate) struct Machine {
    process: Child,
    to_image: Option<ChildStdin>,
    from_image: ChildStdout,
}

impl Machine {
    /// `log`: a file for one line per instruction that the emulator carries out.
    pub(crate) fn start(image: &Path, log: Option<&Path>) -> io::Result<Machine> {
        if !image.is_file() {
            let why = format!(
                "no image at {}; build it: firmware/thumb.sh build --profile firmware -p stepwell-emulated",
                image.display()
            );
            return Err(io::Error::new(io::ErrorKind::NotFound, why));
        }
        share_one_processor();
        let mut command = Command::new(EMULATOR);
        if let Some(log) = log {
            command.args(["-singlestep", "-d", "exec,nochain", "-D"]).arg(log);
        }
        let mut process = command
            .args(MACHINE)
            .arg("-kernel")
            .arg(image)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .map_err(|error| {
                let why = format!(
                    "starting {EMULATOR}: {error}; on Debian: apt-get install --no-install-recommends qemu-system-arm"
                );
                io::Error::new(error.kind(), why)
            })?;
        let (Some(to_image), Some(from_image)) = (process.stdin.take(), process.stdout.take()) else {
            return Err(io::Error::other("the emulator has no standard input and output"));
        };
        Ok(Machine { process, to_image: Some(to_image), from_image })
    }

    pub(crate) fn say(&mut self, message: &ToImage) -> io::Result<()> {
        let mut block = [0; BLOCK];
        exchange::write(message, &mut block).map_err(io::Error::other)?;
        match &mut self.to_image {
            Some(pipe) => pipe.write_all(&block),
            None => Err(io::ErrorKind::BrokenPipe.into()),
        }
    }

    pub(crate) fn listen(&mut self) -> io::Result<FromImage> {
        let mut block = [0; BLOCK];
        self.from_image.read_exact(&mut block).map_err(|error| match self.process.try_wait() {
            Ok(Some(status)) => io::Error::new(error.kind(), format!("the emulator has ended: {status}")),
            _ => error,
        })?;
        exchange::read(&block).map_err(|error| {
            io::Error::new(io::ErrorKind::InvalidData, format!("the image said what is no message: {error}"))
        })
    }
}

impl Drop for Machine {
    /// Without input the image ends the emulator; whatever keeps it from that, it is ended here.
    fn drop(&mut self) {
        drop(self.to_image.take());
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

/// Image and model take turns and never run at once. On one processor they hand over to each other
/// several times as fast as across two; the emulator inherits what is set here. Where it cannot be
/// set, everything works as well, slower.
fn share_one_processor() {
    let mut here = rustix::thread::CpuSet::new();
    here.set(rustix::thread::sched_getcpu());
    let _ = rustix::thread::sched_setaffinity(None, &here);
}
