//! How soon the bench stops after something has happened to the program, the key or the line.

use super::bench::{Bench, Seen};
use super::line::Handling;
use super::terminal::OnTerminal;
use super::{UNDER_PRESSURE, command, now, rest, signal, wait_until};
use crate::shipped::Scenario;
use rand_chacha::ChaCha8Rng;
use rand_core::{Rng, SeedableRng};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;
use stepwell_protocol::state::State;

/// What happens.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Event {
    /// The stop key is pressed.
    Space,
    /// The stop key is pressed at a terminal that takes no more words, so that the screen is held up.
    SpaceWhileStuck,
    /// Ctrl-Z is pressed in a run without screens: the terminal sends SIGTSTP.
    CtrlZ,
    /// The terminal is closed: SIGHUP.
    WindowClosed,
    /// Somebody ends the program: SIGTERM.
    Ended,
    /// The program is killed: SIGKILL.
    Killed,
    /// The program is not given the processor: SIGSTOP, as a suspended computer does not. SIGCONT after
    /// two seconds.
    Suspended,
    /// The cable is pulled.
    Unplugged,
    /// The port takes no more bytes.
    Stalled,
}

impl Event {
    /// Every event.
    pub const ALL: [Event; 9] = [
        Event::Space,
        Event::SpaceWhileStuck,
        Event::CtrlZ,
        Event::WindowClosed,
        Event::Ended,
        Event::Killed,
        Event::Suspended,
        Event::Unplugged,
        Event::Stalled,
    ];

    /// Its name.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Event::Space => "Space pressed",
            Event::SpaceWhileStuck => "Space pressed, screen held up",
            Event::CtrlZ => "Ctrl-Z pressed, run without screens",
            Event::WindowClosed => "window closed (SIGHUP)",
            Event::Ended => "program ended (SIGTERM)",
            Event::Killed => "program killed (SIGKILL)",
            Event::Suspended => "suspended (SIGSTOP, SIGCONT after 2 s)",
            Event::Unplugged => "cable pulled",
            Event::Stalled => "port takes no more bytes",
        }
    }

    /// Whether the program itself stops the bench; else the lease does, by running out.
    #[must_use]
    pub fn told(self) -> bool {
        matches!(
            self,
            Event::Space | Event::SpaceWhileStuck | Event::CtrlZ | Event::WindowClosed | Event::Ended
        )
    }

    /// How long after it something may still be at work: a stop is on the board within 100 ms, and a
    /// lease runs 450 ms from its last renewal, the staged stop begins on the tick after, and a tick is
    /// seen up to 5 ms late.
    #[must_use]
    pub fn bound(self) -> Duration {
        Duration::from_millis(if self.told() { 100 } else { 500 })
    }
}

/// What came of it.
#[derive(Clone, Copy, Debug)]
pub struct Stopped {
    /// From the event until nothing was energised but a valve that relieves the rail.
    pub work_over: Duration,
    /// From the event until nothing was energised at all.
    pub rest: Duration,
    /// True rail pressure at the event, Pa.
    pub rail_pa: f64,
    /// Whether the board tripped, for want of a lease that is.
    pub tripped: bool,
}

impl Stopped {
    /// Whether it is as `event` has it: within its bound, and tripped only where nobody told the board to stop.
    #[must_use]
    pub fn is_as_it_should(&self, event: Event) -> bool {
        self.work_over <= event.bound() && self.tripped != event.told()
    }
}

/// Longer than the screens want between two keys.
const A_MOMENT: Duration = Duration::from_millis(900);

/// The rail must have come to this before anything happens, Pa.
const RAIL_PA: f64 = 1.5e6;

/// How often a program is started anew that did not come under pressure: on a computer that is busy
/// with other things the link is lost before anything happens, rightly, and nothing is learned.
const ATTEMPTS: u32 = 4;

/// So long it takes at most to come under pressure.
const BEGIN_MAX: Duration = Duration::from_secs(15);

/// A program at work on a bench under pressure.
#[derive(Debug)]
pub struct AtWork {
    /// Where its runs are kept.
    pub folder: PathBuf,
    /// The bench and the line to it.
    pub bench: Bench,
    /// The program's terminal.
    pub terminal: OnTerminal,
}

impl AtWork {
    /// Starts a program, with or without screens, in a folder in `folder`, and brings it under pressure.
    ///
    /// # Panics
    /// When that does not succeed, again and again.
    #[must_use]
    pub fn begin(folder: &Path, scenario: &Scenario, screens: bool) -> AtWork {
        AtWork::prepared(folder, scenario, screens, |_| {})
    }

    /// The same, with something done to the command that starts it.
    ///
    /// # Panics
    /// As [`AtWork::begin`].
    #[must_use]
    pub fn prepared(
        folder: &Path,
        scenario: &Scenario,
        screens: bool,
        prepare: impl Fn(&mut Command),
    ) -> AtWork {
        let attempt = |n: u32| AtWork::attempt(&folder.join(n.to_string()), scenario, screens, &prepare);
        (1..=ATTEMPTS).find_map(attempt).expect("under pressure at last")
    }

    fn attempt(
        folder: &Path,
        scenario: &Scenario,
        screens: bool,
        prepare: &impl Fn(&mut Command),
    ) -> Option<AtWork> {
        std::fs::create_dir(folder).expect("the folder around it is ours");
        let bench = Bench::start(scenario, &folder.join("port"), 0);
        let mut command = command(folder, bench.path(), &scenario.pump, UNDER_PRESSURE, screens);
        if !screens {
            command.arg("--yes");
        }
        prepare(&mut command);
        let terminal = OnTerminal::start(&command);
        if screens {
            for (words, key) in [("Enter start", "\r"), ("CAUTION", "y")] {
                if !wait_until(BEGIN_MAX, || terminal.text().contains(words)) {
                    return None;
                }
                terminal.rest(A_MOMENT);
                terminal.press(key);
            }
        }
        let under_pressure = |seen: Seen| seen.outputs.drive_rpm > 0 && seen.rail_pa >= RAIL_PA;
        wait_until(BEGIN_MAX, || bench.latest().is_some_and(under_pressure)).then_some(AtWork {
            folder: folder.to_owned(),
            bench,
            terminal,
        })
    }

    /// Lets it happen, and waits until the bench is at rest.
    pub fn let_happen(&self, event: Event) -> Stopped {
        let pid = self.terminal.child.id();
        let rail_pa = self.bench.latest().map_or(0.0, |seen| seen.rail_pa);
        let mut at = now();
        match event {
            Event::Space => self.terminal.press(" "),
            Event::SpaceWhileStuck => {
                self.terminal.get_stuck();
                // Long enough for the screen to be held up, and short of a lease lost by that.
                rest(Duration::from_millis(150));
                at = now();
                self.terminal.press(" ");
            }
            Event::CtrlZ => self.terminal.press("\x1a"),
            Event::WindowClosed => self.terminal.close(),
            Event::Ended => signal(pid, "TERM"),
            Event::Killed => signal(pid, "KILL"),
            Event::Suspended => {
                signal(pid, "STOP");
                rest(Duration::from_secs(2));
                signal(pid, "CONT");
            }
            Event::Unplugged => at = self.bench.handle(Handling::Unplug),
            Event::Stalled => at = self.bench.handle(Handling::Stall),
        }
        Stopped {
            work_over: self.bench.still(at, Seen::works),
            rest: self.bench.still(at, |seen| seen.outputs.energised()),
            rail_pa,
            tripped: self.bench.since(at).iter().any(|seen| seen.state == State::Tripped),
        }
    }
}

/// Lets `event` happen at an instant that `seed` chooses, in `folder`.
///
/// # Panics
/// When no program is at work at that instant, again and again.
#[must_use]
pub fn once(event: Event, seed: u64, folder: &Path) -> Stopped {
    let pump = ["heron", "dunlin"][(seed % 2) as usize];
    let scenario = Scenario::healthy("electrical", pump, seed);
    // Within the dwell under pressure, and at any phase of screens, lease and ticks.
    let wait = Duration::from_micros(ChaCha8Rng::seed_from_u64(seed).next_u64() % 1_500_000);
    let attempt = |n: u32| {
        let folder = folder.join(format!("attempt-{n}"));
        std::fs::create_dir(&folder).expect("the folder around it is ours");
        let at_work = AtWork::begin(&folder, &scenario, event != Event::CtrlZ);
        rest(wait);
        let works = at_work.bench.latest().is_some_and(|seen| seen.works());
        works.then(|| at_work.let_happen(event))
    };
    (1..=ATTEMPTS).find_map(attempt).expect("at work at last")
}

/// Waits for the end of a program without screens and returns its exit code; `None` when it was killed
/// or does not end in time.
pub fn exit_code(child: &mut Child, at_most: Duration) -> Option<i32> {
    let ended = std::cell::RefCell::new(child);
    wait_until(at_most, || matches!(ended.borrow_mut().try_wait(), Ok(Some(_))));
    ended.into_inner().try_wait().ok().flatten()?.code()
}

/// A program without screens and without a terminal, whose words are kept.
///
/// # Panics
/// When it does not start.
#[must_use]
pub fn spoken(folder: &Path, bench: &Bench, pump: &str, procedure: &str) -> Child {
    let mut command = command(folder, bench.path(), pump, procedure, false);
    command.arg("--yes").stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
    command.spawn().expect("the program starts")
}

/// Whether the bench is doing what a program without lease must not: energised, or armed.
#[must_use]
pub fn energised(seen: &Seen) -> bool {
    seen.outputs.energised() || matches!(seen.state, State::Armed | State::Dwelling)
}
