//! A run as a store keeps it, in memory: what `recompute` needs, without a file.

use crate::shipped::Scenario;
use crate::trace::Traced;
use stepwell_procedure::finding::Finding;
use stepwell_procedure::recompute::{Compared, KeptRun, recompute};
use stepwell_procedure::record::{Burst, Entry};
use stepwell_procedure::recording::Recording;
use stepwell_procedure::round::Round;
use stepwell_procedure::run::{Plan, Prompt, Run};
use stepwell_protocol::identity::Identity;
use stepwell_session::engine::{Engine, Output};
use stepwell_session::lockstep::{self, Outside};
use stepwell_session::time::HostTime;

/// What is kept of a run.
#[derive(Debug, Default)]
pub struct Kept {
    identity: Option<Identity>,
    rounds: Vec<Round>,
    bursts: Vec<Burst>,
    recording: Recording,
    /// Whether the operator stops it when a step has asked for another round, and whether one has.
    stops: bool,
    another_round: bool,
    /// What was found.
    pub findings: Vec<Finding>,
}

impl Outside for Kept {
    fn answer(&mut self, _: &Prompt) -> Option<bool> {
        Some(true)
    }

    fn output(&mut self, _: &Engine, output: Output) {
        match output {
            Output::Board(identity) => self.identity = Some(*identity),
            Output::Samples { first, first_us, samples } => {
                self.recording.append(first, first_us, &samples);
            }
            Output::Write(Entry::Round(round)) => self.rounds.push(round),
            Output::Write(Entry::Burst(burst)) => self.bursts.push(burst),
            Output::Write(Entry::Finding(finding)) => self.findings.push(finding),
            Output::Write(Entry::Event(event)) => {
                self.another_round |= event.text.starts_with("another round");
            }
            _ => {}
        }
    }

    fn wants_stop(&mut self) -> bool {
        self.stops && std::mem::take(&mut self.another_round)
    }
}

impl Kept {
    /// Carries out `plan` on the bench of `scenario`.
    ///
    /// # Panics
    /// When the board would not talk to the host, which a bench in this process never does.
    #[must_use]
    pub fn of(scenario: &Scenario, plan: &Plan) -> Kept {
        Kept::default().made(scenario, plan)
    }

    /// The same, stopped by the operator when a step has asked for another round.
    ///
    /// # Panics
    /// As [`Self::of`].
    #[must_use]
    pub fn stopped_between_rounds(scenario: &Scenario, plan: &Plan) -> Kept {
        Kept { stops: true, ..Kept::default() }.made(scenario, plan)
    }

    fn made(mut self, scenario: &Scenario, plan: &Plan) -> Kept {
        let mut engine = Engine::new(Run::new(plan.clone()), 1, HostTime(0));
        lockstep::run(&mut engine, &mut Traced::new(&scenario.setup()), &mut self)
            .expect("the board talks to the host");
        self
    }

    /// The ticks that were recorded, in milliseconds from the first to the last.
    #[must_use]
    pub fn ticks(&self) -> u32 {
        self.recording.end().map_or(0, |end| end.0)
    }

    /// Its findings computed again with the sheets of `plan`.
    ///
    /// # Panics
    /// When no board had answered.
    #[must_use]
    pub fn again(&self, plan: &Plan) -> Vec<Compared> {
        let kept = KeptRun {
            identity: self.identity.as_ref().expect("the board has answered"),
            rounds: &self.rounds,
            bursts: &self.bursts,
            recording: &self.recording,
            findings: &self.findings,
        };
        recompute(plan, &kept)
    }
}
