//! Whole runs in one process on a virtual clock, with one thing going wrong: engine, core, model and store are
//! the real ones, everything around them is played.
//!
//! ```text
//!  person ─► host: engine, store ─► line ─► machine: core, model     the world, a millisecond at a time
//!                                     └──────────┴──► watch ─► authority, ending, danger, record, log     the checkers
//! ```
//!
//! [`run`] is a function of its [`Case`] and nothing else. The checkers know the sheets, the wire and what is
//! true of the rig; they share nothing with the board's core but the meaning of its messages.

pub mod asked;
mod at_rest;
pub mod authority;
pub mod case;
pub mod claims;
pub mod danger;
pub mod ear;
mod empty;
mod ending;
pub mod excuse;
mod found;
pub mod founded;
mod full_hold;
pub mod host;
pub mod latched;
mod left;
pub mod letting_go;
pub mod line;
pub mod log;
pub mod machine;
pub mod mishap;
pub mod record;
mod right;
pub mod said;
mod scale;
pub mod scripted;
pub mod tally;
pub mod watch;

use crate::check::{self, Excuse};
use crate::trace::Moment;
use authority::Doing;
use case::{Case, Length};
use danger::Episode;
use host::{Handed, Host};
use left::Left;
use line::{Line, Quality};
use machine::Machine;
use mishap::{HostMishap, Mishap, What};
use record::Kept;
use sha2::{Digest, Sha256};
use std::path::Path;
use stepwell_plant::Truth;
use stepwell_procedure::record::Outcome;
use stepwell_procedure::run::Plan;
use stepwell_protocol::message::TripCause;
use stepwell_protocol::state::State;
use stepwell_store::Store;
use stepwell_virtual::SimulatedBench;
use watch::Watch;

/// All that came of a case.
#[derive(Debug)]
pub struct Story {
    /// What each life of the program came to; nothing when it was killed or the board would not talk to it.
    pub outcomes: Vec<Option<Outcome>>,
    /// Everything that must never happen and did.
    pub wrong: Vec<String>,
    /// What would be wrong if the board could have known: a rail above its guard and a valve let go while the shaft
    /// turned, left to the rig's relief valve and gauge.
    pub beyond: Vec<String>,
    /// How long each dangerous condition went on while something was being worked.
    pub episodes: Vec<Episode>,
    /// What became of each life's record.
    pub kept: Vec<Kept>,
    /// What each life handed to the disk.
    pub handed: Vec<Handed>,
    /// From the beginning of the mishap until nothing was worked any more without being armed anew, ms: of a run that
    /// goes on, until its own end. Nothing when nothing was being worked just before.
    pub at_rest_ms: Option<usize>,
    /// Whether the board tripped.
    pub tripped: bool,
    /// The first cause of each trip.
    pub trips: Vec<TripCause>,
    /// All that the program said of its last run.
    pub told: String,
    /// What stood beside the bench.
    pub watch: Watch,
}

impl Story {
    /// Samples that a disk had confirmed and that are lost.
    #[must_use]
    pub fn lost(&self) -> usize {
        self.kept.iter().map(|kept| kept.lost).sum()
    }

    /// Samples that a disk had confirmed.
    #[must_use]
    pub fn acknowledged(&self) -> usize {
        self.kept.iter().map(|kept| kept.acknowledged).sum()
    }

    /// Everything that makes two stories the same, in one number, which is the same wherever it is worked out: all
    /// outputs, states and pressures of every tick, every sample and entry that was handed to a disk and what became
    /// of them, every outcome.
    #[must_use]
    pub fn fingerprint(&self) -> u64 {
        let mut hasher = Sha256::new();
        for beside in &self.watch.ticks {
            hasher.update(format!("{:?}\n", beside.moment));
        }
        for handed in &self.handed {
            for (tick, sample) in &handed.samples {
                hasher.update(tick.to_le_bytes());
                for word in sample {
                    hasher.update(word.to_le_bytes());
                }
            }
            hasher.update(format!("{:?} {:?}\n", handed.entries, handed.outcome));
        }
        hasher.update(format!("{:?} {:?} {:?}", self.outcomes, self.wrong, self.kept));
        let mut first = [0; 8];
        first.copy_from_slice(&hasher.finalize()[..8]);
        u64::from_be_bytes(first)
    }
}

/// A run that takes longer than this hangs, in ms of rig time.
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
    let mut story = run_with(case, &case.plan(), store);
    // Only a bad line may trip a board with which nothing is wrong.
    let by_line = |cause: &TripCause| {
        case.line == Quality::BAD && matches!(cause, TripCause::LeaseLost | TripCause::LinkNoise)
    };
    if case.mishap.is_none() {
        let spurious = story.trips.iter().filter(|cause| !by_line(cause));
        story.wrong.extend(spurious.map(|cause| format!("tripped by {cause:?} although nothing is wrong")));
    }
    story
}

/// The same with sheets or a procedure of one's own.
///
/// # Panics
/// When the store cannot be made.
#[must_use]
pub fn run_with(case: &Case, plan: &Plan, store: &Path) -> Story {
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
    wrong.extend(kept.iter().flat_map(|kept| kept.wrong.clone()));
    wrong.extend(kept.iter().filter(|kept| kept.lost > 0).map(|kept| {
        let (lost, of) = (kept.lost, kept.acknowledged);
        format!("{lost} of {of} samples that the disk had confirmed are lost")
    }));
    if hung {
        wrong.push("the run does not end".to_owned());
    }
    // The millisecond with number 1 has place 0.
    let at_rest_ms =
        begun.and_then(|mishap| at_rest::at_rest_ms(&doing, &watch.said, mishap.onset_ms as usize - 1));
    let tripped = watch.ticks.iter().any(|beside| beside.moment.state == State::Tripped);
    let trips = machine.trips().to_vec();
    Story { outcomes, wrong, beyond, episodes, kept, handed, at_rest_ms, tripped, trips, told, watch }
}

/// What everybody beside the bench makes of what happened there.
#[derive(Debug)]
pub struct Judged {
    /// What each tick did.
    pub doing: Vec<Doing>,
    /// How long each dangerous condition went on while something was being worked.
    pub episodes: Vec<Episode>,
    /// Everything that must never happen and did.
    pub wrong: Vec<String>,
    /// What would be wrong if the board could have known.
    pub beyond: Vec<String>,
}

/// All that can be told without a record: authority, dangers, the checks of a trace, what is conserved. `begun` is what
/// went wrong on purpose.
#[must_use]
pub fn judged(plan: &Plan, watch: &Watch, begun: Option<Mishap>) -> Judged {
    let (doing, mut wrong) = authority::walk(plan, watch);
    wrong.extend(ending::judged(watch));
    wrong.extend(empty::pressed(plan, watch, begun));
    let excuses = excuse::excuses(plan, watch, begun);
    let episodes = danger::episodes(plan, watch, &doing, begun, &excuses);
    let moments: Vec<Moment> = watch.ticks.iter().map(|beside| beside.moment).collect();
    wrong.extend(check::drive_beyond_rating(plan, &moments));
    let by_trace = by_life(plan, watch, &excuses);
    // Whatever the sensors show, only a coil's own current excuses that it is let go.
    let all_known: Vec<Excuse> = excuses
        .iter()
        .map(|&Excuse { let_go, dump_stuck, .. }| Excuse { let_go, dump_stuck, ..Excuse::default() })
        .collect();
    let mut beyond = by_life(plan, watch, &all_known);
    beyond.retain(|what| !by_trace.contains(what));
    wrong.extend(by_trace);
    wrong.extend(danger::too_long(&episodes, |episode| episode.seen_ms));
    let unseen = danger::too_long(&episodes, |episode| episode.lasted_ms);
    beyond.extend(unseen.into_iter().filter(|what| !wrong.contains(what)));
    wrong.extend(full_hold::broken_off(plan, watch, begun, &excuses));
    wrong.extend(latched::untold(plan, watch, &doing, begun));
    wrong.extend(watch.truths.and_then(|(before, after)| not_conserved(&before, &after)));
    if moments.last().is_some_and(|last| last.outputs.energised()) {
        wrong.push("something is still driven at the end".to_owned());
    }
    let most_pa = moments.iter().map(|moment| moment.rail_pa).fold(0.0, f64::max);
    if most_pa > plan.bench.rail_max_pa {
        wrong.push(format!("{:.0} MPa, more than the rig can stand", most_pa * 1e-6));
    }
    Judged { doing, episodes, wrong, beyond }
}

/// What the checks of a trace find in what a board did from one start to the next.
fn by_life(plan: &Plan, watch: &Watch, excuses: &[Excuse]) -> Vec<String> {
    let mut wrong = Vec::new();
    let mut begins = 0;
    for life in watch.ticks.chunk_by(|_, next| !next.restarted) {
        let ends = begins + life.len();
        let excuses = &excuses[std::mem::replace(&mut begins, ends)..ends];
        // While the loop does not run the board's own word for what it does is an old one.
        let ran = life.iter().zip(excuses).filter(|(beside, _)| beside.running);
        let (moments, excuses): (Vec<Moment>, Vec<Excuse>) =
            ran.map(|(beside, excuse)| (beside.moment, *excuse)).unzip();
        wrong.extend(check::rail_above_guard(plan, &moments, &excuses));
        wrong.extend(check::energised_out_of_turn(&moments));
        wrong.extend(check::stop_out_of_order(plan, &moments, &excuses));
    }
    wrong
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

/// Liquid or gas that came from nowhere or went there, beyond 1e-4 of what was moved, which is what the model
/// promises.
fn not_conserved(before: &Truth, after: &Truth) -> Option<String> {
    let counters = &after.counters;
    let came_m3 = counters.supplied_m3 + counters.external_m3
        - counters.returned_m3
        - counters.leaked_m3
        - counters.regulated_m3
        - counters.bled_m3
        - counters.dumped_m3
        - counters.spilled_m3;
    let stored_m3 = after.stored_liquid_m3 - before.stored_liquid_m3;
    let moved_m3 = counters.supplied_m3 + before.stored_liquid_m3.abs() + 1e-9;
    let came_kg = counters.gas_in_kg - counters.gas_out_kg;
    let stored_kg = after.stored_gas_kg - before.stored_gas_kg;
    let moved_kg = before.stored_gas_kg + counters.gas_in_kg;
    if (came_m3 - stored_m3).abs() > 1e-4 * moved_m3 {
        return Some(format!("{came_m3} m3 of liquid came, {stored_m3} m3 stayed"));
    }
    ((came_kg - stored_kg).abs() > 1e-4 * moved_kg)
        .then(|| format!("{came_kg} kg of gas came, {stored_kg} kg stayed"))
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
            if ms > longest_ms(case.length) {
                return End::Hung;
            }
        }
    }
}
