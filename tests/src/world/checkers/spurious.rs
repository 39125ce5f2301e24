//! A board with which nothing is wrong never trips on a good line, and on a bad one only for that line.

use crate::world::played::line::Quality;
use crate::world::played::mishap::Mishap;
use crate::world::witness::said::Said;
use crate::world::witness::watch::Watch;
use stepwell_protocol::message::TripCause;

/// Trips for nothing: before anything went wrong on purpose, which `begun` did.
#[must_use]
pub fn trips(watch: &Watch, line: Quality, begun: Option<Mishap>) -> Vec<String> {
    // The millisecond with number 1 has place 0, and what its tick finds is said before that of place 1.
    let onset = begun.map_or(usize::MAX, |mishap| mishap.onset_ms as usize);
    let by_line = |cause: &TripCause| {
        line == Quality::BAD && matches!(cause, TripCause::LeaseLost | TripCause::LinkNoise)
    };
    let found = watch.said.iter().filter_map(|(place, said)| match said {
        Said::Tripped(cause, _) if *place < onset && !by_line(cause) => Some((place, cause)),
        _ => None,
    });
    found
        .map(|(place, cause)| format!("tripped by {cause:?} at {place} ms although nothing is wrong"))
        .collect()
}
