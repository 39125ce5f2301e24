//! What must not last while anything is being worked: conditions of the true rig, each with the longest time it
//! may go on. They know the sheets and the model's truth, and nothing of the board's thresholds.

use super::authority::Doing;
use super::letting_go::DECAY_MS;
use super::mishap::{Mishap, What};
use super::said::Said;
use super::watch::{Beside, Watch};
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
    /// Broken frames heard within the last second.
    broken: Vec<usize>,
    /// Since when somebody else, or nonsense, was heard.
    foreign: Vec<bool>,
    impossible: Vec<bool>,
}

type Condition = fn(&Facts<'_>, &Beside, usize) -> bool;

/// A reading is off by its channel's gain, 1 % on the demo bench, and noise: a condition counts beyond that.
const GAIN: f64 = 1.02;

const CONDITIONS: &[(&str, usize, Condition)] = &[
    ("stop chain open", 20, |_, beside, _| !beside.contacts[0]),
    ("guard open", 100, |_, beside, _| !beside.contacts[1]),
    ("tank low", 1_000, |_, beside, _| !beside.contacts[2]),
    ("rail above its guard", 20, |facts, beside, _| {
        beside.moment.rail_pa > GAIN * facts.plan.pump.rail_guard_pa
    }),
    ("over-current, inlet", 10, |facts, _, place| over_current(facts, place, 0)),
    ("over-current, pressure", 10, |facts, _, place| over_current(facts, place, 1)),
    ("current at 0 %, inlet", 50, |facts, beside, place| current_at_zero(facts, beside, place, 0)),
    ("current at 0 %, pressure", 50, |facts, beside, place| current_at_zero(facts, beside, place, 1)),
    ("no current when driven, inlet", 100, |facts, beside, place| open(facts, beside, place, 0)),
    ("no current when driven, pressure", 100, |facts, beside, place| open(facts, beside, place, 1)),
    ("converter stands still", 50, |_, beside, _| beside.converter_stands),
    ("supply low", 100, |facts, beside, _| beside.supply_v * GAIN < facts.plan.bench.supply_v.0),
    ("supply high", 100, |facts, beside, _| beside.supply_v > GAIN * facts.plan.bench.supply_v.1),
    ("rail sensor without a line", 50, |facts, _, place| {
        acts(facts, place, &[FaultKind::RailSensorOpen, FaultKind::RailSensorShort])
    }),
    ("rail sensor stuck", 2_000, |facts, _, place| acts(facts, place, &[FaultKind::RailSensorStuck])),
    ("feed sensor without a line", 50, |facts, _, place| acts(facts, place, &[FaultKind::FeedSensorOpen])),
    ("fluid sensor without a line", 1_000, |facts, _, place| {
        acts(facts, place, &[FaultKind::FluidThermistorOpen, FaultKind::FluidThermistorShort])
    }),
    // A thermistor lags by some seconds: what counts is what any sensor could have shown by then.
    ("fluid too hot", 1_000, |facts, beside, _| {
        beside.fluid_celsius > facts.plan.bench.fluid_celsius.1 + HOT_K
    }),
    ("dry run", 100, |facts, _, place| {
        let gap_ms = (facts.plan.bench.flow_gap_s * 1e3) as usize;
        facts.dry_since[place].is_some_and(|since| place - since > gap_ms)
    }),
    ("broken frames", 1_000, |facts, _, place| facts.broken[place] > BROKEN_MAX),
    ("second host", 500, |facts, _, place| facts.foreign[place]),
    ("impossible command", 10, |facts, _, place| facts.impossible[place]),
];

/// How far the fluid may be above its limit before it must be seen, in K.
const HOT_K: f64 = 5.0;

/// Frames that no bad line breaks within a second: more are something else.
const BROKEN_MAX: usize = 40;

/// Over one period of a 200 Hz PWM. A channel shows no more than its full scale: what lies above, in a coil that
/// is shorted outright, is for the driver's own protection.
fn over_current(facts: &Facts<'_>, place: usize, coil: usize) -> bool {
    fitted(facts.plan, coil) && facts.shown_a[place][coil] > GAIN * facts.plan.bench.current_max_a
}

/// What a coil's channel shows over one PWM period up to this tick, A.
fn shown_a(plan: &Plan, watch: &Watch, place: usize, coil: usize) -> f64 {
    let period = &watch.ticks[(place + 1).saturating_sub(PERIOD_MS)..=place];
    let sum: f64 = period.iter().map(|beside| f64::from(beside.current_words[coil])).sum();
    sum / period.len() as f64 * ampere_per_count(plan)
}

/// A period of a 200 Hz PWM, in ms.
const PERIOD_MS: usize = 5;

/// Amperes of one count in a tick's word: ten conversions of 4095 counts over 5 V.
fn ampere_per_count(plan: &Plan) -> f64 {
    5.0 / (10.0 * 4_095.0) / plan.bench.current.volt_per_ampere
}

/// A tenth of what full duty makes flow is no residue.
fn current_at_zero(facts: &Facts<'_>, beside: &Beside, place: usize, coil: usize) -> bool {
    let on = winding(facts, place, coil);
    let least_a = 0.1 * beside.supply_v / beside.circuit_ohm[on];
    fitted(facts.plan, coil)
        && facts.zero_since[place][coil].is_some_and(|since| place - since > DECAY_MS)
        && beside.current_a[on] > least_a
}

fn open(facts: &Facts<'_>, beside: &Beside, place: usize, coil: usize) -> bool {
    let driven = facts.driven_since[place][coil].is_some_and(|since| place - since > 0);
    driven && beside.circuit_ohm[winding(facts, place, coil)] > OPEN_OHM
}

/// Whether there is a valve at an output: a pump without a pressure valve has its plug in the air, where the model
/// has a coil all the same.
fn fitted(plan: &Plan, output: usize) -> bool {
    output == 0 || plan.pump.pressure_valve.is_some()
}

/// The winding at an output: the other one while connectors are swapped.
fn winding(facts: &Facts<'_>, place: usize, output: usize) -> usize {
    if acts(facts, place, &[FaultKind::ConnectorsSwapped]) { 1 - output } else { output }
}

/// A circuit of more than this is open: hundreds of times any coil.
const OPEN_OHM: f64 = 1_000.0;

fn acts(facts: &Facts<'_>, place: usize, kinds: &[FaultKind]) -> bool {
    // The tick with number `place` is that of the millisecond `place + 1`.
    facts.rig.is_some_and(|(kind, mishap)| {
        kinds.contains(&kind) && mishap.severity > 0.0 && mishap.acts_at(place as u64)
    })
}

/// Every stretch in which a condition went on while something was being worked, however short.
#[must_use]
pub fn episodes(plan: &Plan, watch: &Watch, doing: &[Doing], mishap: Option<Mishap>) -> Vec<Episode> {
    let facts = facts(plan, watch, doing, mishap);
    let mut found = Vec::new();
    for &(name, bound_ms, condition) in CONDITIONS {
        let danger = Danger { name, bound_ms };
        let mut from = None;
        let present = |place: usize| doing[place].works() && condition(&facts, &watch.ticks[place], place);
        for place in 0..=watch.ticks.len() {
            let now = place < watch.ticks.len() && present(place);
            match from {
                None if now => from = Some(place),
                Some(start) if !now => {
                    found.push(Episode { danger, lasted_ms: place - start, from: start });
                    from = None;
                }
                _ => {}
            }
        }
    }
    found
}

/// What outlasted its bound, in words.
#[must_use]
pub fn too_long(episodes: &[Episode]) -> Vec<String> {
    let over = episodes.iter().filter(|episode| episode.lasted_ms > episode.danger.bound_ms);
    over.map(|Episode { danger, lasted_ms, from }| {
        format!("{} for {lasted_ms} ms from {from} ms on, {} at the most", danger.name, danger.bound_ms)
    })
    .collect()
}

/// What must be latched, because nothing is being worked and a hand may come near: a shaft that turns on,
/// pressure that stays, a coil that is driven by itself, a board that fell over.
#[must_use]
pub fn untold(plan: &Plan, watch: &Watch, doing: &[Doing], mishap: Option<Mishap>) -> Vec<String> {
    let mut wrong = Vec::new();
    let (mut turning_ms, mut pressed_ms, mut worked) = (0_usize, 0_usize, false);
    let mut driven_ms = [0_usize; 2];
    let swapped = mishap.filter(|mishap| mishap.what == What::Rig(FaultKind::ConnectorsSwapped));
    for (place, (beside, doing)) in watch.ticks.iter().zip(doing).enumerate() {
        let moment = &beside.moment;
        worked = (worked || doing.works()) && !beside.restarted;
        let off = !moment.drive_on();
        turning_ms = if off && moment.speed_rev_per_s > TURNING_REV_PER_S { turning_ms + 1 } else { 0 };
        // Twice what counts as low is beyond any error of a sensor whose zero was taken.
        let pressed = moment.rail_pa > 2.0 * plan.bench.rail_low_pa;
        pressed_ms = if worked && *doing == Doing::Rest && pressed { pressed_ms + 1 } else { 0 };
        let latched = moment.state == State::Tripped;
        let swapped = swapped.is_some_and(|mishap| mishap.acts_at(place as u64));
        // The board knows its guards once it has worked.
        for (coil, ms) in driven_ms.iter_mut().enumerate() {
            let on = *doing == Doing::Rest && worked && fitted(plan, coil) && !swapped;
            let driven = beside.current_a[coil] > 0.1 * beside.supply_v / beside.circuit_ohm[coil];
            *ms = if on && driven { *ms + 1 } else { 0 };
            if *ms == DECAY_MS + UNASKED_MS_MAX + 1 && !latched {
                wrong.push(format!(
                    "coil {coil} is driven at rest for {ms} ms and nobody is told, {place} ms"
                ));
            }
        }
        if turning_ms == SHAFT_MS_MAX + 1 && !latched {
            wrong.push(format!(
                "the shaft turns {SHAFT_MS_MAX} ms after the drive and nobody is told, {place} ms"
            ));
        }
        if pressed_ms == TRAPPED_MS_MAX + 1 && !latched {
            wrong.push(format!("pressure stays for {TRAPPED_MS_MAX} ms and nobody is told, {place} ms"));
        }
        if beside.restarted && fell(mishap) {
            // One tick is the board's to find out.
            let soon = &watch.ticks[place..watch.ticks.len().min(place + 2)];
            if !soon.iter().any(|beside| beside.moment.state == State::Tripped) {
                wrong.push(format!("the board fell over and is not latched, {place} ms"));
            }
        }
    }
    wrong
}

fn fell(mishap: Option<Mishap>) -> bool {
    use super::mishap::BoardMishap::{BrownOut, Fault, HungLoop};
    mishap.is_some_and(|mishap| matches!(mishap.what, What::Board(BrownOut | Fault | HungLoop)))
}

/// A coil may be driven by itself for this long at rest until it is known, in ms, after its current had to be gone.
const UNASKED_MS_MAX: usize = 100;

/// A shaft faster than this turns, in rev/s: a tenth of a revolution per second is a pulse in 170 ms.
const TURNING_REV_PER_S: f64 = 0.1;

/// A shaft may coast for this long, in ms, and a second more until it is known.
const SHAFT_MS_MAX: usize = 6_000;

/// Pressure may stay for this long after the last work, in ms, and a second more until it is known.
const TRAPPED_MS_MAX: usize = 11_000;

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
        facts.shown_a.push([0, 1].map(|coil| shown_a(plan, watch, place, coil)));
        facts.dry_since.push(dry);
        facts.zero_since.push(zero);
        facts.driven_since.push(driven);
    }
    let mut broken_at = vec![0_usize; count + 1];
    for (place, said) in watch.said.iter().filter(|(place, _)| *place < count) {
        match said {
            Said::Broken => broken_at[*place] += 1,
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
