//! The operator does or checks something and says so.

use super::{Conclusion, Evidence, Expected, Phase, Rig, Step};

/// Asks, and finds nothing.
#[derive(Debug)]
pub(super) struct Confirm {
    pub(super) text: String,
}

impl Step for Confirm {
    fn phases(&mut self, _: &Rig<'_>) -> Vec<Phase> {
        vec![Phase::Ask(self.text.clone())]
    }

    fn expects(&self, _: &Rig<'_>) -> Vec<Expected> {
        Vec::new()
    }

    fn conclude(&mut self, _: &Rig<'_>, _: &Evidence<'_>) -> Conclusion {
        Conclusion { again: false, findings: Vec::new() }
    }
}
