//! What `hardware/hazards.md` claims of each thing that can go wrong, as it is written down in
//! `scenarios/hazards.toml`: by which cause the board trips, how the run ends, what is told.

use crate::world::Story;
use serde::Deserialize;
use stepwell_procedure::finding::Verdict;
use stepwell_procedure::record::{Ended, Outcome};

/// One row.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Hazard {
    /// What goes wrong.
    pub fault: String,
    /// Who notices, and by what.
    pub noticed: String,
    /// What follows.
    pub follows: String,
    /// Bound from the fault to nothing being worked any more, ms.
    pub within_ms: Option<usize>,
    /// A condition of [`crate::world::checkers::danger`] from which its bound runs.
    pub danger: Option<String>,
    /// Nothing needs to stop.
    #[serde(default)]
    pub harmless: bool,
    /// What is played; "nothing" is a control.
    #[serde(default)]
    pub mishaps: Vec<String>,
    /// Instead of a drawn severity.
    pub severity: Option<f64>,
    /// Instead of a drawn duration, ms.
    pub for_ms: Option<u64>,
    /// It begins within so much of the work, ms, instead of all of it.
    pub until_ms: Option<u64>,
    /// The pump's guard, instead of the sheet's, MPa.
    pub guard_mpa: Option<f64>,
    /// How high the rail goes is what counts.
    #[serde(default)]
    pub rail: bool,
    /// What it spoils hides from the board that something is wrong: a bound is then missed without its fault.
    #[serde(default)]
    pub hides: bool,
    /// The causes by which the board may trip first, as the protocol names them; by any other it must not.
    #[serde(default)]
    pub trips: Vec<String>,
    /// Causes that name it as well, and need not come.
    #[serde(default)]
    pub may: Vec<String>,
    /// How the run may end, in the words of [`ended`].
    #[serde(default)]
    pub ends: Vec<String>,
    /// What the program says of every run that does not end as one on the same pump in which nothing went wrong.
    pub told: Option<String>,
    /// Tests that prove it.
    #[serde(default)]
    pub test: Vec<String>,
    /// Why only metal can prove it.
    pub metal: Option<String>,
}

/// All rows.
///
/// # Panics
/// When the table is not good.
#[must_use]
pub fn hazards() -> Vec<Hazard> {
    #[derive(Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Table {
        hazard: Vec<Hazard>,
    }
    let table: Table =
        toml::from_str(include_str!("../../../scenarios/hazards.toml")).expect("the table is good");
    table.hazard
}

impl Hazard {
    /// Whether a story names this: by a trip that the row claims or allows, or in the words that it claims.
    #[must_use]
    pub fn is_named_in(&self, story: &Story) -> bool {
        let tripped = trips(story).iter().any(|cause| self.trips.contains(cause) || self.may.contains(cause));
        tripped || self.told.as_ref().is_some_and(|told| story.told.contains(told))
    }
}

/// The first causes of the trips of a story, as the protocol names them.
#[must_use]
pub fn trips(story: &Story) -> Vec<String> {
    story.trips.iter().map(|cause| format!("{cause:?}")).collect()
}

/// How the last life of the program ended, in a word or two: a run that came to its end, by its verdict.
#[must_use]
pub fn ended(story: &Story) -> &'static str {
    let Some(Outcome { ended, verdict }) = story.outcomes.last().and_then(Option::as_ref) else {
        return "no end";
    };
    match (ended, verdict) {
        (Ended::Gated { .. }, _) => "gated",
        (Ended::Stopped, _) => "stopped",
        (Ended::Declined { .. }, _) => "declined",
        (Ended::Tripped { .. }, _) => "tripped",
        (Ended::Refused { .. }, _) => "refused",
        (Ended::LinkLost, _) => "link lost",
        (Ended::Interrupted, _) => "interrupted",
        (Ended::Completed, Verdict::Pass) => "passed",
        (Ended::Completed, Verdict::ConditionalPass | Verdict::ConditionalFail) => "conditional",
        (Ended::Completed, Verdict::Fail) => "failed",
        (Ended::Completed, Verdict::NotMeasured) => "not measured",
        (Ended::Completed, Verdict::Invalid) => "invalid",
    }
}
