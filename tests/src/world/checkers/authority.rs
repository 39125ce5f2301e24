//! Nothing is driven that nobody asked for: every energised output belongs to a dwell that the board took in
//! time, armed, within the guards that it took, on a live lease, for no longer than the dwell lasts; or it is the
//! hold of a staged stop.

use super::letting_go;
use super::right::Right;
use crate::chain::asks_for;
use crate::check::relieving_duties_e4;
use crate::world::played::machine::WATCHDOG_MS;
use crate::world::witness::said::Said;
use crate::world::witness::watch::{Beside, Watch};
use std::collections::VecDeque;
use stepwell_core::Outputs;
use stepwell_procedure::run::Plan;
use stepwell_protocol::RELIEVE_MS_MAX;
use stepwell_protocol::dwell::{Dwell, Start};
use stepwell_protocol::state::State;
use stepwell_protocol::time::Tick;

/// A staged stop holds its valves for so long at the most, in ms, and ends on the next tick.
const HOLD_MS_MAX: usize = RELIEVE_MS_MAX as usize + 1;

/// A loop that hangs may leave outputs as they are for so long, in ms: until the watchdog bites, by an oscillator of its
/// own that may be 10 % slow (firmware/boards/nucleo-g474re/src/clocks.rs), 50 ÷ 0.9, rounded up, and to the next tick.
const HUNG_MS_MAX: usize = (10 * WATCHDOG_MS as usize).div_ceil(9) + 1;

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
    fn asks_for(&self, place: usize, outputs: &Outputs) -> bool {
        asks_for(&self.dwell, (place - self.since) as u32, outputs)
    }
}

/// What the board was asked and has not done yet, as far as the wire tells.
#[derive(Default)]
struct Walk {
    right: Right,
    queue: VecDeque<Dwell>,
    running: Option<Running>,
    /// When a dwell of the board's present life was carried out last.
    last_dwell: Option<usize>,
    may_clear: bool,
    /// Whether the board has said that it tripped, and has not been told to clear it since.
    tripped: bool,
    hung_ms: usize,
    before: Option<State>,
    wrong: Once,
}

/// What each tick did and might have done.
#[derive(Debug)]
pub struct Walked {
    /// What it did.
    pub doing: Vec<Doing>,
    /// Whether an arming was heard that nothing has taken back since.
    pub armed: Vec<bool>,
    /// Everything wrong with it.
    pub wrong: Vec<String>,
}

/// Goes through all ticks.
#[must_use]
pub fn walk(plan: &Plan, watch: &Watch) -> Walked {
    let relieving = relieving_duties_e4(plan);
    let let_go = letting_go::may_let_go(watch);
    let mut walk = Walk::default();
    let mut said = watch.said.iter().peekable();
    let count = watch.ticks.len();
    let (mut doing, mut armed) = (Vec::with_capacity(count), Vec::with_capacity(count));
    for (place, beside) in watch.ticks.iter().enumerate() {
        let before = place.checked_sub(1).map(|before| &watch.ticks[before]);
        while let Some((_, what)) = said.next_if(|(at, _)| *at <= place) {
            walk.heard(plan, what, place, before);
        }
        doing.push(walk.tick(place, beside, relieving, let_go[place]));
        armed.push(walk.right.is_armed());
    }
    Walked { doing, armed, wrong: walk.wrong.said }
}

impl Walk {
    fn heard(&mut self, plan: &Plan, what: &Said, place: usize, before: Option<&Beside>) {
        self.right.heard(plan, what, place, before, &mut self.wrong);
        match what {
            Said::Stop | Said::Disarmed | Said::Opened => {
                self.queue.clear();
                self.running = None;
            }
            Said::Dwell(dwell) => self.queue.push_back(*dwell),
            Said::Cleared => (self.may_clear, self.tripped) = (true, false),
            Said::Tripped(..) => self.tripped = true,
            Said::FarAhead(ms) => {
                self.wrong.say("ahead", format!("a renewal that counts for {ms} ms was heard at {place} ms"));
            }
            Said::LateActed(action) => {
                let what = format!("a command that had outlived its time acted at {place} ms: {action:?}");
                self.wrong.say("late", what);
            }
            _ => {}
        }
    }

    fn tick(&mut self, place: usize, beside: &Beside, relieving: [u16; 2], let_go: [bool; 2]) -> Doing {
        if beside.restarted {
            self.queue.clear();
            (self.running, self.last_dwell) = (None, None);
            self.right.restarted(place);
            self.tripped = false;
        }
        let moment = &beside.moment;
        let untold = !self.may_clear && !beside.restarted;
        if self.before == Some(State::Tripped) && moment.state != State::Tripped && untold {
            self.wrong.say("latch", format!("a latched trip cleared itself at {place} ms"));
        }
        if self.tripped && !matches!(moment.state, State::Stopping | State::Tripped) {
            self.wrong.say("unlatched", format!("{:?} after a trip, at {place} ms", moment.state));
        }
        self.may_clear = false;
        self.before = Some(moment.state);

        let outputs = Outputs { burst: None, hand_work: None, ..moment.outputs };
        self.hung_ms = if beside.running { 0 } else { self.hung_ms + 1 };
        if self.hung_ms > 0 {
            // Nobody decides: outputs are as they were until the watchdog bites.
            if outputs.energised() && self.hung_ms > HUNG_MS_MAX {
                let what = format!("driven by a loop that has hung for {HUNG_MS_MAX} ms, {place} ms");
                self.wrong.say("hung", what);
            }
            return if outputs.energised() { Doing::Work { expects_flow: false } } else { Doing::Rest };
        }
        if moment.tick != beside.true_tick {
            let what = format!("the board's clock is at {} instead of {}", moment.tick, beside.true_tick);
            self.wrong.say("clock", format!("{what}, {place} ms"));
        }
        self.queue.retain(|dwell| !past(dwell, beside));
        self.running = carried_out(self.running.take(), &mut self.queue, &outputs, beside, place);
        let waits = self.running.is_some() || !self.queue.is_empty();
        self.right.tick(place, beside, waits, &mut self.wrong);
        if self.running.is_some() {
            self.last_dwell = Some(place);
        }
        match &self.running {
            _ if !outputs.energised() => Doing::Rest,
            Some(running) => {
                let doing = Doing::Work { expects_flow: running.dwell.expect_flow };
                self.works(place, &outputs);
                doing
            }
            None => {
                self.holds(place, &outputs, relieving, let_go);
                Doing::Hold
            }
        }
    }

    fn works(&mut self, place: usize, outputs: &Outputs) {
        self.right.works(place, outputs, &mut self.wrong);
        if !self.right.leased(place) {
            self.wrong.say("lease", format!("working at {place} ms without a lease"));
        }
    }

    fn holds(&mut self, place: usize, outputs: &Outputs, relieving: [u16; 2], let_go: [bool; 2]) {
        let held = [outputs.inlet_duty_e4, outputs.pressure_duty_e4];
        let relieves = (0..2).all(|coil| held[coil] == relieving[coil] || (held[coil] == 0 && let_go[coil]));
        let other = outputs.supply_on || outputs.drive_rpm > 0 || outputs.dump_closed;
        let in_time = self.last_dwell.is_some_and(|last| place - last <= HOLD_MS_MAX);
        if !relieves || other || !in_time {
            let what = format!("driven at {place} ms although no dwell says so: {outputs:?}");
            self.wrong.say("driven", what);
        }
    }
}

/// Whether a dwell with a tick of its own has missed it.
fn past(dwell: &Dwell, beside: &Beside) -> bool {
    matches!(dwell.start, Start::At(tick) if Tick(beside.true_tick).is_after(tick))
}

/// The first of each kind of thing that is wrong; what follows in the next millisecond says nothing new.
#[derive(Debug, Default)]
pub(super) struct Once {
    kinds: Vec<&'static str>,
    said: Vec<String>,
}

impl Once {
    pub(super) fn say(&mut self, kind: &'static str, what: String) {
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
    let due = |dwell: &Dwell| matches!(dwell.start, Start::At(tick) if tick == Tick(beside.true_tick));
    let taken_over = queue.iter().any(due);
    let follows = running.is_some() && !taken_over;
    if let Some(running) = running.filter(|running| !taken_over && running.asks_for(place, outputs)) {
        return Some(running);
    }
    if beside.moment.state == State::Tripped {
        queue.clear();
    }
    // Those ahead of it were empty, over before they began, or taken over.
    let next = queue.iter().position(|dwell| {
        (due(dwell) || (dwell.start == Start::AfterPrevious && follows)) && asks_for(dwell, 0, outputs)
    })?;
    let dwell = queue.drain(..=next).next_back()?;
    Some(Running { dwell, since: place })
}
