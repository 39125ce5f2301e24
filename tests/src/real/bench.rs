//! The built-in bench in real time behind a line, with a witness: every tick, on the clock of this
//! process, what the board set.

use super::line::{self, Handling};
use crate::shipped::Scenario;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};
use stepwell_core::Outputs;
use stepwell_plant::Rig;
use stepwell_plant::constants::P_ATMOSPHERE_PA;
use stepwell_protocol::state::State;
use stepwell_virtual::{ModelRig, SimulatedBench, VirtualBench, pace};
use tokio::io::AsyncReadExt;
use tokio::sync::mpsc;

/// One tick. The bench makes five at a time, so `at` may be up to five milliseconds late.
#[derive(Clone, Copy, Debug)]
pub struct Seen {
    /// When it was, on this process's clock.
    pub at: Instant,
    /// Board time, ms.
    pub tick: u32,
    /// What the board is doing.
    pub state: State,
    /// What it drives.
    pub outputs: Outputs,
    /// True rail pressure above atmosphere, Pa.
    pub rail_pa: f64,
}

impl Seen {
    /// Whether anything but a valve that relieves the rail is energised.
    #[must_use]
    pub fn works(&self) -> bool {
        let Outputs { supply_on, drive_rpm, dump_closed, .. } = self.outputs;
        supply_on || drive_rpm > 0 || dump_closed || self.state == State::Dwelling
    }
}

/// A bench with a pump whose lines are full, behind a line.
#[derive(Debug)]
pub struct Bench {
    path: PathBuf,
    handling: mpsc::UnboundedSender<Handling>,
    seen: Arc<Mutex<Vec<Seen>>>,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl Bench {
    /// Starts the bench of `scenario` and a line to it at `path`; `per_mille` of all pieces on it come
    /// to harm. The first byte to arrive switches the bench on.
    ///
    /// # Panics
    /// When the computer gives no thread or pseudo-terminal.
    #[must_use]
    pub fn start(scenario: &Scenario, path: &Path, per_mille: u16) -> Bench {
        let (handling, handled) = mpsc::unbounded_channel();
        let seen = Arc::new(Mutex::new(Vec::new()));
        let (witness, setup, link) = (Arc::clone(&seen), scenario.setup(), path.to_owned());
        let thread = std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
            runtime.expect("a runtime").block_on(async move {
                let (mut ours, theirs) = tokio::io::duplex(1 << 16);
                tokio::spawn(async move {
                    let mut bytes = [0; 4096];
                    let Ok(len @ 1..) = ours.read(&mut bytes).await else { return };
                    let rig = Rig { primed: true, ..Rig::for_pump(&setup.pump) };
                    let mut bench = VirtualBench::of(ModelRig::of(rig, setup.seed), setup.seed);
                    bench.receive(&bytes[..len]);
                    let look = |bench: &VirtualBench| {
                        let seen = Seen {
                            at: super::now(),
                            tick: bench.now().0,
                            state: bench.state(),
                            outputs: bench.outputs(),
                            rail_pa: bench.truth().p4_pa - P_ATMOSPHERE_PA,
                        };
                        witness.lock().unwrap_or_else(PoisonError::into_inner).push(seen);
                    };
                    let _ = pace(&mut ours, &mut bench, look).await;
                });
                line::carry(theirs, &link, (setup.seed, per_mille), handled).await.expect("the line");
            });
        });
        let bench = Bench { path: path.to_owned(), handling, seen, thread: Some(thread) };
        bench.wait("the line is there", |_| path.exists());
        bench
    }

    /// Where a program finds it.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Does something to the line; returns when.
    pub fn handle(&self, handling: Handling) -> Instant {
        let at = super::now();
        let _ = self.handling.send(handling);
        at
    }

    /// What was seen from `since` on.
    #[must_use]
    pub fn since(&self, since: Instant) -> Vec<Seen> {
        let seen = self.seen.lock().unwrap_or_else(PoisonError::into_inner);
        seen[seen.partition_point(|seen| seen.at < since)..].to_vec()
    }

    /// The last tick before `at`.
    #[must_use]
    pub fn before(&self, at: Instant) -> Option<Seen> {
        let seen = self.seen.lock().unwrap_or_else(PoisonError::into_inner);
        seen[..seen.partition_point(|seen| seen.at < at)].last().copied()
    }

    /// The latest tick.
    #[must_use]
    pub fn latest(&self) -> Option<Seen> {
        self.seen.lock().unwrap_or_else(PoisonError::into_inner).last().copied()
    }

    /// Waits until this is so of the bench.
    ///
    /// # Panics
    /// When it takes longer than anything here takes.
    pub fn wait(&self, what: &str, so: impl Fn(&Bench) -> bool) {
        assert!(super::wait_until(super::PATIENCE, || so(self)), "never: {what}; {:?}", self.latest());
    }

    /// How long after `since` the last tick was at which `still` held. Waits for the bench to be at rest first.
    pub fn still(&self, since: Instant, still: impl Fn(&Seen) -> bool) -> Duration {
        self.wait("at rest", |bench| {
            let held = |seen: &Seen| seen.at > since && !seen.outputs.energised();
            bench.latest().is_some_and(|seen| held(&seen) && seen.state != State::Dwelling)
        });
        let seen = self.since(since);
        let last = seen.iter().rfind(|seen| still(seen));
        last.map_or(Duration::ZERO, |seen| seen.at.saturating_duration_since(since))
    }
}

impl Drop for Bench {
    fn drop(&mut self) {
        let (closed, _) = mpsc::unbounded_channel();
        self.handling = closed;
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}
