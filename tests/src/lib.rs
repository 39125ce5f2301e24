//! Harness for checks that cross crates: shipped procedures on shipped pumps, in lockstep with the
//! built-in bench, with everything the bench really did beside everything the run said of it.
//!
//! [`run`] carries out a whole run; [`trace`] keeps what the model knows and sensors only guess;
//! [`check`] looks at that trace for what must never happen, with arithmetic of its own that shares
//! nothing with the board's core but the meaning of the outputs. Nothing here judges a pump.

pub mod above_guard;
pub mod budget;
pub mod chain;
pub mod check;
pub mod emulated;
pub mod faulty;
pub mod keeping;
pub mod operator;
pub mod promised;
pub mod real;
pub mod shipped;
pub mod trace;
pub mod trials;
pub mod wire;
pub mod world;

use operator::Operator;
use shipped::Scenario;
use stepwell_procedure::finding::Finding;
use stepwell_procedure::record::{Entry, Event, Outcome, StepDone};
use stepwell_procedure::run::{Plan, Prompt, Run};
use stepwell_session::engine::Engine;
use stepwell_session::lockstep;
use stepwell_session::time::HostTime;
use stepwell_virtual::SimulatedBench;
use trace::{Moment, Traced};

/// All that came of a run.
#[derive(Clone, Debug)]
pub struct Report {
    /// What was run.
    pub plan: Plan,
    /// What it came to.
    pub outcome: Outcome,
    /// What was found, in order.
    pub findings: Vec<Finding>,
    /// What happened, in order.
    pub events: Vec<Event>,
    /// The steps that were carried out.
    pub steps: Vec<StepDone>,
    /// The questions that were asked.
    pub prompts: Vec<Prompt>,
    /// Why the link was lost, when it was.
    pub lost: Option<String>,
    /// What the bench did, one entry per tick.
    pub trace: Vec<Moment>,
}

impl Report {
    /// The finding with this id.
    ///
    /// # Panics
    /// When there is none.
    #[must_use]
    pub fn finding(&self, id: &str) -> &Finding {
        self.findings.iter().find(|finding| finding.id == id).unwrap_or_else(|| {
            let found: Vec<_> = self.findings.iter().map(|finding| &finding.id).collect();
            panic!("no finding {id}; there are {found:?}")
        })
    }

    /// The ticks of the step with this name.
    ///
    /// # Panics
    /// When it was not carried out.
    #[must_use]
    pub fn during(&self, step: &str) -> &[Moment] {
        let done =
            self.steps.iter().find(|done| done.name == step).unwrap_or_else(|| panic!("no step {step}"));
        let place = |tick: u32| self.trace.partition_point(|moment| moment.tick < tick);
        &self.trace[place(done.ticks.0)..place(done.ticks.1)]
    }

    /// All text that a person at the bench reads in the end: the ending, notes and advice of
    /// everything that is not a pass.
    #[must_use]
    pub fn told(&self) -> String {
        use stepwell_procedure::finding::Verdict;
        use stepwell_procedure::record::Ended;
        let mut told = match &self.outcome.ended {
            Ended::Tripped { what } => what.clone(),
            Ended::Refused { why } => why.clone(),
            _ => String::new(),
        };
        for finding in self.findings.iter().filter(|finding| finding.verdict != Verdict::Pass) {
            for line in std::iter::once(&finding.label).chain(&finding.notes).chain(&finding.check_next) {
                told.push('\n');
                told.push_str(line);
            }
        }
        told
    }
}

/// Carries out `scenario` on a bench that has just been switched on and answers every question with
/// "done".
///
/// # Panics
/// When the board would not talk to the host, which a bench in this process never does.
#[must_use]
pub fn run(scenario: &Scenario) -> Report {
    let mut bench = Traced::new(&scenario.setup());
    run_on(&mut bench, |traced| traced, scenario.plan(), Operator::willing())
}

/// Carries out `plan` on a bench that is there already, perhaps through a wire that `reach` sees
/// through. The trace of the report is the bench's from its first tick.
///
/// # Panics
/// When the board would not talk to the host.
pub fn run_on<B: lockstep::Bench, S: SimulatedBench>(
    bench: &mut B,
    reach: impl Fn(&B) -> &Traced<S>,
    plan: Plan,
    mut operator: Operator,
) -> Report {
    let session = SESSION + reach(bench).trace().len() as u32;
    let mut engine = Engine::new(Run::new(plan.clone()), session, HostTime(0));
    let outcome = lockstep::run(&mut engine, bench, &mut operator).expect("the board talks to the host");
    let mut report = Report {
        plan,
        outcome,
        findings: engine.run().findings().to_vec(),
        events: Vec::new(),
        steps: Vec::new(),
        prompts: operator.prompts,
        lost: operator.lost,
        trace: reach(bench).trace().to_vec(),
    };
    for entry in operator.entries {
        match entry {
            Entry::Event(event) => report.events.push(event),
            Entry::Step(done) => report.steps.push(done),
            Entry::Finding(_) | Entry::Burst(_) | Entry::Round(_) => {}
        }
    }
    report
}

/// Session number of the first program on a bench; later ones add the bench's age.
const SESSION: u32 = 0x5EED;

/// Findings with every number as its bits.
#[must_use]
pub fn bits(report: &Report) -> Vec<String> {
    report
        .findings
        .iter()
        .map(|finding| {
            let value = finding.value.as_ref().map(|value| {
                let budget: Vec<_> = value
                    .budget
                    .iter()
                    .map(|part| (&part.name, part.standard_uncertainty.to_bits()))
                    .collect();
                (value.estimate.to_bits(), value.expanded_uncertainty.to_bits(), budget)
            });
            format!("{} {} {value:?} {:?} {:?}", finding.step, finding.id, finding.verdict, finding.notes)
        })
        .collect()
}
