//! The conditions, each with where its bound comes from.

use super::facts::Facts;
use crate::check::{WITHIN, surely_above_pa};
use crate::world::checkers::guards;
use crate::world::checkers::letting_go::DECAY_MS;
use crate::world::witness::watch::Beside;
use stepwell_plant::FaultKind;
use stepwell_procedure::sheet::BenchSheet;
use stepwell_protocol::channel::Coil;
use stepwell_protocol::state::State;

type Condition = fn(&Facts<'_>, &Beside, usize) -> bool;

/// A condition and where its bound comes from.
pub(super) struct Row {
    pub(super) name: &'static str,
    /// A cause of chapter 11 of docs/protocol.md, by its words; within what that promises, in ms, where 0 is *that*: the
    /// condition itself counts from there; and the states in which it is watched, by their letters.
    pub(super) promised: (&'static str, usize, &'static str),
    /// What is added to the promise, in ms, and why.
    pub(super) added: (usize, &'static str),
    pub(super) condition: Condition,
    pub(super) hidden: Hidden,
    /// What draws too much must be let go in the hold of a stop, as soon as anywhere else.
    pub(super) let_go: bool,
}

/// What may keep a condition from the board.
pub(super) enum Hidden {
    Never,
    /// A rail sensor that shows too little, or late.
    Rail,
    /// The contact of stop chain, guard or tank, in this order.
    Contact(usize),
}

const fn row(
    name: &'static str,
    promised: (&'static str, usize, &'static str),
    added: (usize, &'static str),
    condition: Condition,
) -> Row {
    Row { name, promised, added, condition, hidden: Hidden::Never, let_go: false }
}

impl Row {
    const fn hidden(self, hidden: Hidden) -> Row {
        Row { hidden, ..self }
    }

    const fn let_go(self) -> Row {
        Row { let_go: true, ..self }
    }
}

const NOTHING: (usize, &str) = (0, "");

pub(super) const CONDITIONS: &[Row] = &[
    row("stop chain open", ("StopChainOpen", 20, "ADS"), NOTHING, |_, beside, _| !beside.truly[0])
        .hidden(Hidden::Contact(0)),
    row("guard open", ("GuardOpen", 100, "ADS"), NOTHING, |_, beside, _| !beside.truly[1])
        .hidden(Hidden::Contact(1)),
    row("tank low", ("TankLow", 1_000, "ADS"), NOTHING, |_, beside, _| !beside.truly[2])
        .hidden(Hidden::Contact(2)),
    row("rail above its guard", ("RailHigh", 20, "ADS"), NOTHING, |facts, beside, place| {
        let plan = facts.plan;
        beside.moment.rail_pa > surely_above_pa(plan, plan.pump.rail_guard_pa + facts.drift_pa[place])
    })
    .hidden(Hidden::Rail),
    row("over-current, inlet", ("OverCurrent", 10, "ADS"), NOTHING, |facts, beside, place| {
        over_current(facts, beside, place, 0)
    })
    .let_go(),
    row("over-current, pressure", ("OverCurrent", 10, "ADS"), NOTHING, |facts, beside, place| {
        over_current(facts, beside, place, 1)
    })
    .let_go(),
    row("current at 0 %, inlet", ("CurrentAtZeroDuty", 50, "RADS"), NOTHING, |facts, beside, place| {
        current_at_zero(facts, beside, place, 0)
    }),
    row("current at 0 %, pressure", ("CurrentAtZeroDuty", 50, "RADS"), NOTHING, |facts, beside, place| {
        current_at_zero(facts, beside, place, 1)
    }),
    row("current shown at 0 %, inlet", ("CurrentAtZeroDuty", 50, "RADS"), MEDIAN, |facts, beside, place| {
        shows_at_zero(facts, beside, place, 0)
    }),
    row(
        "current shown at 0 %, pressure",
        ("CurrentAtZeroDuty", 50, "RADS"),
        MEDIAN,
        |facts, beside, place| shows_at_zero(facts, beside, place, 1),
    ),
    row("no current when driven, inlet", ("CoilOpen", 50, "DS"), JUST_DRIVEN, |facts, beside, place| {
        open(facts, beside, place, 0)
    }),
    row("no current when driven, pressure", ("CoilOpen", 50, "DS"), JUST_DRIVEN, |facts, beside, place| {
        open(facts, beside, place, 1)
    }),
    row("converter stands still", ("AdcFrozen", 50, "ADS"), NOTHING, |_, beside, _| beside.converter_stands),
    row("supply low", ("SupplyLow", 100, "ADS"), NOTHING, |facts, beside, _| {
        beside.supply_v * divided(&facts.plan.bench) < facts.plan.bench.supply_v.0
    }),
    row("supply high", ("SupplyHigh", 100, "ADS"), NOTHING, |facts, beside, _| {
        beside.supply_v > divided(&facts.plan.bench) * facts.plan.bench.supply_v.1
    }),
    row("rail sensor without a line", ("RailSensorDead", 50, "ADS"), NOTHING, |facts, _, place| {
        facts.acts(place, &[FaultKind::RailSensorOpen, FaultKind::RailSensorShort])
    }),
    row("rail sensor stuck", ("RailSensorFrozen", 2_000, "D"), NOTHING, |facts, _, place| {
        facts.acts(place, &[FaultKind::RailSensorStuck])
    }),
    row("feed sensor without a line", ("FeedSensorDead", 50, "ADS"), NOTHING, |facts, _, place| {
        facts.acts(place, &[FaultKind::FeedSensorOpen])
    }),
    row("fluid sensor without a line", ("FluidTemperature", 1_000, "ADS"), NOTHING, |facts, _, place| {
        facts.acts(place, &[FaultKind::FluidThermistorOpen, FaultKind::FluidThermistorShort])
    }),
    row("fluid too hot", ("FluidTemperature", 1_000, "ADS"), NOTHING, |facts, beside, _| {
        beside.fluid_sensed_celsius > facts.plan.bench.fluid_celsius.1 + OFF_K
    }),
    row("fluid too cold", ("FluidTemperature", 1_000, "ADS"), NOTHING, |facts, beside, _| {
        beside.fluid_sensed_celsius < facts.plan.bench.fluid_celsius.0 - OFF_K
    }),
    row(
        "dry run",
        ("NoFlow", 0, "D"),
        (2, "the tick that counts the gap out, and the one that acts"),
        |facts, _, place| {
            let gap_ms = (facts.plan.bench.flow_gap_s * 1e3) as usize;
            facts.dry_since[place].is_some_and(|since| place - since > gap_ms)
        },
    ),
    row("broken frames", ("LinkNoise", 1_000, "ADS"), NOTHING, |facts, _, place| {
        facts.broken[place] > BROKEN_MAX
    }),
    row("second host", ("ForeignSession", 10, "DS"), NOTHING, |facts, _, place| facts.foreign[place]),
    row("impossible command", ("BadCommand", 10, "ADS"), NOTHING, |facts, _, place| facts.impossible[place]),
];

/// What is added where words count (docs/protocol.md, 11).
const MEDIAN: (usize, &str) = (1, "the median of three words shows a step with its second word");

/// What is added where a coil may have been driven only since the condition began.
const JUST_DRIVEN: (usize, &str) =
    (50, "a current that has just been switched on tells nothing: as long again");

/// How far a sensor of the fluid may be off, in K: half a kelvin by itself, and as much by its channel (common practice,
/// no source: the bench sheet has a thermistor's curve and nothing of how true it is).
const OFF_K: f64 = 1.0;

/// More broken frames than this within a second are none of the line's (docs/protocol.md, 11).
const BROKEN_MAX: usize = 20;

/// What a reading may be off by counts for nothing, as a factor: its channel's gain, as the bench sheet has it, and as
/// much again for zero, noise and rounding, which it does not have for every channel.
fn beyond(gain_u: f64) -> f64 {
    1.0 + 2.0 * WITHIN * gain_u
}

fn divided(bench: &BenchSheet) -> f64 {
    beyond(bench.supply_divider.standard_uncertainty / bench.supply_divider.value)
}

/// Over one period of a 200 Hz PWM. A channel shows no more than its full scale: what lies above, in a coil that
/// is shorted outright, is for the driver's own protection.
fn over_current(facts: &Facts<'_>, beside: &Beside, place: usize, coil: usize) -> bool {
    let outputs = &beside.moment.outputs;
    // What an output that was let go still draws is its switch's doing.
    let let_go = beside.moment.state == State::Stopping
        && [outputs.inlet_duty_e4, outputs.pressure_duty_e4][coil] == 0;
    guards::fitted(facts.plan)[coil].is_some_and(|(valve, _)| {
        let most_a = |full_duty_a: f64| guards::current_max_a(facts.plan, valve, full_duty_a);
        let shown_a = facts.shown_a[place][coil];
        // Guards that are not the sheets' are told of elsewhere (`right`).
        !let_go
            && facts.full_duty_a[place][coil].is_some_and(|full_duty_a| {
                shown_a > beyond(facts.plan.bench.current.gain_u) * most_a(full_duty_a)
            })
    })
}

/// A tenth of what full duty makes flow is no residue.
fn current_at_zero(facts: &Facts<'_>, beside: &Beside, place: usize, coil: usize) -> bool {
    let on = winding(facts, place, coil);
    let least_a = 0.1 * beside.supply_v / beside.circuit_ohm[on];
    guards::fitted(facts.plan)[coil].is_some()
        && facts.zero_since[place][coil].is_some_and(|since| place - since > DECAY_MS)
        && beside.current_a[on] > least_a
}

/// A channel whose word is no zero's, whatever really flows.
fn shows_at_zero(facts: &Facts<'_>, beside: &Beside, place: usize, coil: usize) -> bool {
    let word = beside.analog[Coil::BOTH[coil].current().index()];
    facts.zero[place][coil].is_some_and(|zero| !zero.contains(word))
        && facts.zero_since[place][coil].is_some_and(|since| place - since > DECAY_MS)
}

fn open(facts: &Facts<'_>, beside: &Beside, place: usize, coil: usize) -> bool {
    let driven = facts.driven_since[place][coil].is_some_and(|since| place - since > 0);
    driven && beside.circuit_ohm[winding(facts, place, coil)] > OPEN_OHM
}

/// The winding at an output: the other one while connectors are swapped.
fn winding(facts: &Facts<'_>, place: usize, output: usize) -> usize {
    if facts.acts(place, &[FaultKind::ConnectorsSwapped]) { 1 - output } else { output }
}

/// A circuit of more than this is open: hundreds of times any coil.
const OPEN_OHM: f64 = 1_000.0;

#[cfg(test)]
mod tests {
    use super::{BROKEN_MAX, CONDITIONS};
    use crate::promised::{found, watched, within_ms};

    #[test]
    fn every_bound_is_what_the_protocol_promises_and_what_is_added_has_a_reason() {
        for row in CONDITIONS {
            let (cause, promised_ms, states) = row.promised;
            assert_eq!(promised_ms, within_ms(cause), "{}", row.name);
            assert_eq!(states, watched(cause), "{}", row.name);
            assert_eq!(row.added.0 == 0, row.added.1.is_empty(), "{}", row.name);
        }
        assert_eq!(found("LinkNoise"), format!("more than {BROKEN_MAX} broken frames within a second"));
    }
}
