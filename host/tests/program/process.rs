//! Starting the program, reading what it says, and a served bench that ends with its test.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

/// What a program told.
#[derive(Debug)]
pub struct Told {
    /// Its exit code, or [`KILLED`].
    pub code: i32,
    /// Its standard output.
    pub out: String,
    /// Its standard error.
    pub err: String,
}

/// In place of the exit code of a program that was killed.
pub const KILLED: i32 = -1;

/// Nothing that these tests wait for takes as long as this.
pub const PATIENCE: Duration = Duration::from_secs(30);

/// An empty folder of its own for a test.
pub fn folder(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("program").join(name);
    if folder.exists() {
        std::fs::remove_dir_all(&folder).expect("an old folder can be removed");
    }
    std::fs::create_dir_all(&folder).expect("a folder can be made");
    folder
}

/// The program, keeping its runs in `store`.
pub fn stepwell(store: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_stepwell"));
    command.arg("--store").arg(store).stdin(Stdio::null());
    command
}

/// Starts it.
pub fn spawn(command: &mut Command) -> Child {
    command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("the program starts")
}

/// Waits for its end.
pub fn finish(child: Child) -> Told {
    let output = child.wait_with_output().expect("the program ends");
    let text = |bytes| String::from_utf8(bytes).expect("it prints text");
    Told { code: output.status.code().unwrap_or(KILLED), out: text(output.stdout), err: text(output.stderr) }
}

/// Carries a command out and returns what it told.
pub fn told(command: &mut Command) -> Told {
    finish(spawn(command))
}

/// The built-in bench on a pseudo-terminal.
pub struct Served {
    child: Child,
    lines: Receiver<String>,
    port: String,
}

impl Served {
    /// Starts one.
    pub fn start(more: &[&str]) -> Served {
        let mut child = Command::new(env!("CARGO_BIN_EXE_stepwell"))
            .arg("serve")
            .args(more)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .spawn()
            .expect("the bench starts");
        let out = child.stdout.take().expect("it was piped");
        let (said, lines) = channel();
        std::thread::spawn(move || {
            for line in BufReader::new(out).lines().map_while(Result::ok) {
                if said.send(line).is_err() {
                    return;
                }
            }
        });
        let mut served = Served { child, lines, port: String::new() };
        let line = served.wait_for("SIMULATED bench");
        let port = line.split_whitespace().find(|word| word.starts_with("/dev/")).expect("it names its port");
        port.trim_end_matches('.').clone_into(&mut served.port);
        served
    }

    /// Path of its port.
    pub fn port(&self) -> &str {
        &self.port
    }

    /// How long it has had a processor.
    pub fn busy(&self) -> Duration {
        let path = format!("/proc/{}/schedstat", self.child.id());
        let told = std::fs::read_to_string(path).expect("the kernel tells it");
        let ns =
            told.split_whitespace().next().and_then(|ns| ns.parse().ok()).expect("the first is a number");
        Duration::from_nanos(ns)
    }

    /// The next line with these words; lines before it are passed over.
    pub fn wait_for(&self, words: &str) -> String {
        loop {
            let line = self
                .lines
                .recv_timeout(PATIENCE)
                .unwrap_or_else(|_| panic!("the bench never said “{words}”"));
            if line.contains(words) {
                return line;
            }
        }
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A pseudo-terminal behind which nothing answers, and its name.
pub fn silent_port() -> (std::os::fd::OwnedFd, String) {
    use rustix::pty::{OpenptFlags, openpt, ptsname, unlockpt};
    let silent = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)
        .expect("there are pseudo-terminals");
    unlockpt(&silent).expect("it is ours");
    let port = ptsname(&silent, Vec::new()).expect("it has a name").into_string().expect("a path is text");
    (silent, port)
}

/// A procedure that turns the pump at once, so that there is something to interrupt.
pub const PURGE: &str = r#"
stepwell = "procedure"
format = 1
name = "purge"
title = "Purge"

[[main]]
step = "purge"
name = "purge"
title = "Turn the pump"
on = "8 s"
rest = "6 s"
cycles_min = 2
cycles_max = 3

[[tear_down]]
step = "vent"
name = "vent"
title = "Empty the rail"
watch = "1 s"
"#;
