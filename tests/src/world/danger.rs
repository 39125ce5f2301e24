//! What must not last while anything is being worked: conditions of the true rig, each with the longest time it
//! may go on. They know the sheets and the model's truth, and nothing of the board's thresholds.

use super::authority::Doing;
use super::letting_go::DECAY_MS;
use super::mishap::{Mishap, What};
use super::right;
use super::said::Said;
use super::scale::{PERIOD_MS, count_a};
use super::watch::{Beside, Watch};
use crate::check::Excuse;
use stepwell_plant::FaultKind;
use stepwell_procedure::run::Plan;
use stepwell_protocol::state::State;

/// A condition and its bound.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Danger {
    /// Name in tables.
    pub name: &'static str,
    /// It may go on for this long while something is being worked, in ms.
    pub bound_ms: usize,
}

/// A stretch in which a condition went on while something was being worked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Episode {
    /// Which.
    pub danger: Danger,
    /// For how long, ms.
    pub lasted_ms: usize,
    /// The longest time in it in which the board could know, ms.
    pub seen_ms: usize,
    /// Its first millisecond.
    pub from: usize,
}

/// What the conditions are told besides a tick.
struct Facts<'a> {
    plan: &'a Plan,
    rig: Option<(FaultKind, Mishap)>,
    /// Since when there has been no pulse of the flow meter although flow is expected.
    dry_since: Vec<Option<usize>>,
    /// Since when each output has been at 0 %, inlet first.
    zero_since: Vec<[Option<usize>; 2]>,
    /// Since when each output has been driven at a tenth or more.
    driven_since: Vec<[Option<usize>; 2]>,
    /// What the current channels have shown over the last PWM period, inlet first, A.
    shown_a: Vec<[f64; 2]>,
    /// The highest supply so far, V.
    most_v: Vec<f64>,
    /// Broken frames heard within the last second.
    broken: Vec<usize>,
    /// Since when somebody else, or nonsense, was heard.
    foreign: Vec<bool>,
    impossible: Vec<bool>,
}

/// Name of the condition that a sensor which shows too little hides.
const ABOVE_GUARD: &str = "rail above its guard";

type Condition = fn(&Facts<'_>, &Beside, usize) -> bool;

/// A reading is off by its channel's gain, 1 % on the demo bench, and noise: a condition counts beyond that.
const GAIN: f64 = 1.02;

/// A condition and where its bound comes from.
struct Row {
    name: &'static str,
    /// Causes of chapter 11 of docs/protocol.md, by its words: the longest of what it promises for them, in ms; where
    /// that says *that*, the condition itself counts from there.
    promised: (&'static str, usize),
    /// What is added to the promise, in ms, and why.
    added: (usize, &'static str),
    condition: Condition,
}

const fn row(
    name: &'static str,
    promised: (&'static str, usize),
    added: (usize, &'static str),
    condition: Condition,
) -> Row {
    Row { name, promised, added, condition }
}

const NOTHING: (usize, &str) = (0, "");

const CONDITIONS: &[Row] = &[
    row("stop chain open", ("StopChainOpen", 20), NOTHING, |_, beside, _| !beside.contacts[0]),
    row("guard open", ("GuardOpen", 100), NOTHING, |_, beside, _| !beside.contacts[1]),
    row("tank low", ("TankLow", 1_000), NOTHING, |_, beside, _| !beside.contacts[2]),
    row(ABOVE_GUARD, ("RailHigh", 20), NOTHING, |facts, beside, _| {
        beside.moment.rail_pa > GAIN * facts.plan.pump.rail_guard_pa
    }),
    row("over-current, inlet", ("OverCurrent", 10), NOTHING, |facts, beside, place| {
        over_current(facts, beside, place, 0)
    }),
    row("over-current, pressure", ("OverCurrent", 10), NOTHING, |facts, beside, place| {
        over_current(facts, beside, place, 1)
    }),
    row("current at 0 %, inlet", ("CurrentAtZeroDuty", 50), NOTHING, |facts, beside, place| {
        current_at_zero(facts, beside, place, 0)
    }),
    row("current at 0 %, pressure", ("CurrentAtZeroDuty", 50), NOTHING, |facts, beside, place| {
        current_at_zero(facts, beside, place, 1)
    }),
    row("no current when driven, inlet", ("CoilOpen", 50), JUST_DRIVEN, |facts, beside, place| {
        open(facts, beside, place, 0)
    }),
    row("no current when driven, pressure", ("CoilOpen", 50), JUST_DRIVEN, |facts, beside, place| {
        open(facts, beside, place, 1)
    }),
    row("converter stands still", ("AdcFrozen", 50), NOTHING, |_, beside, _| beside.converter_stands),
    row("supply low", ("SupplyLow", 100), NOTHING, |facts, beside, _| {
        beside.supply_v * GAIN < facts.plan.bench.supply_v.0
    }),
    row("supply high", ("SupplyHigh", 100), NOTHING, |facts, beside, _| {
        beside.supply_v > GAIN * facts.plan.bench.supply_v.1
    }),
    row("rail sensor without a line", ("RailSensorDead", 50), NOTHING, |facts, _, place| {
        acts(facts, place, &[FaultKind::RailSensorOpen, FaultKind::RailSensorShort])
    }),
    row("rail sensor stuck", ("RailSensorFrozen", 2_000), NOTHING, |facts, _, place| {
        acts(facts, place, &[FaultKind::RailSensorStuck])
    }),
    row("feed sensor without a line", ("FeedSensorDead", 50), NOTHING, |facts, _, place| {
        acts(facts, place, &[FaultKind::FeedSensorOpen])
    }),
    row("fluid sensor without a line", ("FluidTemperature", 1_000), NOTHING, |facts, _, place| {
        acts(facts, place, &[FaultKind::FluidThermistorOpen, FaultKind::FluidThermistorShort])
    }),
    row("fluid too hot", ("FluidTemperature", 1_000), NOTHING, |facts, beside, _| {
        beside.fluid_sensed_celsius > facts.plan.bench.fluid_celsius.1 + HOT_K
    }),
    row(
        "dry run",
        ("NoFlow", 0),
        (2, "the tick that counts the gap out, and the one that acts"),
        |facts, _, place| {
            let gap_ms = (facts.plan.bench.flow_gap_s * 1e3) as usize;
            facts.dry_since[place].is_some_and(|since| place - since > gap_ms)
        },
    ),
    row("broken frames", ("LinkNoise", 1_000), NOTHING, |facts, _, place| facts.broken[place] > BROKEN_MAX),
    row("second host", ("ForeignSession", 10), NOTHING, |facts, _, place| facts.foreign[place]),
    row("impossible command", ("BadCommand", 10), NOTHING, |facts, _, place| facts.impossible[place]),
];

/// What is added where a coil may have been driven only since the condition began.
const JUST_DRIVEN: (usize, &str) =
    (50, "a current that has just been switched on tells nothing: as long again");

/// How far a sensor of the fluid may be off, in K: half a kelvin by itself, and as much by its channel.
const HOT_K: f64 = 1.0;

/// Frames that no bad line breaks within a second: more are something else.
const BROKEN_MAX: usize = 40;

/// Over one period of a 200 Hz PWM. A channel shows no more than its full scale: what lies above, in a coil that
/// is shorted outright, is for the driver's own protection.
fn over_current(facts: &Facts<'_>, beside: &Beside, place: usize, coil: usize) -> bool {
    let outputs = &beside.moment.outputs;
    // What an output that was let go still draws is its switch's doing.
    let let_go = beside.moment.state == State::Stopping
        && [outputs.inlet_duty_e4, outputs.pressure_duty_e4][coil] == 0;
    right::fitted(facts.plan)[coil].is_some_and(|(valve, _)| {
        let full_duty_a = right::full_duty_a(facts.plan, valve, facts.most_v[place]);
        !let_go && facts.shown_a[place][coil] > GAIN * right::current_max_a(facts.plan, valve, full_duty_a)
    })
}

/// What a coil's channel shows over one PWM period up to this tick, A.
fn shown_a(plan: &Plan, watch: &Watch, place: usize, coil: usize) -> f64 {
    let period = &watch.ticks[(place + 1).saturating_sub(PERIOD_MS)..=place];
    let sum: f64 = period.iter().map(|beside| f64::from(beside.current_words[coil])).sum();
    sum / period.len() as f64 * count_a(&plan.bench)
}

/// A tenth of what full duty makes flow is no residue.
fn current_at_zero(facts: &Facts<'_>, beside: &Beside, place: usize, coil: usize) -> bool {
    let on = winding(facts, place, coil);
    let least_a = 0.1 * beside.supply_v / beside.circuit_ohm[on];
    right::fitted(facts.plan)[coil].is_some()
        && facts.zero_since[place][coil].is_some_and(|since| place - since > DECAY_MS)
        && beside.current_a[on] > least_a
}

fn open(facts: &Facts<'_>, beside: &Beside, place: usize, coil: usize) -> bool {
    let driven = facts.driven_since[place][coil].is_some_and(|since| place - since > 0);
    driven && beside.circuit_ohm[winding(facts, place, coil)] > OPEN_OHM
}

/// The winding at an output: the other one while connectors are swapped.
fn winding(facts: &Facts<'_>, place: usize, output: usize) -> usize {
    if acts(facts, place, &[FaultKind::ConnectorsSwapped]) { 1 - output } else { output }
}

/// A circuit of more than this is open: hundreds of times any coil.
const OPEN_OHM: f64 = 1_000.0;

fn acts(facts: &Facts<'_>, place: usize, kinds: &[FaultKind]) -> bool {
    facts.rig.is_some_and(|(kind, mishap)| {
        kinds.contains(&kind) && mishap.severity > 0.0 && mishap.acts_at(place as u64)
    })
}

/// Every stretch in which a condition went on while something was being worked, however short.
#[must_use]
pub fn episodes(
    plan: &Plan,
    watch: &Watch,
    doing: &[Doing],
    mishap: Option<Mishap>,
    excuses: &[Excuse],
) -> Vec<Episode> {
    let facts = facts(plan, watch, doing, mishap);
    let mut found = Vec::new();
    for &Row { name, promised, added, condition } in CONDITIONS {
        // A coil that draws too much is let go in the hold of a stop as well.
        let held = promised.0 == "OverCurrent";
        let danger = Danger { name, bound_ms: promised.1 + added.0 };
        let mut episode: Option<Episode> = None;
        let mut seen_ms = 0;
        for (place, beside) in watch.ticks.iter().enumerate() {
            let acts = doing[place].works() || held && doing[place] == Doing::Hold;
            if !(acts && condition(&facts, beside, place)) {
                found.extend(episode.take());
                seen_ms = 0;
                continue;
            }
            let hidden = name == ABOVE_GUARD && excuses[place].rail_hidden;
            seen_ms = if hidden { 0 } else { seen_ms + 1 };
            let now = episode.get_or_insert(Episode { danger, lasted_ms: 0, seen_ms: 0, from: place });
            now.lasted_ms += 1;
            now.seen_ms = now.seen_ms.max(seen_ms);
        }
        found.extend(episode);
    }
    found
}

/// What outlasted its bound, by what of each episode counts, in words.
#[must_use]
pub fn too_long(episodes: &[Episode], counts_ms: fn(&Episode) -> usize) -> Vec<String> {
    let over = episodes.iter().filter(|episode| counts_ms(episode) > episode.danger.bound_ms);
    over.map(|episode| {
        let Episode { danger, lasted_ms, from, .. } = episode;
        format!("{} for {lasted_ms} ms from {from} ms on, {} at the most", danger.name, danger.bound_ms)
    })
    .collect()
}

fn facts<'a>(plan: &'a Plan, watch: &Watch, doing: &[Doing], mishap: Option<Mishap>) -> Facts<'a> {
    let rig = mishap.and_then(|mishap| match mishap.what {
        What::Rig(kind) => Some((kind, mishap)),
        _ => None,
    });
    let count = watch.ticks.len();
    let mut facts = Facts {
        plan,
        rig,
        dry_since: Vec::with_capacity(count),
        zero_since: Vec::with_capacity(count),
        driven_since: Vec::with_capacity(count),
        shown_a: Vec::with_capacity(count),
        most_v: Vec::with_capacity(count),
        broken: Vec::with_capacity(count),
        foreign: vec![false; count],
        impossible: vec![false; count],
    };
    let since = |now: bool, before: Option<usize>, place: usize| now.then(|| before.unwrap_or(place));
    let (mut dry, mut zero, mut driven) = (None, [None; 2], [None; 2]);
    let mut pulses = 0;
    for (place, (beside, doing)) in watch.ticks.iter().zip(doing).enumerate() {
        let expects = *doing == Doing::Work { expects_flow: true };
        let pulse = std::mem::replace(&mut pulses, beside.pulses[0].count) != beside.pulses[0].count;
        dry = since(expects && !pulse, dry, place);
        let outputs = &beside.moment.outputs;
        for (coil, duty_e4) in [outputs.inlet_duty_e4, outputs.pressure_duty_e4].into_iter().enumerate() {
            zero[coil] = since(duty_e4 == 0, zero[coil], place);
            driven[coil] = since(duty_e4 >= 1_000, driven[coil], place);
        }
        let most_v = facts.most_v.last().map_or(beside.supply_v, |most_v| beside.supply_v.max(*most_v));
        facts.most_v.push(most_v);
        facts.shown_a.push([0, 1].map(|coil| shown_a(plan, watch, place, coil)));
        facts.dry_since.push(dry);
        facts.zero_since.push(zero);
        facts.driven_since.push(driven);
    }
    let mut broken_at = vec![0_usize; count + 1];
    for (place, said) in watch.said.iter().filter(|(place, _)| *place < count) {
        match said {
            Said::Broken => broken_at[*place] += 1,
            // What another session says is wrong while something is energised, and no word of a start at that tick.
            Said::Foreign if place.checked_sub(1).is_none_or(|before| !doing[before].works()) => {}
            // From then on, until the board does no more work.
            Said::Foreign | Said::Impossible => {
                let marks = if *said == Said::Foreign { &mut facts.foreign } else { &mut facts.impossible };
                let until = doing[*place..].iter().position(|doing| !doing.works()).unwrap_or(count - place);
                marks[*place..*place + until].fill(true);
            }
            _ => {}
        }
    }
    let mut within = 0;
    for place in 0..count {
        within += broken_at[place];
        if place >= 1_000 {
            within -= broken_at[place - 1_000];
        }
        facts.broken.push(within);
    }
    facts
}

#[cfg(test)]
mod tests {
    use super::CONDITIONS;
    use crate::promised::within_ms;

    #[test]
    fn every_bound_is_what_the_protocol_promises_and_what_is_added_has_a_reason() {
        for row in CONDITIONS {
            let (cause, promised_ms) = row.promised;
            assert_eq!(promised_ms, within_ms(cause), "{}", row.name);
            assert_eq!(row.added.0 == 0, row.added.1.is_empty(), "{}", row.name);
        }
    }
}
