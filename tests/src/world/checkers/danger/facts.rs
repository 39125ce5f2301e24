//! What the conditions are told besides a tick.

use super::standing::{Standing, standings};
use crate::world::checkers::authority::{Doing, Walked};
use crate::world::checkers::excuse;
use crate::world::played::mishap::Mishap;
use crate::world::witness::said::Said;
use crate::world::witness::scale::{PERIOD_MS, count_a};
use crate::world::witness::watch::Watch;
use stepwell_plant::FaultKind;
use stepwell_procedure::run::Plan;
use stepwell_protocol::guards::Band;

/// What the conditions are told besides a tick.
pub(super) struct Facts<'a> {
    pub(super) plan: &'a Plan,
    /// What went wrong on purpose.
    pub(super) begun: Option<Mishap>,
    /// Where the board rightly stands.
    pub(super) standings: Vec<Standing>,
    /// Since when there has been no pulse of the flow meter although flow is expected.
    pub(super) dry_since: Vec<Option<usize>>,
    /// Since when each output has been at 0 %, inlet first.
    pub(super) zero_since: Vec<[Option<usize>; 2]>,
    /// Since when each output has been driven at a tenth or more.
    pub(super) driven_since: Vec<[Option<usize>; 2]>,
    /// What the current channels have shown over the last PWM period, inlet first, A.
    pub(super) shown_a: Vec<[f64; 2]>,
    /// What each coil draws at full duty by the guards that the board was given last, inlet first, A.
    pub(super) full_duty_a: Vec<[Option<f64>; 2]>,
    /// What the words of the current channels may be at 0 % by those guards, inlet first.
    pub(super) zero: Vec<[Option<Band>; 2]>,
    /// What the zero of the rail's sensor may have drifted, Pa.
    pub(super) drift_pa: Vec<f64>,
    /// Broken frames heard within the last second.
    pub(super) broken: Vec<usize>,
    /// Since when somebody else, or nonsense, was heard.
    pub(super) foreign: Vec<bool>,
    pub(super) impossible: Vec<bool>,
}

/// All that is to be known of a watch over a board.
pub(super) fn facts<'a>(plan: &'a Plan, watch: &Watch, walked: &Walked, begun: Option<Mishap>) -> Facts<'a> {
    let doing = &walked.doing;
    let count = watch.ticks.len();
    let mut facts = Facts {
        plan,
        begun,
        standings: standings(watch, walked),
        dry_since: Vec::with_capacity(count),
        zero_since: Vec::with_capacity(count),
        driven_since: Vec::with_capacity(count),
        shown_a: Vec::with_capacity(count),
        full_duty_a: Vec::with_capacity(count),
        zero: Vec::with_capacity(count),
        drift_pa: Vec::with_capacity(count),
        broken: Vec::with_capacity(count),
        foreign: vec![false; count],
        impossible: vec![false; count],
    };
    let since = |now: bool, before: Option<usize>, place: usize| now.then(|| before.unwrap_or(place));
    let (mut dry, mut zero, mut driven) = (None, [None; 2], [None; 2]);
    let (mut pulses, mut full_duty_a, mut zero_band) = (0, [None; 2], [None; 2]);
    let mut said = watch.said.iter().peekable();
    for (place, (beside, doing)) in watch.ticks.iter().zip(doing).enumerate() {
        let expects = *doing == Doing::Work { expects_flow: true };
        let pulse = std::mem::replace(&mut pulses, beside.pulses[0].count) != beside.pulses[0].count;
        dry = since(expects && !pulse, dry, place);
        let outputs = &beside.moment.outputs;
        for (coil, duty_e4) in [outputs.inlet_duty_e4, outputs.pressure_duty_e4].into_iter().enumerate() {
            zero[coil] = since(duty_e4 == 0, zero[coil], place);
            driven[coil] = since(duty_e4 >= 1_000, driven[coil], place);
        }
        while let Some((_, what)) = said.next_if(|(at, _)| *at <= place) {
            if let Said::Guards(guards) = what {
                zero_band = guards.coils.map(|coil| Some(coil?.zero));
                full_duty_a =
                    guards.coils.map(|coil| Some(f64::from(coil?.full_duty) * count_a(&plan.bench)));
            }
        }
        if beside.restarted {
            // It knows of no guards, and watches nothing.
            (zero_band, full_duty_a) = ([None; 2], [None; 2]);
        }
        facts.full_duty_a.push(full_duty_a);
        facts.zero.push(zero_band);
        facts.drift_pa.push(excuse::drift_pa(plan, watch, place));
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
            Said::Foreign if place.checked_sub(1).is_none_or(|before| doing[before] == Doing::Rest) => {}
            // From then on, until the board is at rest.
            Said::Foreign | Said::Impossible => {
                let marks = if *said == Said::Foreign { &mut facts.foreign } else { &mut facts.impossible };
                let later = &facts.standings[*place..];
                let until = later.iter().position(|standing| *standing == Standing::Rest);
                marks[*place..*place + until.unwrap_or(later.len())].fill(true);
            }
            _ => {}
        }
    }
    // A board that starts anew has heard nothing yet.
    let (mut within, mut started) = (0, 0);
    for (place, beside) in watch.ticks.iter().enumerate() {
        if beside.restarted {
            (within, started) = (0, place);
        }
        within += broken_at[place];
        if place >= started + SECOND_MS {
            within -= broken_at[place - SECOND_MS];
        }
        facts.broken.push(within);
    }
    facts
}

/// Broken frames are counted over this, in ms.
const SECOND_MS: usize = 1_000;

impl Facts<'_> {
    /// Whether a fault of the rig of one of these kinds acts.
    pub(super) fn acts(&self, place: usize, kinds: &[FaultKind]) -> bool {
        excuse::spoils(self.begun, place, kinds)
    }
}

/// What a coil's channel shows over one PWM period up to this tick, A.
fn shown_a(plan: &Plan, watch: &Watch, place: usize, coil: usize) -> f64 {
    let period = &watch.ticks[(place + 1).saturating_sub(PERIOD_MS)..=place];
    let sum: f64 = period.iter().map(|beside| f64::from(beside.current_words[coil])).sum();
    sum / period.len() as f64 * count_a(&plan.bench)
}
