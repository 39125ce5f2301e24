//! A chain of dwells under way: guards set, board armed, dwells sent ahead of the board, reports
//! collected, burst read.
//!
//! ```text
//!  slot chosen ► guards? ► armed? ► dwells sent, a few ahead ► all reported ► board settled ► burst read
//! ```

use super::{Doing, Pending, Run, Stage, next_slot};
use crate::record::{Burst, Entry};
use crate::round::Span;
use crate::step::Planned;
use stepwell_protocol::channel::Coil;
use stepwell_protocol::dwell::{Dwell, DwellReport, Start};
use stepwell_protocol::message::{Action, Limit, Refusal, Reply};
use stepwell_protocol::state::State;
use stepwell_protocol::time::Tick;

/// This many dwells are with the board at once; it has room for more.
const AHEAD: usize = 4;

/// A report that has not come this long after the board is seen idle is asked for, in ms.
const REPORT_OVERDUE_MS: u32 = 200;

/// How often a start that came too late is moved before the run gives up.
const MOVES_MAX: u32 = 5;

/// How often something is asked for again that came too late to be read; each takes half a second or more.
const ASKED_AGAIN_MAX: u32 = 20;

/// The drive's account on the board may be a few ticks behind ours, in ms.
const ACCOUNT_MARGIN_MS: u32 = 20;

/// A chain of dwells under way.
#[derive(Debug)]
pub(super) struct Chain {
    planned: Vec<Planned>,
    /// Serial of the first dwell.
    first_serial: u16,
    slot: Option<Tick>,
    moves: u32,
    asked_again: u32,
    sent: usize,
    reports: Vec<DwellReport>,
    /// The first tick after the last dwell on which the board was idle again.
    settled: Option<Tick>,
    idle_since: Option<Tick>,
    burst: Vec<u16>,
    burst_read: bool,
}

impl Chain {
    pub(super) fn new(planned: Vec<Planned>) -> Chain {
        Chain {
            planned,
            first_serial: 0,
            slot: None,
            moves: 0,
            asked_again: 0,
            sent: 0,
            reports: Vec::new(),
            settled: None,
            idle_since: None,
            burst: Vec::new(),
            burst_read: false,
        }
    }

    fn drive_ms(&self) -> u32 {
        self.planned.iter().filter(|dwell| dwell.drive_rpm > 0).map(|dwell| dwell.duration_ms).sum()
    }

    /// The name of the dwell with this serial.
    pub(super) fn label(&self, serial: u16) -> Option<&'static str> {
        let index = usize::from(serial.wrapping_sub(self.first_serial));
        self.planned.get(index).map(|dwell| dwell.label)
    }

    /// All dwells.
    pub(super) fn planned(&self) -> &[Planned] {
        &self.planned
    }

    /// The tick of the first dwell, once it is chosen.
    pub(super) fn slot(&self) -> Option<Tick> {
        self.slot
    }

    /// What is left of the dwells at their longest: whether the drive turns, and for how many ms.
    pub(super) fn left(&self, now: Tick) -> impl Iterator<Item = (bool, u32)> {
        let began = self.reports.last().map(|report| report.ended).or(self.slot);
        let mut spent = began.map_or(0, |began| u32::try_from(now.ms_since(began)).unwrap_or(0));
        self.planned.iter().skip(self.reports.len()).map(move |dwell| {
            let left = dwell.duration_ms.saturating_sub(std::mem::take(&mut spent));
            (dwell.drive_rpm > 0, left)
        })
    }

    /// Takes a report, once.
    pub(super) fn report(&mut self, report: DwellReport) {
        let due = self.first_serial.wrapping_add(self.reports.len() as u16);
        if report.serial == due && self.reports.len() < self.sent {
            self.reports.push(report);
        }
    }

    /// Takes the state of one tick.
    pub(super) fn observe(&mut self, tick: Tick, state: State) {
        let idle = matches!(state, State::Armed | State::Rest);
        if !idle || self.slot.is_none_or(|slot| !tick.is_after(slot)) {
            self.idle_since = None;
            return;
        }
        self.idle_since.get_or_insert(tick);
    }

    /// Moves the start of a chain of which nothing is with the board; `false` when it was moved often enough.
    pub(super) fn moved(&mut self) -> bool {
        let may = self.sent == 0 && self.moves < MOVES_MAX;
        if may {
            self.moves += 1;
            self.slot = None;
        }
        may
    }

    /// The same for a chain that the board has dropped before any of it began.
    pub(super) fn dropped(&mut self) -> bool {
        if self.reports.is_empty() {
            self.sent = 0;
        }
        self.moved()
    }

    /// Whether to ask again for what came too late to be read: reading changes nothing.
    fn asks_again(&mut self) -> bool {
        self.asked_again += 1;
        self.asked_again <= ASKED_AGAIN_MAX
    }

    /// Takes the board's answer to one of this chain's commands.
    pub(super) fn answered(
        &mut self,
        pending: Pending,
        result: Result<Reply, Refusal>,
    ) -> Result<(), Refusal> {
        match (pending, result) {
            (Pending::Dwell, Ok(_)) => self.sent += 1,
            (Pending::Dwell, Err(Refusal::Late { .. } | Refusal::DriveMustRest { .. })) if self.moved() => {}
            (Pending::ReadDwell | Pending::ReadBurst, Err(Refusal::Late { .. })) if self.asks_again() => {}
            (Pending::ReadBurst, Ok(Reply::Burst(piece))) => {
                if usize::from(piece.offset) == self.burst.len() {
                    self.burst.extend_from_slice(&piece.counts);
                }
                self.burst_read = piece.counts.is_empty() || self.burst.len() >= usize::from(piece.total);
            }
            // Without a burst the findings stand all the same; a part of one tells nothing.
            (Pending::ReadBurst, Err(_)) => {
                self.burst.clear();
                self.burst_read = true;
            }
            (_, Err(refusal)) => return Err(refusal),
            (_, Ok(_)) => {}
        }
        Ok(())
    }

    /// What is being done, for people.
    pub(super) fn activity(&self, now: Tick) -> String {
        match self.slot {
            Some(slot) if slot.is_after(now) => {
                format!(
                    "{}: begins in {:.0} s",
                    self.planned[0].label,
                    f64::from(slot.ms_since(now)) / 1000.0
                )
            }
            _ => {
                let index = self.reports.len().min(self.planned.len() - 1);
                self.planned[index].label.to_owned()
            }
        }
    }

    fn dwell(&self, index: usize, slot: Tick) -> Dwell {
        let planned = &self.planned[index];
        Dwell {
            serial: self.first_serial.wrapping_add(index as u16),
            start: if index == 0 { Start::At(slot) } else { Start::AfterPrevious },
            duration_ms: planned.duration_ms,
            inlet: planned.inlet,
            pressure: planned.pressure,
            supply_on: planned.supply_on,
            drive_rpm: planned.drive_rpm,
            dump_closed: planned.dump_closed,
            expect_flow: planned.expect_flow,
            end_when: planned.end_when,
            burst: planned.burst,
        }
    }

    fn burst_of(&self) -> Option<(usize, Coil)> {
        self.planned.iter().enumerate().find_map(|(index, dwell)| Some((index, dwell.burst?)))
    }
}

impl Run {
    /// The chain's next move; `false` when a fact is missing.
    pub(super) fn chain_on(&mut self) -> bool {
        let now = self.now();
        let anchor = self.anchor;
        let Stage::Stepping(stepping) = &mut self.stage else { return false };
        let stepping = &mut **stepping;
        let Doing::Chaining(chain) = &mut stepping.doing else { return false };
        let Some(board) = &mut self.board else { return false };
        let Some(guards) = board.guards else { return false };

        let Some(slot) = chain.slot else {
            let drive_ms = chain.drive_ms();
            let Some(rest_ms) = board.budget.rest_ms_before(drive_ms) else {
                let guard = guards.drive_on_ms_max;
                let limit = Limit::DriveOn;
                self.refused(Pending::Dwell, Refusal::BeyondGuard { limit, asked: drive_ms, guard });
                return true;
            };
            let rested = if rest_ms > 0 { now.plus_ms(rest_ms + ACCOUNT_MARGIN_MS) } else { anchor };
            chain.slot = Some(next_slot(anchor, rested, now));
            chain.first_serial = self.serials_used.wrapping_add(1);
            return true;
        };
        if !board.guards_set {
            self.command(Pending::SetGuards, Action::SetGuards(guards));
            return false;
        }
        if board.armed_at.is_none() {
            self.command(Pending::Arm, Action::Arm { guards_checksum: guards.checksum() });
            return false;
        }
        if chain.sent < chain.planned.len() && chain.sent - chain.reports.len() < AHEAD {
            let dwell = chain.dwell(chain.sent, slot);
            self.serials_used = dwell.serial;
            self.command(Pending::Dwell, Action::Dwell(dwell));
            return false;
        }
        if chain.reports.len() < chain.planned.len() {
            let overdue =
                chain.idle_since.is_some_and(|since| now.is_after(since.plus_ms(REPORT_OVERDUE_MS)));
            if overdue && chain.reports.len() < chain.sent {
                let serial = chain.first_serial.wrapping_add(chain.reports.len() as u16);
                self.command(Pending::ReadDwell, Action::ReadDwell { serial });
            }
            return false;
        }
        if chain.settled.is_none() {
            chain.settled = chain.idle_since;
        }
        let Some(settled) = chain.settled else { return false };
        if let Some((index, coil)) = chain.burst_of() {
            if !chain.burst_read {
                let offset = chain.burst.len() as u16;
                self.command(Pending::ReadBurst, Action::ReadBurst { offset });
                return false;
            }
            if !chain.burst.is_empty() {
                let burst = Burst {
                    at: chain.reports[index].started.0,
                    channel: coil.current().name().to_owned(),
                    rate_hz: board.identity.burst_hz,
                    counts: std::mem::take(&mut chain.burst),
                };
                stepping.bursts.push(burst.clone());
                self.intents.push_back(super::Intent::Write(Entry::Burst(burst)));
            }
        }
        let spans = chain.planned.iter().zip(&chain.reports).map(|(planned, report)| Span {
            label: planned.label.to_owned(),
            from: report.started,
            to: report.ended,
            end: report.end,
        });
        stepping.spans.extend(spans);
        stepping.doing = Doing::Nothing;
        self.anchor = settled;
        true
    }
}
