//! Nothing is driven that nobody asked for: every energised output belongs to a dwell that the board took in
//! time, on a live lease, for no longer than the dwell lasts; or it is the hold of a staged stop.

use super::watch::{Beside, Said, Watch};
use crate::check::relieving_duties_e4;
use std::collections::VecDeque;
use stepwell_core::Outputs;
use stepwell_procedure::run::Plan;
use stepwell_protocol::RELIEVE_MS_MAX;
use stepwell_protocol::dwell::{Dwell, Start};
use stepwell_protocol::state::State;
use stepwell_protocol::time::Tick;

/// Work goes on this long after the last renewal at the most, in ms.
pub const LEASE_MS_MAX: usize = 500;

/// A stop that was heard acts within this, in ms: the tick that obeys it.
const STOP_MS_MAX: usize = 1;

/// A loop that hangs may leave outputs as they are for so long, in ms.
const HUNG_MS_MAX: usize = 100;

/// What the outputs were doing at each tick.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Doing {
    /// Nothing.
    Rest,
    /// What a dwell says.
    Work {
        /// Whether the dwell expects flow.
        expects_flow: bool,
    },
    /// Valves held where they relieve.
    Hold,
}

impl Doing {
    /// Whether a dwell is being carried out.
    #[must_use]
    pub const fn works(self) -> bool {
        matches!(self, Doing::Work { .. })
    }
}

struct Running {
    dwell: Dwell,
    since: usize,
}

impl Running {
    fn sets(&self, place: usize) -> Option<Outputs> {
        sets(&self.dwell, (place - self.since) as u32)
    }
}

/// What a dwell drives so long after its start; nothing once it is over.
fn sets(dwell: &Dwell, elapsed_ms: u32) -> Option<Outputs> {
    (elapsed_ms < dwell.duration_ms).then(|| Outputs {
        inlet_duty_e4: dwell.inlet.at(elapsed_ms, dwell.duration_ms),
        pressure_duty_e4: dwell.pressure.at(elapsed_ms, dwell.duration_ms),
        supply_on: dwell.supply_on,
        drive_rpm: dwell.drive_rpm,
        dump_closed: dwell.dump_closed,
        ..Outputs::REST
    })
}

/// What each tick did, and everything wrong with it.
#[must_use]
pub fn walk(plan: &Plan, watch: &Watch) -> (Vec<Doing>, Vec<String>) {
    let relieving = relieving_duties_e4(plan);
    let mut wrong = Once::default();
    let mut doing = Vec::with_capacity(watch.ticks.len());
    let mut said = watch.said.iter().peekable();
    let mut queue: VecDeque<Dwell> = VecDeque::new();
    let mut running: Option<Running> = None;
    let mut renewed: Option<usize> = None;
    let mut stopped: Option<usize> = None;
    let mut last_dwell: Option<usize> = None;
    let mut may_clear = false;
    let mut hung_ms = 0;
    let mut before = State::Rest;
    for (place, beside) in watch.ticks.iter().enumerate() {
        while let Some((_, what)) = said.next_if(|(at, _)| *at <= place) {
            match what {
                Said::Renewed => renewed = Some(place),
                Said::Stop | Said::Disarmed => {
                    queue.clear();
                    running = None;
                    stopped = Some(place);
                }
                Said::Dwell(dwell) => {
                    stopped = None;
                    queue.push_back(*dwell);
                }
                Said::Cleared => may_clear = true,
                Said::LateActed(action) => {
                    wrong.say(
                        "late",
                        format!("a command that had outlived its time acted at {place} ms: {action:?}"),
                    );
                }
                Said::Foreign | Said::Impossible | Said::Broken => {}
            }
        }
        if beside.restarted {
            queue.clear();
            (running, renewed) = (None, None);
        }
        let moment = &beside.moment;
        if before == State::Tripped && moment.state != State::Tripped && !may_clear && !beside.restarted {
            wrong.say("latch", format!("a latched trip cleared itself at {place} ms"));
        }
        may_clear = false;
        before = moment.state;

        let outputs = Outputs { burst: None, hand_work: None, ..moment.outputs };
        hung_ms = if beside.running { 0 } else { hung_ms + 1 };
        if hung_ms > 0 {
            // Nobody decides: outputs are as they were until the watchdog bites.
            if outputs.energised() && hung_ms > HUNG_MS_MAX {
                wrong.say("hung", format!("driven by a loop that has hung for {HUNG_MS_MAX} ms, {place} ms"));
            }
            doing.push(if outputs.energised() { Doing::Work { expects_flow: false } } else { Doing::Rest });
            continue;
        }
        running = carried_out(running, &mut queue, &outputs, beside, place);
        if running.is_some() {
            last_dwell = Some(place);
        }
        let is = if !outputs.energised() {
            Doing::Rest
        } else if let Some(running) = &running {
            Doing::Work { expects_flow: running.dwell.expect_flow }
        } else {
            Doing::Hold
        };
        match is {
            Doing::Rest => {}
            Doing::Work { .. } => {
                if renewed.is_none_or(|renewed| place - renewed > LEASE_MS_MAX) {
                    wrong.say("lease", format!("working at {place} ms without a lease"));
                }
                if stopped.is_some_and(|stopped| place - stopped > STOP_MS_MAX) {
                    wrong.say("stop", format!("working at {place} ms after a stop"));
                }
            }
            Doing::Hold => {
                let held = [outputs.inlet_duty_e4, outputs.pressure_duty_e4];
                let relieves =
                    held.iter().zip(&relieving).all(|(held, relieving)| *held == 0 || held == relieving);
                let other = outputs.supply_on || outputs.drive_rpm > 0 || outputs.dump_closed;
                let in_time = last_dwell.is_some_and(|last| place - last <= RELIEVE_MS_MAX as usize + 1);
                if !relieves || other || !in_time {
                    wrong.say(
                        "driven",
                        format!("driven at {place} ms although no dwell says so: {outputs:?}"),
                    );
                }
            }
        }
        doing.push(is);
    }
    (doing, wrong.said)
}

/// The first of each kind of thing that is wrong; what follows in the next millisecond says nothing new.
#[derive(Debug, Default)]
struct Once {
    kinds: Vec<&'static str>,
    said: Vec<String>,
}

impl Once {
    fn say(&mut self, kind: &'static str, what: String) {
        if !self.kinds.contains(&kind) {
            self.kinds.push(kind);
            self.said.push(what);
        }
    }
}

/// The dwell that this tick carries out, if it is one of those that were taken.
fn carried_out(
    running: Option<Running>,
    queue: &mut VecDeque<Dwell>,
    outputs: &Outputs,
    beside: &Beside,
    place: usize,
) -> Option<Running> {
    let due = |dwell: &Dwell| matches!(dwell.start, Start::At(tick) if tick == Tick(beside.moment.tick));
    let taken_over = queue.iter().any(due);
    let follows = running.is_some() && !taken_over;
    if let Some(running) = running.filter(|running| !taken_over && running.sets(place) == Some(*outputs)) {
        return Some(running);
    }
    if beside.moment.state == State::Tripped {
        queue.clear();
    }
    // Those ahead of it were empty, over before they began, or taken over.
    let next = queue.iter().position(|dwell| {
        (due(dwell) || (dwell.start == Start::AfterPrevious && follows)) && sets(dwell, 0) == Some(*outputs)
    })?;
    let dwell = queue.drain(..=next).next_back()?;
    Some(Running { dwell, since: place })
}
