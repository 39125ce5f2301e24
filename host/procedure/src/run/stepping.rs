//! A step under way: its rounds, their phases, and what is concluded from them.

use super::chain::Chain;
use super::input::{Ahead, Intent};
use super::{Doing, Pending, Run, Stage, Stepping, ZERO_MS, next_slot};
use crate::finding::Finding;
use crate::procedure::StepKind;
use crate::record::{Ended, Entry, EventKind, Part, StepDone};
use crate::round::{Round, Span};
use crate::step::{self, Phase, Rig};
use std::collections::VecDeque;
use stepwell_protocol::dwell::DwellEnd;
use stepwell_protocol::message::Action;

/// A watch follows the stretch before it without a gap, unless that ended this long ago, in ms.
const STALE_MS: i32 = 2_000;

/// The caution that comes before the first energy of a run.
const CAUTIONS: &str = "\
Local codes, the maker's data and licensed practice come before anything this program says.\n\
 * A pinhole jet goes through gloves and skin. Never feel for leaks. Any suspected injection: hospital \
 at once, it is a surgical emergency even if it hardly hurts.\n\
 * Zero on a screen is not proof of zero pressure. Vent, then look at the mechanical gauge.\n\
 * Fuel mist can burn below its flash point. Ventilate, no ignition sources, stop on any spray.\n\
 * The drive turns and coasts. Guard closed, no loose sleeves, no rags, hands away.\n\
 * Coils stay hot and kick back when unplugged: power off first.\n\
 * SOFTWARE STOP is not an emergency stop. Relief valve, guard and emergency stop must work without \
 this program.\n\
Eye protection on, gloves for fuel on, guard closed, emergency stop in reach?";

impl Run {
    pub(super) fn begin_step(&mut self) {
        let main_is_over = self.part().is_none_or(|part| part == Part::TearDown);
        if main_is_over && !self.tearing_down {
            self.ended.get_or_insert(Ended::Completed);
            self.stop();
            return;
        }
        let Some((_, spec)) = self.steps.get(self.position) else {
            self.finish();
            return;
        };
        if self.link_lost && !matches!(spec.kind, StepKind::Confirm { .. }) {
            self.position += 1;
            return;
        }
        let step = step::start(spec);
        let title = spec.title.clone();
        self.note(EventKind::Step, format!("step: {title}"));
        let now = self.now();
        self.stage = Stage::Stepping(Box::new(Stepping {
            step,
            phases: VecDeque::new(),
            later: Vec::new(),
            doing: Doing::Nothing,
            spans: Vec::new(),
            bursts: Vec::new(),
            began: now,
            planned_ms: 0,
        }));
        self.begin_round();
    }

    fn begin_round(&mut self) {
        let Stage::Stepping(stepping) = &mut self.stage else { return };
        let Some(board) = &self.board else { return };
        let rig = Rig { pump: &self.plan.pump, calibration: &board.calibration, identity: &board.identity };
        self.recording.forget_before(self.anchor.minus_ms(ZERO_MS));
        stepping.phases = stepping.step.phases(&rig).into();
        stepping.later = stepping.step.surely_later(&rig);
        stepping.spans.clear();
        stepping.bursts.clear();
        let mut ahead = Ahead { ms: 0, budget: board.budget };
        stepping.phases.iter().chain(&stepping.later).for_each(|phase| ahead.phase(phase));
        stepping.planned_ms = ahead.ms;
    }

    /// The step's next move; `false` when a fact is missing.
    pub(super) fn step_on(&mut self) -> bool {
        let now = self.now();
        let Stage::Stepping(stepping) = &mut self.stage else { return false };
        match &mut stepping.doing {
            Doing::Asking | Doing::Noting => false,
            Doing::Watching { label, from, ms } => {
                let (label, from, to) = (*label, *from, from.plus_ms(*ms));
                if to.is_after(now) {
                    return false;
                }
                stepping.spans.push(Span { label: label.to_owned(), from, to, end: DwellEnd::Complete });
                stepping.doing = Doing::Nothing;
                self.anchor = to;
                true
            }
            Doing::Chaining(_) => self.chain_on(),
            Doing::Nothing => match stepping.phases.pop_front() {
                Some(phase) => self.begin_phase(phase),
                None => self.conclude(),
            },
        }
    }

    fn begin_phase(&mut self, phase: Phase) -> bool {
        let energy_first = matches!(phase, Phase::Chain(_)) && !self.cautions_given;
        let after_bad_end = !matches!(self.ended, None | Some(Ended::Completed));
        let title = self.steps.get(self.position).map(|(_, spec)| spec.title.clone()).unwrap_or_default();
        let anchor = self.anchor;
        let now = self.now();
        let Stage::Stepping(stepping) = &mut self.stage else { return false };
        if energy_first && !after_bad_end {
            stepping.phases.push_front(phase);
            stepping.doing = Doing::Asking;
            self.cautions_given = true;
            self.ask("Before energy", CAUTIONS.to_owned(), true);
            return true;
        }
        match phase {
            Phase::Ask(text) => {
                stepping.doing = Doing::Asking;
                self.ask(&title, text, false);
            }
            Phase::Watch { label, ms } => {
                // After a pause for the operator the anchor is stale: watch from now.
                let fresh = now.ms_since(anchor) < STALE_MS;
                let from = if fresh { anchor } else { now };
                stepping.doing = Doing::Watching { label, from, ms };
            }
            Phase::Hand(work) => {
                stepping.doing = Doing::Noting;
                let at = next_slot(anchor, anchor, now);
                self.anchor = at;
                self.command(Pending::HandWork, Action::HandWork { at, work });
            }
            // Nothing is energised after a bad ending, nor in tear-down.
            Phase::Chain(_) if self.ended.is_some() => {}
            Phase::Chain(dwells) => stepping.doing = Doing::Chaining(Chain::new(dwells)),
        }
        true
    }

    fn conclude(&mut self) -> bool {
        let Stage::Stepping(stepping) = &mut self.stage else { return false };
        let stepping = &mut **stepping;
        let Some(board) = &self.board else { return false };
        let Some((_, spec)) = self.steps.get(self.position) else { return false };
        let rig = Rig { pump: &self.plan.pump, calibration: &board.calibration, identity: &board.identity };
        let spans = std::mem::take(&mut stepping.spans);
        let round = Round { step: spec.name.clone(), zero: board.zero, spans };
        let evidence = round.evidence(&self.recording, &stepping.bursts);
        let conclusion = stepping.step.conclude(&rig, &evidence);
        self.intents.push_back(Intent::Write(Entry::Round(round)));
        if conclusion.again && self.ended.is_none() {
            let found: Vec<String> = conclusion.findings.iter().map(Finding::line).collect();
            self.note(EventKind::Step, format!("another round: {}", found.join("; ")));
            self.begin_round();
            return true;
        }
        let gate = spec.gate;
        let name = spec.name.clone();
        let waits = self.gauge_comes_next(spec);
        let holds = conclusion.findings.iter().all(|finding| finding.verdict.lets_go_on());
        for mut finding in conclusion.findings {
            finding.step.clone_from(&name);
            if waits {
                self.note(EventKind::Step, format!("waits for the gauge: {}", finding.line()));
                self.held.push(finding);
            } else {
                self.found(finding);
            }
        }
        self.leave_step();
        if gate && !holds && self.ended.is_none() {
            self.end(Ended::Gated { step: name });
        }
        true
    }

    pub(super) fn found(&mut self, finding: Finding) {
        self.findings.push(finding.clone());
        self.intents.push_back(Intent::Write(Entry::Finding(finding)));
    }

    pub(super) fn leave_step(&mut self) {
        self.write_step_done();
        self.position += 1;
        self.stage = Stage::Between;
    }

    pub(super) fn write_step_done(&mut self) {
        let now = self.now();
        if let (Stage::Stepping(stepping), Some((part, spec))) = (&self.stage, self.steps.get(self.position))
        {
            let done = StepDone {
                part: *part,
                name: spec.name.clone(),
                title: spec.title.clone(),
                ticks: (stepping.began.0, now.0),
            };
            self.intents.push_back(Intent::Write(Entry::Step(done)));
        }
    }
}
