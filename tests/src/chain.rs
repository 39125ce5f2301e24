//! What a board carries out that keeps to chapter 7 of docs/protocol.md: from what it heard and what its converter
//! showed, when each dwell begins, when it ends and why.
//!
//! ```text
//!   begins   on its own tick, or on that on which the one taken before it ends
//!   ends     on the first tick on which ① it is broken off ② the next own tick has come ③ its condition is met
//!            ④ its time is up ⑤ the drive's account is found empty; of several on one tick the first counts
//! ```
//!
//! Ticks are told by their places, which count milliseconds. It knows the protocol and nothing else, so the witness of
//! the fuzzing engine shares it; of the board it has the names of its outputs only, and ramps are drawn here anew.

use stepwell_core::Outputs;
use stepwell_protocol::channel::ANALOG_CHANNELS;
use stepwell_protocol::dwell::{Dwell, DwellEnd, EndWhen, Ramp, Side};

/// Analogue columns of a tick.
pub type Shown = [u16; ANALOG_CHANNELS];

/// Something that decides what is carried out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Event {
    /// A dwell was taken; with the place of its own tick when it has one.
    Taken(Dwell, Option<usize>),
    /// From this tick on nothing is carried out that was taken before it; with what is told of a dwell that ran, if
    /// anything is.
    BrokenOff(Option<DwellEnd>),
    /// The drive's account is empty: found with what this tick is to drive, and so after all else.
    Spent,
}

/// A dwell that is carried out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Carried {
    /// The dwell.
    pub dwell: Dwell,
    /// The place of its first tick.
    pub from: usize,
    /// The place of the first tick without it.
    pub to: usize,
    /// Why it ended; nothing when nobody is told.
    pub end: Option<DwellEnd>,
}

/// Every dwell that is carried out, in order. `events` are in order, each with the place of the first tick that it
/// counts for; `shown` begins at the place 0.
#[must_use]
pub fn carried_out(events: &[(usize, Event)], shown: &[Shown]) -> Vec<Carried> {
    let mut carried = Vec::new();
    // Where the dwell taken before ended by itself.
    let mut before = None;
    for (index, &(taken, event)) in events.iter().enumerate() {
        let Event::Taken(dwell, own) = event else { continue };
        let later = &events[index + 1..];
        let follows: Option<usize> = before.take();
        let from = own.or(follows).filter(|from| *from >= taken && *from < shown.len());
        let Some(from) = from.filter(|from| !dropped(*from, later)) else { continue };
        let (to, end, goes_on) = ending(&dwell, from, later, shown);
        before = goes_on.then_some(to);
        carried.push(Carried { dwell, from, to, end });
    }
    carried
}

/// Whether a dwell that is due to begin at `from` never does.
fn dropped(from: usize, later: &[(usize, Event)]) -> bool {
    later.iter().any(|&(at, event)| match event {
        Event::BrokenOff(_) => at <= from,
        Event::Spent => at < from,
        Event::Taken(_, own) => own.is_some_and(|own| own <= from),
    })
}

/// Where a dwell ends, why, and whether one that follows it then begins.
fn ending(
    dwell: &Dwell,
    from: usize,
    later: &[(usize, Event)],
    shown: &[Shown],
) -> (usize, Option<DwellEnd>, bool) {
    let broken_off = later.iter().find_map(|&(at, event)| match event {
        Event::BrokenOff(end) => Some((at, end, false)),
        _ => None,
    });
    let next = later.iter().find_map(|&(_, event)| match event {
        Event::Taken(_, Some(own)) => Some((own, Some(DwellEnd::Complete), true)),
        _ => None,
    });
    let time_up = Some((from + dwell.duration_ms as usize, Some(DwellEnd::Complete), true));
    let spent = later.iter().find(|(_, event)| *event == Event::Spent);
    let spent = spent.map(|&(at, _)| (at, Some(DwellEnd::Tripped), false));
    // What goes on when nobody looks any more has no end.
    let over = Some((shown.len(), None, false));
    let until = shown.len().min(from + dwell.duration_ms as usize + 1);
    let met = dwell.end_when.and_then(|end_when| met(end_when, from, &shown[..until]));
    let met = met.map(|at| (at, Some(DwellEnd::Condition), true));
    let first =
        [over, broken_off, next, met, time_up, spent].into_iter().flatten().min_by_key(|(at, ..)| *at);
    first.unwrap_or((shown.len(), None, false))
}

/// The first tick after the one at `from` that is the last of so many in a row beyond the threshold.
fn met(EndWhen { channel, side, counts, for_ms }: EndWhen, from: usize, shown: &[Shown]) -> Option<usize> {
    let mut row_ms = 0;
    (from + 1..shown.len()).find(|place| {
        let word = shown[*place][channel.index()];
        let beyond = match side {
            Side::Above => word > counts,
            Side::Below => word < counts,
        };
        row_ms = if beyond { row_ms + 1 } else { 0 };
        row_ms >= u32::from(for_ms)
    })
}

/// Whether this is what a dwell sets so long after its first tick, for as long as it lasts: the duty is
/// `from + (to − from) × t ÷ duration`, the quotient cut towards zero. Bursts and what a hand does are left out.
#[must_use]
pub fn asks_for(dwell: &Dwell, elapsed_ms: u32, outputs: &Outputs) -> bool {
    let duty = |ramp: Ramp| {
        let (from, to) = (i64::from(ramp.from_e4), i64::from(ramp.to_e4));
        from + (to - from) * i64::from(elapsed_ms) / i64::from(dwell.duration_ms)
    };
    elapsed_ms < dwell.duration_ms
        && i64::from(outputs.inlet_duty_e4) == duty(dwell.inlet)
        && i64::from(outputs.pressure_duty_e4) == duty(dwell.pressure)
        && outputs.supply_on == dwell.supply_on
        && outputs.drive_rpm == dwell.drive_rpm
        && outputs.dump_closed == dwell.dump_closed
}

#[cfg(test)]
mod tests {
    use super::asks_for;
    use stepwell_core::Outputs;
    use stepwell_protocol::dwell::{Dwell, Ramp, Start};

    #[test]
    fn a_ramp_is_cut_towards_its_first_duty_and_over_with_its_time() {
        let dwell = Dwell {
            serial: 1,
            start: Start::AfterPrevious,
            duration_ms: 3,
            inlet: Ramp { from_e4: 10, to_e4: 0 },
            pressure: Ramp { from_e4: 0, to_e4: 10 },
            supply_on: true,
            drive_rpm: 250,
            dump_closed: true,
            end_when: None,
            expect_flow: false,
            burst: None,
        };
        // A third of ten is 3, and two thirds are 6.
        let set = |inlet_duty_e4: u16, pressure_duty_e4: u16| Outputs {
            inlet_duty_e4,
            pressure_duty_e4,
            supply_on: true,
            drive_rpm: 250,
            dump_closed: true,
            ..Outputs::REST
        };
        for (elapsed_ms, duties) in [(0, (10, 0)), (1, (7, 3)), (2, (4, 6))] {
            let outputs = set(duties.0, duties.1);
            assert!(asks_for(&dwell, elapsed_ms, &outputs));
            let others = [
                set(duties.0 - 1, duties.1),
                set(duties.0, duties.1 + 1),
                Outputs { supply_on: false, ..outputs },
                Outputs { drive_rpm: 251, ..outputs },
                Outputs { dump_closed: false, ..outputs },
            ];
            assert!(others.iter().all(|other| !asks_for(&dwell, elapsed_ms, other)));
        }
        assert!(!asks_for(&dwell, 3, &set(0, 10)), "it is over");
    }
}
