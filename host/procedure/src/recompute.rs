//! A run that is kept, concluded again: with corrected sheets, or by a newer version of this program.
//!
//! Counts were kept, not quantities, and with them which ticks every step rests on. So the steps conclude
//! from the same telemetry by the same code as when the run was made; what differs is what the sheets
//! say. Nothing that is kept is changed.

use crate::calibrate::Calibration;
use crate::finding::{Finding, Verdict};
use crate::record::Burst;
use crate::recording::Recording;
use crate::round::Round;
use crate::run::Plan;
use crate::step::{self, Rig, Step};
use std::collections::BTreeMap;
use stepwell_protocol::identity::Identity;

/// What is kept of a run, as far as its findings rest on it.
#[derive(Clone, Copy, Debug)]
pub struct KeptRun<'a> {
    /// The board.
    pub identity: &'a Identity,
    /// The rounds of its steps, in order.
    pub rounds: &'a [Round],
    /// The bursts.
    pub bursts: &'a [Burst],
    /// The telemetry.
    pub recording: &'a Recording,
    /// What was found then.
    pub findings: &'a [Finding],
}

/// A finding then and now.
#[derive(Clone, Debug, PartialEq)]
pub struct Compared {
    /// As it is kept; `None` when only now there is one.
    pub then: Option<Finding>,
    /// As it comes out now.
    pub now: Finding,
}

/// Concludes every step of a kept run again, with the sheets of `plan`. Findings come in the order in
/// which they are kept, new ones last.
///
/// A finding that was invalid because of what the operator saw stays invalid: no calibration changes that.
#[must_use]
pub fn recompute(plan: &Plan, kept: &KeptRun<'_>) -> Vec<Compared> {
    let nominal = Calibration::nominal(&plan.bench, kept.identity);
    let specs = || plan.procedure.set_up.iter().chain(&plan.procedure.main).chain(&plan.procedure.tear_down);
    // A step that goes several rounds remembers the ones before; the last one's findings count.
    let mut steps: BTreeMap<&str, Box<dyn Step>> = BTreeMap::new();
    let mut found: BTreeMap<&str, Vec<Finding>> = BTreeMap::new();
    for round in kept.rounds {
        let Some(spec) = specs().find(|spec| spec.name == round.step) else { continue };
        // Without the rest at which its zeroes were taken a round gives other numbers than it did.
        let Ok(rest) = kept.recording.window(round.zero.0, round.zero.1) else { continue };
        let calibration = nominal.clone().zeroed(&rest);
        let rig = Rig { pump: &plan.pump, calibration: &calibration, identity: kept.identity };
        let step = steps.entry(&round.step).or_insert_with(|| step::start(spec));
        step.phases(&rig);
        let conclusion = step.conclude(&rig, &round.evidence(kept.recording, kept.bursts));
        let mut findings = conclusion.findings;
        for finding in &mut findings {
            finding.step.clone_from(&round.step);
        }
        // What another round was to replace counts only if the run itself took it for its last.
        let mut then = kept.findings.iter().filter(|then| then.step == round.step);
        if conclusion.again && !then.any(|then| then.value.is_some()) {
            findings.clear();
        }
        found.insert(&round.step, findings);
    }
    let mut now: Vec<Finding> = found.into_values().flatten().collect();
    let mut compared: Vec<Compared> = kept
        .findings
        .iter()
        .map(|then| {
            let same = now.iter().position(|now| now.id == then.id && now.step == then.step);
            let now = match same {
                Some(index) => as_seen(then, now.remove(index)),
                None => gone(then),
            };
            Compared { then: Some(then.clone()), now }
        })
        .collect();
    compared.extend(now.into_iter().map(|now| Compared { then: None, now }));
    compared
}

/// A finding that no step comes to any more. One that the run never came to stays as it is; one that had a
/// value has none with these sheets, and what is missing is never a pass.
fn gone(then: &Finding) -> Finding {
    if then.value.is_none() {
        return then.clone();
    }
    Finding {
        value: None,
        conformity: None,
        verdict: Verdict::NotMeasured,
        notes: vec![
            "with these sheets nothing is measured here, or what it rested on is not in the record"
                .to_owned(),
        ],
        check_next: Vec::new(),
        ..then.clone()
    }
}

/// The finding now, with what the operator's eyes made of it then: nothing else makes a finding invalid.
fn as_seen(then: &Finding, mut now: Finding) -> Finding {
    if then.verdict == Verdict::Invalid && now.verdict != Verdict::Invalid {
        now.verdict = Verdict::Invalid;
        now.conformity = None;
        now.notes.clone_from(&then.notes);
        now.check_next.clone_from(&then.check_next);
    }
    now
}
