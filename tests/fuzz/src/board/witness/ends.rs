//! Every dwell begins and ends when it is due, and the board says so: what the rule that the checkers of whole runs go
//! by (`tests/src/chain.rs`) makes of what was heard and shown, against what was set and told. Judged when all is over,
//! because what was heard may decide what was due before the board told of it.

use crate::chain::{Carried, Event, Shown, asks_for, carried_out};
use stepwell_core::{Outputs, Readings};
use stepwell_protocol::dwell::{Dwell, DwellEnd, DwellReport, Start};
use stepwell_protocol::guards::Guards;
use stepwell_protocol::message::{TripCause, TripReport};
use stepwell_protocol::state::State;
use stepwell_protocol::time::Tick;

/// A dry run is told this long after the gap is full, in ms: one tick counts it out, the next one acts.
const DRY_MS: u32 = 2;

/// What a tick set, and what matters besides of what it was told.
#[derive(Debug)]
struct Ticked {
    state: State,
    outputs: Outputs,
    flow_count: u16,
    flow_gap_ms: Option<u32>,
}

/// What was heard, shown, set and told so far. The tick with number *n* has the place *n* − 1.
#[derive(Debug, Default)]
pub(super) struct Ends {
    events: Vec<(usize, Event)>,
    shown: Vec<Shown>,
    ticks: Vec<Ticked>,
    told: Vec<DwellReport>,
    answered: Vec<DwellReport>,
}

impl Ends {
    /// A dwell was taken before the next tick.
    pub(super) fn taken(&mut self, dwell: &Dwell) {
        let own = match dwell.start {
            Start::At(tick) => Some(place(tick)),
            Start::AfterPrevious => None,
        };
        self.events.push((self.ticks.len(), Event::Taken(*dwell, own)));
    }

    /// The host stopped what there was before the next tick.
    pub(super) fn stopped(&mut self) {
        self.events.push((self.ticks.len(), Event::BrokenOff(Some(DwellEnd::Stopped))));
    }

    /// The lease is gone with the next tick.
    pub(super) fn lease_out(&mut self) {
        self.events.push((self.ticks.len(), Event::BrokenOff(Some(DwellEnd::Tripped))));
    }

    pub(super) fn tripped(&mut self, report: &TripReport) {
        let event = match report.cause {
            TripCause::DriveBudget => Event::Spent,
            _ => Event::BrokenOff(Some(DwellEnd::Tripped)),
        };
        self.events.push((place(report.at), event));
    }

    pub(super) fn told(&mut self, report: &DwellReport) {
        self.told.push(*report);
    }

    pub(super) fn answered(&mut self, report: &DwellReport) {
        self.answered.push(*report);
    }

    pub(super) fn tick(
        &mut self,
        readings: &Readings<'_>,
        outputs: &Outputs,
        state: State,
        guards: Option<&Guards>,
    ) {
        self.shown.push(readings.analog);
        self.ticks.push(Ticked {
            state,
            outputs: *outputs,
            flow_count: readings.flow.count,
            flow_gap_ms: guards.map(|guards| guards.flow_gap_ms_max.into()),
        });
    }

    pub(super) fn over(&self) {
        let due = carried_out(&self.events, &self.shown);
        self.set(&due);
        let reports: Vec<DwellReport> = due
            .iter()
            .filter_map(|&Carried { dwell, from, to, end }| {
                let tick = |place: usize| Tick(place as u32 + 1);
                Some(DwellReport { serial: dwell.serial, started: tick(from), ended: tick(to), end: end? })
            })
            .collect();
        assert_eq!(reports, self.told, "reports that are due, and those that were told");
        for report in &self.answered {
            assert!(reports.contains(report), "asked, the board told of {report:?}");
        }
    }

    /// What is set is what the dwell that is due asks for at this point of its ramp, and no other dwell runs; and none
    /// that expects flow goes on without.
    fn set(&self, due: &[Carried]) {
        let mut begun = due.iter().peekable();
        let (mut latest, mut dry_ms, mut count) = (None, 0, 0);
        for (place, Ticked { state, outputs, flow_count, flow_gap_ms }) in self.ticks.iter().enumerate() {
            while let Some(carried) = begun.next_if(|carried| carried.from <= place) {
                latest = Some(carried);
            }
            let now = latest.filter(|carried| place < carried.to);
            let right = match now {
                Some(Carried { dwell, from, .. }) => {
                    *state == State::Dwelling && asks_for(dwell, (place - from) as u32, outputs)
                }
                None => *state != State::Dwelling,
            };
            assert!(right, "at tick {}: {state:?}, {outputs:?}; due: {now:?} of {latest:?}", place + 1);
            let pulse = std::mem::replace(&mut count, *flow_count) != *flow_count;
            let dry = now.is_some_and(|carried| carried.dwell.expect_flow) && !pulse;
            dry_ms = if dry { dry_ms + 1 } else { 0 };
            let most_ms = flow_gap_ms.map_or(0, |gap_ms| gap_ms + 1 + DRY_MS);
            assert!(dry_ms <= most_ms, "still dwelling: no flow for {dry_ms} ms");
        }
    }
}

fn place(tick: Tick) -> usize {
    tick.0.wrapping_sub(1) as usize
}
