//! The person at the bench: answers every question, and may press stop at a tick.

use stepwell_procedure::record::Entry;
use stepwell_procedure::run::Prompt;
use stepwell_session::engine::{Engine, Output};
use stepwell_session::lockstep::Outside;

/// A person at the bench.
#[derive(Debug)]
pub struct Operator {
    /// What was asked.
    pub prompts: Vec<Prompt>,
    /// What was to be written down.
    pub entries: Vec<Entry>,
    /// Why the link was lost, when it was.
    pub lost: Option<String>,
    stop_at: Option<u32>,
    refuses: &'static str,
    now: u32,
}

impl Operator {
    /// One who does everything that is asked.
    #[must_use]
    pub fn willing() -> Operator {
        Operator { prompts: Vec::new(), entries: Vec::new(), lost: None, stop_at: None, refuses: "", now: 0 }
    }

    /// One who does everything that is asked, and presses stop as soon as telemetry of the tick
    /// `tick` has been seen.
    #[must_use]
    pub fn stopping_at(tick: u32) -> Operator {
        Operator { stop_at: Some(tick), ..Operator::willing() }
    }

    /// One who does everything but the question whose title holds `title`.
    #[must_use]
    pub fn refusing(title: &'static str) -> Operator {
        Operator { refuses: title, ..Operator::willing() }
    }
}

impl Outside for Operator {
    fn answer(&mut self, prompt: &Prompt) -> Option<bool> {
        self.prompts.push(prompt.clone());
        Some(self.refuses.is_empty() || !prompt.title.contains(self.refuses))
    }

    fn output(&mut self, _: &Engine, output: Output) {
        match output {
            Output::Write(entry) => self.entries.push(entry),
            Output::Lost(why) => self.lost = Some(why),
            Output::Samples { first, samples, .. } => self.now = first.0 + samples.len() as u32,
            _ => {}
        }
    }

    fn wants_stop(&mut self) -> bool {
        let now = self.now;
        self.stop_at.take_if(|tick| now >= *tick).is_some()
    }
}
