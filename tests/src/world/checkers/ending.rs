//! Every dwell begins and ends when it is due, and the board says so: what [`chain`](crate::chain) makes of the words
//! that were heard, of the converter's and of the lease, tick by tick against what was driven, and against the board's
//! reports.
//!
//! Only that it has tripped, and when, is the board's own word: whether it had to is judged elsewhere, and it takes
//! something away.

use super::right::runs_out;
use crate::chain::{Carried, Event, Shown, asks_for, carried_out};
use crate::world::witness::said::Said;
use crate::world::witness::watch::{Beside, Watch};
use stepwell_protocol::dwell::{Dwell, DwellEnd, DwellReport, Start};
use stepwell_protocol::message::TripCause;
use stepwell_protocol::state::State;
use stepwell_protocol::time::Tick;

/// What is wrong with when dwells were carried out, and with what was told of it: the first of each.
#[must_use]
pub fn judged(watch: &Watch) -> Vec<String> {
    let shown: Vec<Shown> = watch.ticks.iter().map(|beside| beside.analog).collect();
    let due = carried_out(&events(watch), &shown);
    driven(watch, &due).into_iter().chain(told(watch, &due)).collect()
}

/// What decides what is carried out, in order.
fn events(watch: &Watch) -> Vec<(usize, Event)> {
    let mut events = Vec::new();
    let mut said = watch.said.iter().peekable();
    let mut renewed = None;
    let mut found = Vec::new();
    for (place, beside) in watch.ticks.iter().enumerate() {
        while let Some((_, what)) = said.next_if(|(at, _)| *at <= place) {
            match what {
                Said::Renewed => renewed = Some(place),
                Said::Opened => renewed = None,
                _ => {}
            }
            let event = match what {
                Said::Dwell(dwell) => Event::Taken(*dwell, own(dwell, place, beside)),
                Said::Stop | Said::Disarmed | Said::Opened => Event::BrokenOff(Some(DwellEnd::Stopped)),
                Said::Tripped(cause, at) => {
                    found.extend(tripped(watch, *cause, *at, place));
                    continue;
                }
                _ => continue,
            };
            events.push((place, event));
        }
        // A board whose loop stands still is started anew, and tells nothing.
        if beside.restarted || !beside.running {
            renewed = None;
            found.push((place, Event::BrokenOff(None)));
        }
        if renewed.is_some_and(|renewed| place == runs_out(renewed)) {
            found.push((place, Event::BrokenOff(Some(DwellEnd::Tripped))));
        }
    }
    // What is found at a tick comes after what was heard before it.
    events.extend(found);
    events.sort_by_key(|(place, _)| *place);
    events
}

/// The place of a dwell's own tick, if it has one.
fn own(dwell: &Dwell, place: usize, beside: &Beside) -> Option<usize> {
    match dwell.start {
        Start::At(tick) => place.checked_add_signed(tick.ms_since(Tick(beside.true_tick)) as isize),
        Start::AfterPrevious => None,
    }
}

/// A trip that was told before the tick at `place`.
fn tripped(watch: &Watch, cause: TripCause, at: Tick, place: usize) -> Option<(usize, Event)> {
    let last = place.checked_sub(1)?;
    let ago_ms = Tick(watch.ticks[last].true_tick).ms_since(at);
    let found = last.checked_add_signed(-ago_ms as isize)?;
    let event = match cause {
        TripCause::DriveBudget => Event::Spent,
        _ => Event::BrokenOff(Some(DwellEnd::Tripped)),
    };
    Some((found, event))
}

/// The first tick at which the dwell that is due is not carried out, or one is that is not due.
fn driven(watch: &Watch, due: &[Carried]) -> Option<String> {
    let mut begun = due.iter().peekable();
    let mut latest: Option<&Carried> = None;
    watch.ticks.iter().enumerate().filter(|(_, beside)| beside.running).find_map(|(place, beside)| {
        while let Some(carried) = begun.next_if(|carried| carried.from <= place) {
            latest = Some(carried);
        }
        let dwelling = beside.moment.state == State::Dwelling;
        let outputs = beside.moment.outputs;
        let now = latest.filter(|carried| place < carried.to);
        let right = match now {
            Some(Carried { dwell, from, .. }) => dwelling && asks_for(dwell, (place - from) as u32, &outputs),
            None => !dwelling,
        };
        (!right).then(|| {
            let is = match (now, latest) {
                (Some(now), _) => format!("the dwell due at {place} ms is {}", name(now)),
                (None, Some(latest)) => format!("no dwell is due at {place} ms after {}", name(latest)),
                (None, None) => format!("no dwell is due at {place} ms"),
            };
            format!("{is}; {:?}: {outputs:?}", beside.moment.state)
        })
    })
}

fn name(Carried { dwell, from, to, end }: &Carried) -> String {
    format!("dwell {} from {from} to {to} ms, {end:?}", dwell.serial)
}

/// Reports that are not those that are due, in order, and answers that are none of them.
fn told(watch: &Watch, due: &[Carried]) -> Option<String> {
    let tick = |place: usize| Tick(watch.ticks[place].true_tick);
    let due: Vec<DwellReport> = due
        .iter()
        .filter_map(|carried| {
            let Carried { dwell, from, to, end } = *carried;
            // A board that starts anew on that very tick has nothing to tell any more.
            let end = end.filter(|_| watch.ticks[to].running && !watch.ticks[to].restarted);
            Some(DwellReport { serial: dwell.serial, started: tick(from), ended: tick(to), end: end? })
        })
        .collect();
    let told: Vec<DwellReport> = watch
        .said
        .iter()
        .filter_map(|(_, said)| match said {
            Said::Ended(_, report) => Some(*report),
            _ => None,
        })
        .collect();
    if let Some(at) = (0..due.len().max(told.len())).find(|at| due.get(*at) != told.get(*at)) {
        return Some(format!("due to be told: {:?}, told: {:?}", due.get(at), told.get(at)));
    }
    watch.said.iter().find_map(|(_, said)| match said {
        Said::Answered(report) if !due.contains(report) => {
            Some(format!("asked, the board told of {report:?}"))
        }
        _ => None,
    })
}
