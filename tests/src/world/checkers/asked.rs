//! While a question stands hands are at the rig: nothing is energised from the millisecond in which it is put to the one
//! in which it is answered.
//!
//! A program that has lost its board cannot wait for it to be at rest: it says so, and asks for the gauge at once. The
//! board then works for as long as the last renewal and its lease last, and holds valves where they relieve.

use crate::world::played::host::{Handed, Question};
use crate::world::witness::watch::Watch;
use stepwell_core::Outputs;
use stepwell_protocol::{LEASE_MS, RELIEVE_MS_MAX};

/// A renewal that was sent just before the link was given up may act for so long, in ms (docs/protocol.md, 6.1).
const RENEWAL_MS: usize = 250;

/// What is energised while a question stands.
#[must_use]
pub fn energised(handed: &Handed, watch: &Watch) -> Option<String> {
    handed.questions.iter().find_map(|&Question { number, from_ms, until_ms }| {
        let stands = from_ms..until_ms.unwrap_or(handed.over_ms).min(watch.ticks.len());
        let place = stands.into_iter().find(|&place| {
            let outputs = &watch.ticks[place].moment.outputs;
            outputs.energised() && !is_left_alone(outputs, place, handed.gave_up_ms)
        })?;
        let outputs = watch.ticks[place].moment.outputs;
        Some(format!("question {number} stands, and energised at {place} ms is {outputs:?}"))
    })
}

/// Whether this may be so because the board was given up, and is still on its lease or holds its valves.
fn is_left_alone(outputs: &Outputs, place: usize, gave_up_ms: Option<usize>) -> bool {
    let works = outputs.drive_rpm > 0 || outputs.supply_on || outputs.dump_closed;
    let lease_ms = RENEWAL_MS + LEASE_MS as usize;
    // The tick that ends a hold comes after it.
    let lasts_ms = if works { lease_ms } else { lease_ms + RELIEVE_MS_MAX as usize + 1 };
    gave_up_ms.is_some_and(|gave_up_ms| (gave_up_ms..=gave_up_ms + lasts_ms).contains(&place))
}
