//! Every ending: an answer of "no", a stop, a lost link, and the tear-down that all of them go through.

use super::input::Intent;
use super::{Doing, Pending, Run, Stage};
use crate::finding::Verdict;
use crate::procedure::{StepKind, StepSpec};
use crate::record::{Ended, EventKind, Outcome, Part, UNREACHED};
use crate::step::Rig;
use crate::{causes, step};
use stepwell_protocol::message::Action;

/// What a "no" to the question for the gauge means.
const GAUGE_NOT_ZERO: &str = "The mechanical gauge was not seen at zero: pressure may be trapped. Open nothing, keep \
     everybody away from rail and pipes, and find out why the rail does not empty";

/// What no reading can say any more.
const UNSEEN: &str = "Treat the rail as under pressure and look at the mechanical gauge";

impl Run {
    pub(super) fn operator(&mut self, number: u32, yes: bool, said: &str) {
        if self.prompt.as_ref().is_none_or(|prompt| prompt.number != number) {
            return;
        }
        self.prompt = None;
        self.note(EventKind::Operator, said);
        match &mut self.stage {
            Stage::Waking if yes => self.command(Pending::ClearTrip, Action::ClearTrip),
            Stage::Stepping(stepping) if yes => {
                stepping.doing = Doing::Nothing;
                self.release(None);
            }
            Stage::Stepping(_) if self.ended.is_some() => {
                if self.asks_for_gauge() {
                    self.note(EventKind::Operator, GAUGE_NOT_ZERO);
                    self.warning = Some(GAUGE_NOT_ZERO.to_owned());
                    self.release(Some(GAUGE_NOT_ZERO));
                }
                let step = self.steps.get(self.position).map(|(_, spec)| spec.name.clone());
                self.leave_step();
                self.end(Ended::Declined { step: step.unwrap_or_default() });
            }
            _ => {
                let step = self.steps.get(self.position).map(|(_, spec)| spec.name.clone());
                self.end(Ended::Declined { step: step.unwrap_or_default() });
            }
        }
    }

    pub(super) fn link_lost(&mut self, why: &str) {
        if matches!(self.stage, Stage::Finished) || self.link_lost {
            return;
        }
        self.link_lost = true;
        self.pending = None;
        if matches!(self.ended, None | Some(Ended::Completed)) {
            self.ended = Some(Ended::LinkLost);
        }
        self.note(EventKind::Link, format!("link lost: {why}; the board goes to rest by itself. {UNSEEN}"));
        if self.board.is_none() {
            // Nothing was ever energised.
            self.finish();
            return;
        }
        self.warning.get_or_insert_with(|| format!("The link to the board is lost. {UNSEEN}"));
        if self.tearing_down && self.prompt.is_some() {
            return;
        }
        self.prompt = None;
        self.write_step_done();
        if !self.tearing_down {
            self.tear_down();
        }
        self.stage = Stage::Between;
    }

    /// Turns to the first step of tear-down.
    pub(super) fn tear_down(&mut self) {
        let first = self.steps.iter().position(|(part, _)| *part == Part::TearDown);
        self.position = first.unwrap_or(self.steps.len());
        self.tearing_down = true;
    }

    /// Whether the step under way is the question behind a vent in tear-down.
    fn asks_for_gauge(&self) -> bool {
        let before = self.position.checked_sub(1).and_then(|before| self.steps.get(before));
        matches!(before, Some((Part::TearDown, StepSpec { kind: StepKind::Vent { .. }, .. })))
    }

    /// Whether the step after this one asks for the gauge.
    pub(super) fn gauge_comes_next(&self, vent: &StepSpec) -> bool {
        let next = self.steps.get(self.position + 1);
        self.tearing_down
            && matches!(vent.kind, StepKind::Vent { .. })
            && matches!(next, Some((_, StepSpec { kind: StepKind::Confirm { .. }, .. })))
    }

    /// Lets out what a vent has found; worthless for a reason, if there is one.
    fn release(&mut self, worthless: Option<&str>) {
        for mut finding in std::mem::take(&mut self.held) {
            if let Some(why) = worthless {
                finding.verdict = Verdict::Invalid;
                finding.conformity = None;
                finding.notes.insert(0, why.to_owned());
                finding.check_next = causes::check_next(&finding.id, causes::Side::Absent);
            }
            self.found(finding);
        }
    }

    /// Ends the work for `ended`, unless it has already ended for another cause. The first cause is
    /// the one that counts; a trip that follows a stop is noted and no more. Work that had come to its
    /// own end is no cause: whatever goes wrong in tear-down takes its place.
    pub(super) fn end(&mut self, ended: Ended) {
        if matches!(self.stage, Stage::Finished) {
            return;
        }
        if !matches!(self.ended, None | Some(Ended::Completed)) {
            // A second stop during tear-down: no more questions.
            if matches!(ended, Ended::Stopped) && self.prompt.take().is_some() {
                self.note(EventKind::Operator, "not answered: stopped again");
                self.release(Some("the mechanical gauge was not read"));
                self.leave_step();
            }
            return;
        }
        self.ended = Some(ended);
        if self.tearing_down {
            // Nothing is energised any more; tear-down goes on with its questions.
            return;
        }
        self.prompt = None;
        self.pending = None;
        self.stop();
    }

    pub(super) fn stop(&mut self) {
        if !matches!(self.stage, Stage::Stopping { .. }) {
            self.write_step_done();
            self.intents.push_back(Intent::Stop);
            self.stage = Stage::Stopping { since: self.now() };
        }
    }

    /// Names what was never found, and says what the run comes to.
    pub(super) fn finish(&mut self) {
        self.release(None);
        let ended = self.ended.clone().unwrap_or(Ended::Completed);
        let why = match &ended {
            Ended::Completed => "the step found nothing".to_owned(),
            Ended::Gated { step } => format!("{UNREACHED}: ended after step “{step}”"),
            Ended::Stopped => format!("{UNREACHED}: stopped"),
            Ended::Declined { step } => format!("{UNREACHED}: declined at step “{step}”"),
            Ended::Tripped { .. } => format!("{UNREACHED}: the board tripped"),
            Ended::Refused { .. } => format!("{UNREACHED}: the board would not"),
            Ended::LinkLost | Ended::Interrupted => format!("{UNREACHED}: link lost. {UNSEEN}"),
        };
        let mut missing = Vec::new();
        if let Some(board) = &self.board {
            let rig =
                Rig { pump: &self.plan.pump, calibration: &board.calibration, identity: &board.identity };
            for (_, spec) in &self.steps {
                for expected in step::start(spec).expects(&rig) {
                    if !self.findings.iter().any(|f| f.id == expected.id && f.step == spec.name) {
                        let mut finding = expected.unmeasured(why.clone(), Vec::new());
                        finding.step.clone_from(&spec.name);
                        missing.push(finding);
                    }
                }
            }
        }
        for finding in missing {
            self.found(finding);
        }
        let worst = self.findings.iter().map(|finding| finding.verdict).max();
        let whole = matches!(ended, Ended::Completed) && worst.is_some();
        let floor = if whole { Verdict::Pass } else { Verdict::NotMeasured };
        let verdict = worst.unwrap_or(Verdict::NotMeasured).max(floor);
        self.stage = Stage::Finished;
        self.intents.push_back(Intent::Finished(Outcome { ended, verdict }));
    }
}
