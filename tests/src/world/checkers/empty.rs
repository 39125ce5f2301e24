//! A board arms with an empty rail only: its sensor shows what the bench sheet calls a zero, and unless a mishap spoils
//! that sensor, the true rail is at no more than that.

use super::excuse::{drift_pa, shown_pa, spoils, zero_pa};
use crate::check::{RAIL_NOISE_PA, surely_above_pa};
use crate::world::played::mishap::Mishap;
use crate::world::witness::said::Said;
use crate::world::witness::scale::count_pa;
use crate::world::witness::watch::Watch;
use stepwell_plant::FaultKind;
use stepwell_procedure::run::Plan;

/// Those that may show any rail as empty.
const HIDES: [FaultKind; 3] =
    [FaultKind::RailSensorLow, FaultKind::RailSensorSlow, FaultKind::RailSensorStuck];

/// A sensor that is noisy has so many times its noise on top of it, for a severity of 1 (the model's list of faults).
const NOISIER: f64 = 19.0;

/// Armings with a rail that is not empty.
#[derive(Debug, Default)]
pub(super) struct Pressed {
    /// Those that the board could know of.
    pub(super) wrong: Vec<String>,
    /// Those that a sensor hides from it.
    pub(super) beyond: Vec<String>,
}

/// Looks at every arming. Words and guards are rounded to a count. What the board goes by is the median of the latest
/// three words (docs/protocol.md, 11), so that is to the count; the truth is off from it by the sensor's zero, as its
/// first words show it, by what that may have drifted since, by its slope and by noise.
#[must_use]
pub(super) fn pressed(plan: &Plan, watch: &Watch, begun: Option<Mishap>) -> Pressed {
    let zero_within_pa = plan.bench.rail_zero_pa;
    let zero_pa = zero_pa(plan, watch);
    let mut found = Pressed::default();
    for &(place, _) in watch.said.iter().filter(|(_, said)| matches!(said, Said::Armed(_))) {
        let Some(before) = place.checked_sub(1) else { continue };
        let mut latest = [place.saturating_sub(3), place.saturating_sub(2), before]
            .map(|place| shown_pa(plan, &watch.ticks[place]));
        latest.sort_by(f64::total_cmp);
        let shown_pa = latest[1];
        if shown_pa.abs() > zero_within_pa + count_pa(&plan.bench.rail_pressure) {
            found.wrong.push(format!("armed at {place} ms with a rail sensor that shows {shown_pa:.0} Pa"));
            continue;
        }
        let true_pa = watch.ticks[before].moment.rail_pa;
        let empty_pa = surely_above_pa(plan, zero_within_pa - zero_pa + drift_pa(plan, watch, before));
        if true_pa <= empty_pa {
            continue;
        }
        let noise_pa = begun
            .filter(|_| spoils(begun, before, &[FaultKind::RailSensorNoisy]))
            .map_or(0.0, |mishap| NOISIER * mishap.severity * RAIL_NOISE_PA);
        let hidden = spoils(begun, before, &HIDES) || true_pa <= empty_pa + noise_pa;
        let to = if hidden { &mut found.beyond } else { &mut found.wrong };
        to.push(format!("armed at {place} ms with {true_pa:.0} Pa in the rail"));
    }
    found
}
