//! Whole runs in one process on a virtual clock, with one thing going wrong: engine, core, model and store are
//! the real ones, everything around them is played.
//!
//! ```text
//!  person ─► host: engine, store ─► line ─► machine: core, model     played: a millisecond at a time
//!                                     └──────────┴──► watch, said    witness: every tick, every word
//!                                                        └──► judged, record, log, asked, stopped, spurious    checkers
//! ```
//!
//! [`run`] is a function of its [`Case`] and nothing else. The checkers know the sheets, the wire and what is
//! true of the rig; they share nothing with the board's core but the meaning of its messages.

pub mod checkers;
pub mod played;
pub mod reports;
pub mod scripted;
pub mod witness;

pub use checkers::judged::{Judged, judged};
pub use reports::story::Story;

use checkers::record::{self, Kept};
use checkers::{asked, spurious, stopped};
use played::case::{Case, Length};
use played::host::Host;
use played::left::Left;
use played::line::Line;
use played::machine::Machine;
use played::mishap::{HostMishap, Mishap, What};
use std::path::Path;
use stepwell_procedure::run::Plan;
use stepwell_protocol::state::State;
use stepwell_store::Store;
use stepwell_virtual::SimulatedBench;
use witness::watch::Watch;

/// A run that takes longer than this hangs, in ms of rig time: by judgement, above what runs take on the worst line.
const fn longest_ms(length: Length) -> u64 {
    match length {
        Length::Short => 300_000,
        Length::Acceptance => 900_000,
    }
}

/// What follows the last life of the program, in ms: the lease, pressure that must be told of after the last work, and
/// some to spare.
const AFTERWARDS_MS: u64 = 12_000;

/// Carries out a case, with its record in a file `store` that is not there yet.
///
/// # Panics
/// When the store cannot be made.
#[must_use]
pub fn run(case: &Case, store: &Path) -> Story {
    let (mut story, begun) = play(case, &case.plan(), store);
    story.wrong.extend(spurious::trips(&story.watch, case.line, begun));
    story
}

/// The same with sheets or a procedure of one's own, with which a board may trip though nothing is wrong.
///
/// # Panics
/// When the store cannot be made.
#[must_use]
pub fn run_with(case: &Case, plan: &Plan, store: &Path) -> Story {
    play(case, plan, store).0
}

/// What came of a case, and what went wrong on purpose if it came to that.
fn play(case: &Case, plan: &Plan, store: &Path) -> (Story, Option<Mishap>) {
    let mut world = World {
        machine: Machine::new(case.rig(), case.seed, case.unseen),
        line: Line::new(case.line, case.seed),
        watch: Watch::new(),
        said: Vec::new(),
        to_come: case.mishap,
        begun: None,
        work_ms: 0,
    };
    let mut outcomes = Vec::new();
    let mut handed = Vec::new();
    let (mut hung, mut wrong_said) = (false, Vec::new());
    let mut told;
    loop {
        let mut file = Store::open(store).expect("a store can be made, and one that was left can be opened");
        let session = (case.seed as u32).wrapping_mul(2).wrapping_add(1 + outcomes.len() as u32);
        let mut host = Host::new(plan, &mut file, session, world.machine.ms());
        world.watch.program(session);
        let end = world.live(&mut host, case);
        host.recorder.handed.over_ms = world.machine.ms() as usize;
        outcomes.push(host.outcome().cloned());
        handed.push(std::mem::take(&mut host.recorder.handed));
        wrong_said.append(&mut host.wrong);
        told = std::mem::take(&mut host.told);
        hung |= end == End::Hung;
        let left = matches!(end, End::Killed | End::Restarted)
            .then(|| Left::of(store).expect("the files of a store can be read"));
        drop(host);
        drop(file);
        if let Some(left) = left {
            left.put_back(store).expect("the files of a store can be put back");
        }
        if end != End::Restarted {
            break;
        }
    }
    world.pass(AFTERWARDS_MS);

    let World { machine, mut watch, begun, .. } = world;
    watch.over();
    let kept: Vec<Kept> = handed
        .iter()
        .enumerate()
        .map(|(life, handed)| record::compare(store, plan, handed, life, &watch))
        .collect();
    let Judged { doing, episodes, mut wrong, beyond } = judged(plan, &watch, begun);
    wrong.extend(wrong_said);
    wrong.extend(handed.iter().filter_map(|handed| asked::energised(handed, &watch)));
    wrong.extend(handed.iter().filter_map(|handed| stopped::worked_on(handed, &doing, case.line)));
    wrong.extend(kept.iter().flat_map(|kept| kept.wrong.clone()));
    wrong.extend(kept.iter().filter(|kept| kept.lost > 0).map(|kept| {
        let (lost, of) = (kept.lost, kept.acknowledged);
        format!("{lost} of {of} samples that the disk had confirmed are lost")
    }));
    if hung {
        wrong.push("the run does not end".to_owned());
    }
    // The millisecond with number 1 has place 0.
    let at_rest_ms = begun
        .and_then(|mishap| reports::at_rest::at_rest_ms(&doing, &watch.said, mishap.onset_ms as usize - 1));
    let tripped = watch.ticks.iter().any(|beside| beside.moment.state == State::Tripped);
    let trips = machine.trips().to_vec();
    let story =
        Story { outcomes, wrong, beyond, episodes, kept, handed, at_rest_ms, tripped, trips, told, watch };
    (story, begun)
}

/// A folder for a store that need not last: on a memory file system where there is one.
///
/// # Panics
/// When none can be made.
#[must_use]
pub fn folder() -> tempfile::TempDir {
    let memory = Path::new("/dev/shm");
    let folder = if memory.is_dir() { tempfile::tempdir_in(memory) } else { tempfile::tempdir() };
    folder.expect("a temporary folder can be made")
}

/// How a life of the program ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum End {
    /// Its run is over, or there is none.
    Over,
    /// It was killed.
    Killed,
    /// It was killed and is started again.
    Restarted,
    /// It does not end.
    Hung,
}

struct World {
    machine: Machine,
    line: Line,
    watch: Watch,
    said: Vec<u8>,
    /// What is to go wrong, until it does.
    to_come: Option<Mishap>,
    /// What goes wrong, with its onset in rig time.
    begun: Option<Mishap>,
    /// Milliseconds in which dwells were carried out.
    work_ms: u64,
}

impl World {
    /// One millisecond.
    fn tick(&mut self) {
        let ms = self.machine.ms();
        self.work_ms += u64::from(self.machine.state() == State::Dwelling);
        let clock = |mishap: &mut Mishap| if mishap.of_work { self.work_ms } else { ms };
        if let Some(mishap) = self.to_come.take_if(|mishap| clock(mishap) >= mishap.onset_ms) {
            // The next millisecond is the first that it can spoil.
            let mishap = mishap.begun(ms + 1);
            self.machine.befall(mishap);
            self.line.befall(mishap);
            self.begun = Some(mishap);
        }
        let bytes = self.line.at_board(ms, self.machine.now());
        self.watch.heard(&bytes);
        self.machine.receive(&bytes);
        // A board in this process is never gone.
        let _ = self.machine.tick();
        self.watch.ticked(&self.machine);
        self.said.clear();
        self.machine.transmit(&mut self.said);
        self.watch.spoke(&self.said);
        self.line.from_board(ms, &self.said);
    }

    /// Time without anybody.
    fn pass(&mut self, for_ms: u64) {
        for _ in 0..for_ms {
            self.tick();
            let _ = self.line.at_host(self.machine.ms());
        }
    }

    fn live(&mut self, host: &mut Host<'_>, case: &Case) -> End {
        loop {
            let ms = self.machine.ms();
            if let Some(mishap) = self.begun {
                host.befall(mishap);
                let end = match mishap.what {
                    What::Host(HostMishap::Kill) => Some(End::Killed),
                    What::Host(HostMishap::Restart) => Some(End::Restarted),
                    _ => None,
                };
                if let Some(end) = end.filter(|_| mishap.begins_at(ms)) {
                    self.tick();
                    return end;
                }
            }
            host.recorder.passes(ms);
            if ms >= host.wakes_ms && !host.asleep(ms) {
                let bytes = self.line.at_host(ms);
                let gone = self.line.unplugged(ms);
                let to_board = host.serve(ms, &bytes, gone);
                if host.hears() {
                    self.watch.arrived(&bytes);
                }
                self.line.from_host(ms, &to_board);
                if host.unwelcome || host.outcome().is_some() {
                    return End::Over;
                }
            }
            self.tick();
            if ms > longest_ms(case.length) || host.outstays(ms) {
                return End::Hung;
            }
        }
    }
}
