//! A board with which nothing is wrong never trips on a good line, and on a bad one only for that line; nor, on either, for
//! what a program, a disk, a line or a person cannot bring about.

use crate::world::played::line::Quality;
use crate::world::played::mishap::{HostMishap, LineMishap, Mishap, What};
use crate::world::witness::said::Said;
use crate::world::witness::watch::Watch;
use stepwell_protocol::message::TripCause::{self, BadCommand, ForeignSession, LeaseLost, LinkNoise};

/// Trips for nothing, and trips that what goes wrong on purpose, which `begun` is, does not bring about.
#[must_use]
pub fn trips(watch: &Watch, line: Quality, begun: Option<Mishap>) -> Vec<String> {
    // The millisecond with number 1 has place 0, and what its tick finds is said before that of place 1.
    let by_mishap = |place: usize, cause: TripCause| {
        begun.is_some_and(|mishap| place >= mishap.onset_ms as usize && may_trip(mishap.what, cause))
    };
    let by_line = |cause: TripCause| line == Quality::BAD && matches!(cause, LeaseLost | LinkNoise);
    let found = watch.said.iter().filter_map(|(place, said)| match said {
        Said::Tripped(cause, _) if !by_mishap(*place, *cause) && !by_line(*cause) => Some((place, cause)),
        _ => None,
    });
    found.map(|(place, cause)| format!("tripped by {cause:?} at {place} ms for nothing")).collect()
}

/// Whether this can trip the board by that cause. What is wrong with the rig or the board is left to the table of
/// hazards, which names what each may lead to.
fn may_trip(what: What, cause: TripCause) -> bool {
    match what {
        What::Rig(_) | What::Board(_) => true,
        What::Person(_) => false,
        What::Host(host) => match host {
            HostMishap::DiskFull
            | HostMishap::DiskFullOnce
            | HostMishap::ReadOnly
            | HostMishap::WriteError
            | HostMishap::SyncError => false,
            HostMishap::Mad => cause == BadCommand,
            HostMishap::Kill
            | HostMishap::Restart
            | HostMishap::Stop
            | HostMishap::Suspend
            | HostMishap::Slow
            | HostMishap::ClockJump
            | HostMishap::ClockBack
            | HostMishap::ScreenHangs => cause == LeaseLost,
        },
        What::Line(LineMishap::SecondHost) => cause == ForeignSession,
        What::Line(_) => matches!(cause, LeaseLost | LinkNoise),
    }
}
