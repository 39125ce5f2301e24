//! The samples of a record against what really was: nothing that a disk has confirmed is lost, nothing that reached
//! the program is left out, and every column of every tick is what the rig showed and the board drove.

use super::log;
use super::right::runs_out;
use crate::world::played::host::Handed;
use crate::world::played::line::LATENCY_MS_MAX;
use crate::world::witness::ear::Arrived;
use crate::world::witness::said::Said;
use crate::world::witness::watch::{Beside, Watch};
use std::collections::HashMap;
use std::path::Path;
use stepwell_procedure::run::Plan;
use stepwell_protocol::channel::{CHANNELS, Channel, Sample};
use stepwell_protocol::state::Status;
use stepwell_session::engine::STALE_MS;
use stepwell_store::{COMMIT_EVERY_MS, Column, RunState, Store, StoredRun};

/// A shaft turns for so long after a pulse, in ms (docs/protocol.md, 5.3).
const TURNS_MS: usize = 2_000;

/// The rail is proven low after so long, in ms, and a median of three ticks stands between (docs/protocol.md, 5.3).
const PROVEN_MS: usize = 50;
const MEDIAN_MS: usize = 3;

/// What a disk gives back of a run.
#[derive(Clone, Debug)]
pub struct Stored {
    /// Whether its seal is good.
    pub sealed: bool,
    /// Its columns, in the order of [`Channel::ALL`].
    pub columns: Vec<Column>,
    /// All else.
    pub run: StoredRun,
}

impl Stored {
    /// Reads and verifies a run.
    ///
    /// # Errors
    /// When it cannot be read, or is not what was written.
    pub fn read(path: &Path, number: u64) -> Result<Stored, stepwell_store::StoreError> {
        let store = Store::open_to_read(path)?;
        let sealed = store.verify(number)?.sealed;
        let columns = Channel::ALL.into_iter().map(|channel| store.samples(number, channel));
        Ok(Stored { sealed, columns: columns.collect::<Result<_, _>>()?, run: store.run(number)? })
    }
}

/// What became of a record.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Kept {
    /// Samples that the disk had confirmed and that are not there.
    pub lost: usize,
    /// Samples that the disk had confirmed.
    pub acknowledged: usize,
    /// Everything else that is wrong.
    pub wrong: Vec<String>,
}

/// Compares the run of the program's life with this number with what the disk gives back of it.
#[must_use]
pub fn compare(path: &Path, plan: &Plan, handed: &Handed, life: usize, watch: &Watch) -> Kept {
    if handed.number == 0 {
        return never_begun(handed);
    }
    match Stored::read(path, handed.number) {
        Ok(stored) => judged(plan, &stored, handed, life, watch),
        Err(why) => Kept {
            lost: handed.acknowledged,
            acknowledged: handed.acknowledged,
            wrong: vec![why.to_string()],
        },
    }
}

/// Of a run that was never begun no disk can have confirmed anything.
fn never_begun(handed: &Handed) -> Kept {
    let acknowledged = handed.acknowledged;
    let wrong =
        (acknowledged > 0).then(|| format!("{acknowledged} samples confirmed of a run that was never begun"));
    Kept { acknowledged, lost: acknowledged, wrong: wrong.into_iter().collect() }
}

/// What is wrong with a record that could be read.
#[must_use]
pub fn judged(plan: &Plan, stored: &Stored, handed: &Handed, life: usize, watch: &Watch) -> Kept {
    let mut kept = Kept { acknowledged: handed.acknowledged, ..Kept::default() };
    if stored.sealed != handed.sealed {
        kept.wrong.push(format!("sealed: {}, said to be: {}", stored.sealed, handed.sealed));
    }
    if stored.run.state == RunState::Running {
        kept.wrong.push("a run whose program has ended is said to be going on".to_owned());
    }
    for (column, channel) in stored.columns.iter().zip(Channel::ALL) {
        let flat: Vec<(u32, u16)> = column
            .pieces
            .iter()
            .flat_map(|piece| (piece.first.0..).zip(piece.counts.iter().copied()))
            .collect();
        if flat.len() > handed.samples.len() {
            kept.wrong.push(format!("{} samples of {channel:?} more than there were", flat.len()));
        }
        let good = flat.iter().zip(&handed.samples);
        let same =
            good.take_while(|(kept, (tick, sample))| **kept == (*tick, sample[channel.index()])).count();
        kept.lost = kept.lost.max(handed.acknowledged.saturating_sub(same));
        if same < flat.len().min(handed.samples.len()) {
            kept.wrong.push(format!("sample {same} of {channel:?} is not what was handed over"));
        }
    }
    kept.wrong.extend(out_of_order(&handed.samples));
    kept.wrong.extend(StatusDue::of(watch).untrue(&handed.samples, watch));
    kept.wrong.extend(mistimed(stored, watch));
    if let Some(ear) = watch.ears.get(life) {
        let places = (0..).zip(&handed.samples).map(|(place, (tick, _))| (*tick, place)).collect();
        kept.wrong.extend(left_out(handed, &ear.telemetry, &places));
        kept.wrong.extend(kept_late(handed, &ear.telemetry, &places));
    }
    kept.wrong.extend(log::judged(plan, stored, handed, life, watch));
    kept
}

/// Samples that do not follow one another, each tick once.
fn out_of_order(samples: &[(u32, Sample)]) -> Option<String> {
    let pair = samples.windows(2).find(|pair| pair[0].0 >= pair[1].0)?;
    Some(format!("after the sample of tick {} comes that of tick {}", pair[0].0, pair[1].0))
}

/// What of a status word an outside witness knows, tick by tick.
struct StatusDue {
    guards_set: Vec<bool>,
    lease_alive: Vec<bool>,
    shaft_turning: Vec<bool>,
    /// Whether the rail is surely proven low, or surely not; nothing in between.
    rail_proven_low: Vec<Option<bool>>,
}

impl StatusDue {
    fn of(watch: &Watch) -> StatusDue {
        let count = watch.ticks.len();
        let mut due = StatusDue {
            guards_set: Vec::with_capacity(count),
            lease_alive: Vec::with_capacity(count),
            shaft_turning: Vec::with_capacity(count),
            rail_proven_low: Vec::with_capacity(count),
        };
        let mut said = watch.said.iter().peekable();
        let (mut guards, mut renewed, mut pulse) = (None, None, None);
        let (mut low_ms, mut high_ms, mut last_pulse) = (0_usize, 0_usize, None);
        for (place, beside) in watch.ticks.iter().enumerate() {
            while let Some((_, what)) = said.next_if(|(at, _)| *at <= place) {
                match what {
                    Said::Guards(taken) => guards = Some(**taken),
                    Said::Renewed => renewed = Some(place),
                    Said::Opened => renewed = None,
                    _ => {}
                }
            }
            if beside.restarted {
                (guards, renewed, pulse, last_pulse) = (None, None, None, None);
                (low_ms, high_ms) = (0, 0);
            }
            if last_pulse.replace(beside.pulses[1].count).is_some_and(|last| last != beside.pulses[1].count) {
                pulse = Some(place);
            }
            let rail = beside.analog[Channel::RailPressure.index()];
            let low = guards.is_some_and(|guards| guards.rail_live.contains(rail) && rail <= guards.rail_low);
            (low_ms, high_ms) = if low { (low_ms + 1, 0) } else { (0, high_ms + 1) };
            let proven = low_ms > PROVEN_MS + MEDIAN_MS;
            let doubtful = low_ms > 0 || high_ms <= MEDIAN_MS;
            due.guards_set.push(guards.is_some());
            due.lease_alive.push(renewed.is_some_and(|renewed| place < runs_out(renewed)));
            due.shaft_turning.push(pulse.is_some_and(|pulse| place - pulse < TURNS_MS));
            due.rail_proven_low.push(if proven { Some(true) } else { (!doubtful).then_some(false) });
        }
        due
    }

    /// Samples that the board never sent, or that tell of something else than there was.
    fn untrue(&self, samples: &[(u32, Sample)], watch: &Watch) -> Option<String> {
        samples.iter().find_map(|(tick, sample)| {
            let Some(place) = watch.place_of(*tick, sample) else {
                return Some(format!("the sample of tick {tick} was never sent"));
            };
            let beside = &watch.ticks[place];
            let row = row(beside);
            let told = &sample[..CHANNELS - 1];
            if told != row {
                return Some(format!("tick {tick} tells of {told:?}, and there was {row:?}"));
            }
            let word = sample[Channel::Status.index()];
            let Some(status) = Status::from_word(word) else {
                return Some(format!("tick {tick} has no status: {word:#06x}"));
            };
            self.mistold(place, beside, status)
                .map(|(told, was)| format!("tick {tick} tells of {told}, and there was {was}"))
        })
    }

    /// What a status word says that is not so, and what is.
    fn mistold(&self, place: usize, beside: &Beside, status: Status) -> Option<(String, String)> {
        let (moment, outputs) = (&beside.moment, &beside.moment.outputs);
        if status.state != moment.state {
            return Some((format!("{:?}", status.state), format!("{:?}", moment.state)));
        }
        let [stop_chain, guard, tank] = beside.contacts;
        let words = [
            ("a drive that is on", status.drive_on, outputs.drive_rpm > 0),
            ("a supply that is on", status.supply_on, outputs.supply_on),
            ("a dump that is shut", status.dump_closed, outputs.dump_closed),
            ("a closed stop chain", status.stop_chain_closed, stop_chain),
            ("a closed guard", status.guard_closed, guard),
            ("a full tank", status.tank_level_ok, tank),
            ("guards", status.guards_set, self.guards_set[place]),
            ("a lease", status.lease_alive, self.lease_alive[place]),
            ("a shaft that turns", status.shaft_turning, self.shaft_turning[place]),
            // Unknown: what it says is right.
            (
                "a rail proven low",
                status.rail_proven_low,
                self.rail_proven_low[place].unwrap_or(status.rail_proven_low),
            ),
        ];
        let (what, told, was) = words.into_iter().find(|(_, told, was)| told != was)?;
        Some((format!("{what}: {told}"), was.to_string()))
    }
}

/// All columns of a tick but its status.
fn row(beside: &Beside) -> [u16; CHANNELS - 1] {
    let [rail, feed, inlet, pressure, supply, fluid, body] = beside.analog;
    let [flow, speed] = beside.pulses;
    let outputs = &beside.moment.outputs;
    let duties = [outputs.inlet_duty_e4, outputs.pressure_duty_e4];
    [
        rail,
        feed,
        inlet,
        pressure,
        supply,
        fluid,
        body,
        flow.count,
        flow.edge_us,
        speed.count,
        speed.edge_us,
        duties[0],
        duties[1],
    ]
}

/// A piece of a column that does not begin when its first tick was sampled, or columns of other pieces.
fn mistimed(stored: &Stored, watch: &Watch) -> Option<String> {
    let pieces = |column: &Column| -> Vec<(u32, usize)> {
        column.pieces.iter().map(|piece| (piece.first.0, piece.counts.len())).collect()
    };
    let first = &stored.columns[0];
    let other = stored.columns.iter().find(|column| pieces(column) != pieces(first));
    if let Some(column) = other {
        return Some(format!("{:?} was not kept for the same ticks as {:?}", column.channel, first.channel));
    }
    first.pieces.iter().find_map(|piece| {
        let tick = piece.first.0;
        let known = watch.times_of(tick).any(|us| Some(us) == piece.first_us);
        (!known).then(|| format!("tick {tick} was not sampled at {:?} us", piece.first_us))
    })
}

/// Where in what was handed over the sample of a tick is.
type Places = HashMap<u32, usize>;

/// Telemetry that reached the program in time and is not in what it handed over. What a program that was killed or that
/// had given the link up has not handed over behind its last is judged by [`kept_late`].
fn left_out(handed: &Handed, telemetry: &[Arrived], places: &Places) -> Option<String> {
    let whole = |Arrived { first, ticks, .. }: &Arrived| {
        (*first..).take(*ticks as usize).all(|tick| places.contains_key(&tick))
    };
    let due = if handed.outcome.is_some() && handed.gave_up_ms.is_none() {
        telemetry.len()
    } else {
        telemetry.iter().rposition(whole).map_or(0, |last| last + 1)
    };
    let missing = telemetry[..due].iter().find(|arrived| !whole(arrived))?;
    Some(format!("telemetry from tick {} on reached the program and was left out", missing.first))
}

/// All but its last second of a run is on the disk, whenever the program is killed, and whatever became of its link:
/// a commit comes after half a second of the board's time (`host/store/src/pace.rs`), and at the latest when no frame
/// has come for half a second and the link is lost. A frame may besides be on its way for longer than the one before,
/// and both ends of the time are seen by the program when it is served. In ms.
fn kept_after_ms(handed: &Handed) -> usize {
    COMMIT_EVERY_MS as usize + STALE_MS as usize + LATENCY_MS_MAX as usize + 2 * handed.served_ms_max
}

/// Telemetry that reached the program and that the disk had not confirmed in time; what was never handed over never was.
/// What came less long before the program was killed may be lost, and so may what came after the disk has refused
/// something or the link was given up; a program that stands still writes nothing.
fn kept_late(handed: &Handed, telemetry: &[Arrived], places: &Places) -> Option<String> {
    let over_ms = handed.refused_ms.unwrap_or(handed.over_ms);
    let is_due = |arrived: &&Arrived| handed.gave_up_ms.is_none_or(|gave_up_ms| arrived.ms < gave_up_ms);
    telemetry.iter().take_while(is_due).find_map(|Arrived { ms, first, ticks }| {
        let confirmed = places.get(&(first + ticks - 1)).and_then(|place| {
            let commit = handed.commits.partition_point(|(_, samples)| samples <= place);
            handed.commits.get(commit)
        });
        let confirmed_ms = confirmed.map_or(over_ms, |(ms, _)| over_ms.min(*ms));
        let still = handed
            .stood_still
            .as_ref()
            .map_or(0, |still| still.end.min(confirmed_ms).saturating_sub(still.start.max(*ms)));
        let waited_ms = confirmed_ms.saturating_sub(ms + still);
        (waited_ms > kept_after_ms(handed)).then(|| {
            format!("telemetry from tick {first} on was not on the disk {waited_ms} ms after it came")
        })
    })
}
