//! A board arms with an empty rail only: its sensor shows what the bench sheet calls a zero, and unless a mishap spoils
//! that sensor, the true rail is at no more than that.

use super::excuse::{drift_pa, shown_pa, spoils, zero_pa};
use super::mishap::Mishap;
use super::said::Said;
use super::scale::count_pa;
use super::watch::Watch;
use crate::check::surely_above_pa;
use stepwell_plant::FaultKind;
use stepwell_procedure::run::Plan;

/// The first arming with a rail that is not empty. Words and guards are rounded to a count. What the board goes by is the median of the latest three words
/// (docs/protocol.md, 11), so that is to the count; the truth is off from it by the sensor's zero, as its first words
/// show it, by what that may have drifted since, by its slope and by noise.
#[must_use]
pub(super) fn pressed(plan: &Plan, watch: &Watch, begun: Option<Mishap>) -> Option<String> {
    let zero_within_pa = plan.bench.rail_zero_pa;
    let zero_pa = zero_pa(plan, watch);
    watch.said.iter().filter(|(_, said)| matches!(said, Said::Armed(_))).find_map(|&(place, _)| {
        let before = place.checked_sub(1)?;
        let mut latest = [place.saturating_sub(3), place.saturating_sub(2), before]
            .map(|place| shown_pa(plan, &watch.ticks[place]));
        latest.sort_by(f64::total_cmp);
        let shown_pa = latest[1];
        if shown_pa.abs() > zero_within_pa + count_pa(&plan.bench.rail_pressure) {
            return Some(format!("armed at {place} ms with a rail sensor that shows {shown_pa:.0} Pa"));
        }
        let true_pa = watch.ticks[before].moment.rail_pa;
        let empty_pa = surely_above_pa(plan, zero_within_pa - zero_pa + drift_pa(plan, watch, before));
        // Those that may show less than there is.
        let spoilt = spoils(
            begun,
            before,
            &[
                FaultKind::RailSensorLow,
                FaultKind::RailSensorSlow,
                FaultKind::RailSensorStuck,
                FaultKind::RailSensorNoisy,
            ],
        );
        (true_pa > empty_pa && !spoilt)
            .then(|| format!("armed at {place} ms with {true_pa:.0} Pa in the rail"))
    })
}
