//! End-to-end runs on the built-in bench, with benches and pumps of all kinds, and how often what they
//! find holds what is really so.

pub mod bench;
pub mod response;
pub mod stretches;
pub mod truths;

use crate::operator::Operator;
use crate::run_on;
use crate::trace::Traced;
use bench::draw;
use stepwell_procedure::record::Ended;
use stepwell_virtual::{ModelRig, VirtualBench};
use truths::{Asked, truth};

/// What one run said of one quantity.
#[derive(Clone, Debug)]
pub struct RunCase {
    /// Seed of the run.
    pub seed: u64,
    /// Name of the pump sheet.
    pub pump: &'static str,
    /// Id of the finding.
    pub finding: String,
    /// The value, or the first note of why there is none.
    pub found: Result<Found, String>,
}

/// A value with what it stands against.
#[derive(Clone, Copy, Debug)]
pub struct Found {
    /// What was found.
    pub value: f64,
    /// Its expanded uncertainty.
    pub expanded_uncertainty: f64,
    /// Its coverage factor.
    pub coverage_factor: f64,
    /// What is really so.
    pub truth: f64,
}

impl Found {
    /// Whether the stated interval holds the truth.
    #[must_use]
    pub fn holds(&self) -> bool {
        (self.value - self.truth).abs() <= self.expanded_uncertainty
    }

    /// Value less truth in standard uncertainties.
    #[must_use]
    pub fn error(&self) -> f64 {
        (self.value - self.truth) / self.expanded_uncertainty * self.coverage_factor
    }
}

/// Everything that the acceptance run of a seed found.
///
/// # Panics
/// When a finding has a value and no rule says what is really so.
#[must_use]
pub fn cases(seed: u64) -> Vec<RunCase> {
    let drawn = draw(seed);
    let bench = VirtualBench::of(ModelRig::of(drawn.rig, drawn.seed), drawn.seed);
    let mut traced = Traced::watching(bench);
    let report = run_on(&mut traced, |traced| traced, drawn.plan.clone(), Operator::willing());
    let ended = match &report.outcome.ended {
        Ended::Completed => String::new(),
        other => format!(" ({other:?})"),
    };
    report
        .findings
        .iter()
        .map(|finding| {
            let found = finding.value.as_ref().map(|value| Found {
                value: value.estimate,
                expanded_uncertainty: value.expanded_uncertainty,
                coverage_factor: value.coverage_factor,
                truth: truth(&Asked { drawn: &drawn, report: &report, finding }),
            });
            let reason =
                || format!("{}{ended}", finding.notes.first().map_or("no reason given", String::as_str));
            RunCase { seed, pump: drawn.pump, finding: finding.id.clone(), found: found.ok_or_else(reason) }
        })
        .collect()
}
