//! What everybody beside the bench makes of what happened there: each checker on its own, and which of their complaints
//! a sensor or a contact excuses.

use super::authority::Doing;
use super::danger::Episode;
use super::{authority, danger, empty, ending, excuse, full_hold, latched};
use crate::check::{self, Excuse};
use crate::trace::Moment;
use crate::world::played::mishap::Mishap;
use crate::world::witness::watch::Watch;
use stepwell_plant::Truth;
use stepwell_procedure::run::Plan;

/// What everybody beside the bench makes of what happened there.
#[derive(Debug)]
pub struct Judged {
    /// What each tick did.
    pub doing: Vec<Doing>,
    /// How long each dangerous condition went on while something was being worked or the board was armed.
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
    let mut walked = authority::walk(plan, watch);
    let mut wrong = std::mem::take(&mut walked.wrong);
    wrong.extend(ending::judged(watch));
    let armed = empty::pressed(plan, watch, begun);
    wrong.extend(armed.wrong);
    let excuses = excuse::excuses(plan, watch, begun);
    let episodes = danger::episodes(plan, watch, &walked, begun, &excuses);
    let moments: Vec<Moment> = watch.ticks.iter().map(|beside| beside.moment).collect();
    wrong.extend(check::drive_beyond_rating(plan, &moments));
    let by_trace = by_life(plan, watch, &excuses);
    // What is excused although nothing spoils anything.
    let all_known = excuse::excuses(plan, watch, None);
    let mut beyond = by_life(plan, watch, &all_known);
    beyond.retain(|what| !by_trace.contains(what));
    beyond.extend(armed.beyond);
    wrong.extend(by_trace);
    wrong.extend(danger::too_long(&episodes, |episode| episode.seen_ms));
    let unseen = danger::too_long(&episodes, |episode| episode.lasted_ms);
    beyond.extend(unseen.into_iter().filter(|what| !wrong.contains(what)));
    wrong.extend(full_hold::broken_off(plan, watch, begun, &excuses));
    wrong.extend(latched::untold(plan, watch, &walked.doing, begun));
    wrong.extend(watch.truths.and_then(|(before, after)| not_conserved(&before, &after)));
    if moments.last().is_some_and(|last| last.outputs.energised()) {
        wrong.push("something is still driven at the end".to_owned());
    }
    let most_pa = moments.iter().map(|moment| moment.rail_pa).fold(0.0, f64::max);
    if most_pa > plan.bench.rail_max_pa {
        wrong.push(format!("{:.0} MPa, more than the rig can stand", most_pa * 1e-6));
    }
    Judged { doing: walked.doing, episodes, wrong, beyond }
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
