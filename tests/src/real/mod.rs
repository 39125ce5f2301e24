//! The built program as a process, in real time: on a terminal of its own, with a bench behind a line
//! that can be harmed and cut. Bench, line and keys are on one clock, that of this process.

pub mod bench;
pub mod fall;
pub mod line;
pub mod mangle;
pub mod stop;
#[path = "../../../host/tests/program/terminal.rs"]
#[allow(clippy::missing_panics_doc, reason = "a helper of tests: whatever goes wrong in it panics")]
pub mod terminal;

/// What the terminal needs of the program's own tests.
mod process {
    pub(super) use super::PATIENCE;
}

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;
use std::time::{Duration, Instant};

/// Nothing that is waited for here takes as long as this.
pub const PATIENCE: Duration = Duration::from_secs(30);

/// How often something is looked at that is waited for.
const LOOK_EVERY: Duration = Duration::from_millis(5);

/// A procedure that holds the pump under pressure for some seconds: what there is to interrupt.
pub const UNDER_PRESSURE: &str = r#"
stepwell = "procedure"
format = 1
name = "under-pressure"
title = "Under pressure"

[[main]]
step = "duty-step"
name = "hold"
title = "Hold pressure"
settle = "6 s"
hold = "1 s"

[[tear_down]]
step = "vent"
name = "vent"
title = "Empty the rail"
watch = "1 s"

[[tear_down]]
step = "confirm"
name = "gauge"
title = "Read the mechanical gauge"
text = "Does it read zero?"
"#;

/// Now.
#[must_use]
#[expect(clippy::disallowed_methods, reason = "real processes run on the computer's own clock")]
pub fn now() -> Instant {
    Instant::now()
}

/// Now, for timers.
fn now_tokio() -> tokio::time::Instant {
    tokio::time::Instant::from_std(now())
}

/// Lets time pass.
#[expect(clippy::disallowed_methods, reason = "real processes run on the computer's own clock")]
pub fn rest(time: Duration) {
    std::thread::sleep(time);
}

/// Waits until this is so, at most so long; whether it came to be.
pub fn wait_until(at_most: Duration, so: impl Fn() -> bool) -> bool {
    let began = now();
    while !so() {
        if began.elapsed() > at_most {
            return false;
        }
        rest(LOOK_EVERY);
    }
    true
}

/// The built program, which cargo puts beside this one.
///
/// # Panics
/// When it has not been built, or a source of it was changed since.
#[must_use]
pub fn program() -> &'static Path {
    static PROGRAM: OnceLock<PathBuf> = OnceLock::new();
    PROGRAM.get_or_init(|| {
        let ours = std::env::current_exe().expect("this program has a name");
        let beside = |folder: &Path| Some(folder.join("stepwell")).filter(|path| path.is_file());
        let found = ours.ancestors().skip(1).take(2).find_map(beside);
        let found = found.unwrap_or_else(|| panic!("no stepwell beside {}: {BUILD_IT}", ours.display()));
        if let Some(newer) = newer_source(&found) {
            panic!("{} is older than {}: {BUILD_IT}", found.display(), newer.display());
        }
        found
    })
}

const BUILD_IT: &str = "cargo build -p stepwell, with --release if this is";

/// A source of `program` that is newer than it, or gone. Which they are cargo writes beside it, as a rule for `make`, when
/// it is built by its name; built along with all tests it has no rule, and is as new as they are.
fn newer_source(program: &Path) -> Option<PathBuf> {
    let changed = |path: &Path| std::fs::metadata(path).and_then(|file| file.modified()).ok();
    let built = changed(program);
    let rule = std::fs::read_to_string(program.with_extension("d")).ok()?;
    let (_, sources) = rule.split_once(": ").expect("a rule");
    // A space within a name is escaped.
    let sources = sources.trim_end().replace("\\ ", "\0");
    let mut sources = sources.split(' ').map(|name| PathBuf::from(name.replace('\0', " ")));
    sources.find(|source| changed(source).is_none_or(|changed| Some(changed) > built))
}

/// The program on the port at `port`, keeping its runs in `folder`: screens, or `run` without them.
///
/// # Panics
/// When the procedure cannot be written into the folder.
#[must_use]
pub fn command(folder: &Path, port: &Path, pump: &str, procedure: &str, screens: bool) -> Command {
    let file = folder.join("procedure.toml");
    std::fs::write(&file, procedure).expect("the folder is ours");
    let mut command = Command::new(program());
    command.arg("--store").arg(folder.join("runs"));
    if screens {
        command.arg("--procedure");
    } else {
        command.arg("run");
    }
    command.arg(file).args(["--pump", pump, "--id", "P-1", "--port"]).arg(port);
    command
}

/// What the program tells of run 1 in `folder`.
///
/// # Panics
/// When it does not tell anything.
#[must_use]
pub fn shown(folder: &Path) -> String {
    let mut show = Command::new(program());
    let told = show.arg("--store").arg(folder.join("runs")).args(["show", "1"]).output().expect("it starts");
    String::from_utf8(told.stdout).expect("it prints text") + &String::from_utf8_lossy(&told.stderr)
}

/// Sends a signal by its name.
///
/// # Panics
/// When there is no such process.
pub fn signal(pid: u32, name: &str) {
    let line = format!("kill -{name} {pid}");
    let status = Command::new("sh").args(["-c", &line]).status().expect("there is a shell");
    assert!(status.success(), "{line}: {status}");
}

#[cfg(test)]
mod tests {
    use super::newer_source;
    use std::fs::File;
    use std::time::{Duration, SystemTime};

    #[test]
    fn a_program_is_too_old_once_a_source_of_it_was_changed_or_is_gone() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        let file = |name: &str, age_s: u64| {
            let age = Duration::from_secs(age_s);
            File::create(at(name)).unwrap().set_modified(SystemTime::UNIX_EPOCH + age).unwrap();
        };
        file("program", 20);
        file("a.rs", 10);
        file("of two words.rs", 10);
        let [program, a, b] =
            ["program", "a.rs", "of two words.rs"].map(|name| at(name).display().to_string());
        std::fs::write(at("program.d"), format!("{program}: {a} {}\n", b.replace(' ', "\\ "))).unwrap();
        assert_eq!(newer_source(&at("program")), None);
        file("of two words.rs", 21);
        assert_eq!(newer_source(&at("program")), Some(at("of two words.rs")));
        file("of two words.rs", 10);
        std::fs::remove_file(at("a.rs")).unwrap();
        assert_eq!(newer_source(&at("program")), Some(at("a.rs")));
    }
}
