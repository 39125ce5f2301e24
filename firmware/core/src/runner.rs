//! The dwell that runs, those that wait behind it, and what became of the latest ones.
//!
//! Dwells start in the order in which they were accepted. A dwell that follows the one before it
//! starts on the tick on which that one ends. A dwell with a tick of its own takes over on that
//! tick: one that still runs then is complete, and those between them never start. When the chain
//! before it has already ended, it waits, armed or through the staged stop, and starts on its tick.
//! A dwell that never started has no report.

use crate::signals::{Outputs, analog};
use heapless::Deque;
use stepwell_protocol::budget::DriveBudget;
use stepwell_protocol::channel::{ANALOG_CHANNELS, Coil};
use stepwell_protocol::dwell::{Dwell, DwellEnd, DwellReport, EndWhen, QUEUED_DWELLS_MAX, Ramp, Side, Start};
use stepwell_protocol::time::Tick;

/// How many reports are kept to be asked for.
const REPORTS_KEPT: usize = 8;

#[derive(Clone, Copy, Debug)]
struct Running {
    dwell: Dwell,
    started: Tick,
    /// For how many ticks in a row the end condition has held.
    beyond_ms: u16,
}

impl Running {
    fn left_ms(&self, now: Tick) -> u32 {
        self.dwell.duration_ms.saturating_sub(now.ms_since(self.started).max(0) as u32)
    }
}

/// What one tick changed.
#[derive(Debug, Default)]
pub(crate) struct Step {
    /// The dwell that ended.
    pub(crate) ended: Option<DwellReport>,
    /// Serial and burst of the dwell that started.
    pub(crate) started: Option<(u16, Option<Coil>)>,
}

/// The dwells.
#[derive(Debug)]
pub(crate) struct Runner {
    running: Option<Running>,
    waiting: Deque<Dwell, QUEUED_DWELLS_MAX>,
    reports: [Option<DwellReport>; REPORTS_KEPT],
    next_report: usize,
}

impl Runner {
    pub(crate) const IDLE: Runner =
        Runner { running: None, waiting: Deque::new(), reports: [None; REPORTS_KEPT], next_report: 0 };

    pub(crate) const fn running(&self) -> bool {
        self.running.is_some()
    }

    /// Whether the running dwell wants the drive to turn.
    pub(crate) const fn drives(&self) -> bool {
        matches!(&self.running, Some(running) if running.dwell.drive_rpm > 0)
    }

    pub(crate) const fn expects_flow(&self) -> bool {
        matches!(&self.running, Some(running) if running.dwell.expect_flow)
    }

    pub(crate) fn waiting(&self) -> bool {
        !self.waiting.is_empty()
    }

    pub(crate) fn full(&self) -> bool {
        self.waiting.is_full()
    }

    /// The start of the last waiting dwell that has a tick of its own.
    pub(crate) fn last_start(&self) -> Option<Tick> {
        self.waiting.iter().rev().find_map(|dwell| match dwell.start {
            Start::At(tick) => Some(tick),
            Start::AfterPrevious => None,
        })
    }

    /// Puts a dwell behind the others. The caller has checked it, and that there is room.
    pub(crate) fn queue(&mut self, dwell: Dwell) {
        // A full queue was refused before; nothing is lost here.
        let _ = self.waiting.push_back(dwell);
    }

    /// The drive account at the planned start of a dwell accepted now and starting by `start`: what
    /// runs and waits ahead of it spends or refills until then, each for its full duration.
    pub(crate) fn account_at(&self, start: Start, now: Tick, account: DriveBudget) -> DriveBudget {
        let next = now.plus_ms(1);
        let (mut drives, mut left_ms) = match &self.running {
            Some(running) => (running.dwell.drive_rpm > 0, running.left_ms(next)),
            None => (false, 0),
        };
        let mut account = account;
        let mut at_ms = 0_u32;
        let ahead = self.waiting.iter().map(|dwell| (dwell.start, Some(dwell)));
        for (start, dwell) in ahead.chain([(start, None)]) {
            let ends_ms = at_ms.saturating_add(left_ms);
            let starts_ms = match start {
                Start::At(tick) => (tick.ms_since(next).max(0) as u32).max(at_ms),
                Start::AfterPrevious => ends_ms,
            };
            account = account
                .after_ms(drives, ends_ms.min(starts_ms).saturating_sub(at_ms))
                .after_ms(false, starts_ms.saturating_sub(ends_ms));
            at_ms = starts_ms;
            if let Some(dwell) = dwell {
                drives = dwell.drive_rpm > 0;
                left_ms = dwell.duration_ms;
            }
        }
        account
    }

    /// One tick: ends and starts what is due.
    pub(crate) fn tick(&mut self, now: Tick, columns: &[u16; ANALOG_CHANNELS]) -> Step {
        let taken_over = self.due(now);
        let end = match &mut self.running {
            None => None,
            Some(_) if taken_over.is_some() => Some(DwellEnd::Complete),
            Some(running) => ending(running, now, columns),
        };
        if self.running.is_some() && end.is_none() {
            return Step::default();
        }
        let ended = end.and_then(|end| self.finish(end, now));
        let next = match taken_over {
            None if ended.is_some() => self.follower(),
            other => other,
        };
        let started = next.map(|dwell| {
            self.running = Some(Running { dwell, started: now, beyond_ms: 0 });
            (dwell.serial, dwell.burst)
        });
        Step { ended, started }
    }

    /// Ends the running dwell, if there is one, and drops those that wait.
    pub(crate) fn abandon(&mut self, end: DwellEnd, ended: Tick) -> Option<DwellReport> {
        self.waiting.clear();
        self.finish(end, ended)
    }

    /// What became of the dwell with this serial, the latest one if there are several.
    pub(crate) fn report(&self, serial: u16) -> Option<DwellReport> {
        let (newer, older) = self.reports.split_at_checked(self.next_report)?;
        newer.iter().rev().chain(older.iter().rev()).flatten().copied().find(|report| report.serial == serial)
    }

    pub(crate) fn forget_reports(&mut self) {
        self.reports = [None; REPORTS_KEPT];
    }

    /// What the running dwell sets at `now`.
    pub(crate) fn outputs(&self, now: Tick) -> Outputs {
        let Some(Running { dwell, started, .. }) = &self.running else { return Outputs::REST };
        let elapsed_ms = now.ms_since(*started).max(0) as u32;
        let duty_e4 = |ramp: Ramp| ramp.at(elapsed_ms, dwell.duration_ms);
        Outputs {
            inlet_duty_e4: duty_e4(dwell.inlet),
            pressure_duty_e4: duty_e4(dwell.pressure),
            supply_on: dwell.supply_on,
            drive_rpm: dwell.drive_rpm,
            dump_closed: dwell.dump_closed,
            ..Outputs::REST
        }
    }

    /// The waiting dwell whose own tick has come, taken out together with those ahead of it.
    fn due(&mut self, now: Tick) -> Option<Dwell> {
        let due = |dwell: &Dwell| matches!(dwell.start, Start::At(tick) if !tick.is_after(now));
        let index = self.waiting.iter().position(due)?;
        for _ in 0..index {
            self.waiting.pop_front();
        }
        self.waiting.pop_front()
    }

    /// The dwell that starts because the one before it has ended, if the next one is of that kind.
    fn follower(&mut self) -> Option<Dwell> {
        let follows = self.waiting.front().is_some_and(|dwell| dwell.start == Start::AfterPrevious);
        if follows { self.waiting.pop_front() } else { None }
    }

    fn finish(&mut self, end: DwellEnd, ended: Tick) -> Option<DwellReport> {
        let Running { dwell, started, .. } = self.running.take()?;
        let report = DwellReport { serial: dwell.serial, started, ended, end };
        if let Some(slot) = self.reports.get_mut(self.next_report) {
            *slot = Some(report);
        }
        self.next_report = self.next_report.wrapping_add(1) % REPORTS_KEPT;
        Some(report)
    }
}

/// Whether and why the running dwell ends by itself at `now`.
fn ending(running: &mut Running, now: Tick, columns: &[u16; ANALOG_CHANNELS]) -> Option<DwellEnd> {
    if let Some(EndWhen { channel, side, counts, for_ms }) = running.dwell.end_when {
        let beyond = match side {
            Side::Above => analog(columns, channel) > counts,
            Side::Below => analog(columns, channel) < counts,
        };
        running.beyond_ms = if beyond { running.beyond_ms.saturating_add(1) } else { 0 };
        if running.beyond_ms >= for_ms {
            return Some(DwellEnd::Condition);
        }
    }
    (running.left_ms(now) == 0).then_some(DwellEnd::Complete)
}
