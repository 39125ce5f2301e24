//! Everything a run leaves behind, as plain data. The store keeps it, screens and reports show it.

use crate::finding::{Finding, Verdict};
use crate::readings::Reading;
use crate::round::Round;
use crate::run::Plan;
use serde::{Deserialize, Serialize};
use stepwell_protocol::identity::Identity;
use stepwell_protocol::time::Tick;

/// What is known when a run begins.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RunHead {
    /// The pump on the bench, as its owner numbers it.
    pub pump_id: String,
    /// Name of the procedure.
    pub procedure: String,
    /// Name of the pump sheet.
    pub pump_sheet: String,
    /// Name of the bench sheet.
    pub bench_sheet: String,
    /// The procedure, word for word.
    pub procedure_text: String,
    /// The pump sheet, word for word.
    pub pump_sheet_text: String,
    /// The bench sheet, word for word.
    pub bench_sheet_text: String,
    /// Kind of board and its number.
    pub board: String,
    /// Version of the board's firmware.
    pub firmware: String,
    /// Whether the rig is a model.
    pub simulated: bool,
    /// Version of this program.
    pub program: String,
    /// Wall-clock time of the beginning, ISO 8601 with offset; for the label only.
    pub started: String,
    /// What the board said of itself: what turns its counts into volts, and its bursts into time. Nothing in
    /// runs kept before this was written down.
    #[serde(default)]
    pub identity: Option<Identity>,
    /// The faults and the seed of the built-in bench, when it was that.
    pub simulation: Option<String>,
}

impl RunHead {
    /// The head of a run of `plan` on the board that said who it is. `program` is this program's version,
    /// `started` the wall clock in ISO 8601, `simulation` what is simulated, for people.
    #[must_use]
    pub fn of(
        plan: &Plan,
        identity: &Identity,
        program: &str,
        started: String,
        simulation: Option<String>,
    ) -> RunHead {
        RunHead {
            pump_id: plan.pump_id.clone(),
            procedure: plan.procedure.name.clone(),
            pump_sheet: plan.pump.name.clone(),
            bench_sheet: plan.bench.name.clone(),
            procedure_text: plan.procedure.source.text.clone(),
            pump_sheet_text: plan.pump.source.text.clone(),
            bench_sheet_text: plan.bench.source.text.clone(),
            board: format!("{} {}", identity.board, identity.serial),
            firmware: identity.firmware.as_str().to_owned(),
            simulated: identity.simulated,
            program: program.to_owned(),
            started,
            identity: Some(identity.clone()),
            simulation,
        }
    }
}

/// How a run ended.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "how")]
pub enum Ended {
    /// Every step was carried out.
    Completed,
    /// A gate's finding was not good enough to go on.
    Gated {
        /// The step whose finding it was.
        step: String,
    },
    /// The operator stopped it.
    Stopped,
    /// The operator answered no.
    Declined {
        /// The step that asked.
        step: String,
    },
    /// The board tripped.
    Tripped {
        /// What happened, what the board did, what to do.
        what: String,
    },
    /// The board would not.
    Refused {
        /// What was asked, why not, what to do.
        why: String,
    },
    /// The link was lost.
    LinkLost,
    /// Nothing was sealed: the program ended in the middle.
    Interrupted,
}

/// How the note of a finding begins that the run never came to.
pub const UNREACHED: &str = "not reached";

/// What a run comes to.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Outcome {
    /// How it ended.
    pub ended: Ended,
    /// The worst of its findings; never a pass when anything is missing.
    pub verdict: Verdict,
}

impl Outcome {
    /// Exit code of the program for this outcome.
    #[must_use]
    pub const fn exit_code(&self) -> u8 {
        match self.ended {
            Ended::Tripped { .. } => 6,
            Ended::LinkLost => 5,
            Ended::Stopped | Ended::Declined { .. } | Ended::Interrupted => 130,
            Ended::Completed | Ended::Gated { .. } | Ended::Refused { .. } => self.verdict.exit_code(),
        }
    }
}

/// The part of a procedure a step belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Part {
    /// Before anything is energised.
    SetUp,
    /// The work.
    Main,
    /// Always carried out.
    TearDown,
}

/// A step that was carried out.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StepDone {
    /// Where it stands.
    pub part: Part,
    /// Its name.
    pub name: String,
    /// Its title.
    pub title: String,
    /// First and last tick.
    pub ticks: (u32, u32),
}

/// Something that happened, with its time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Event {
    /// Board time.
    pub at: u32,
    /// What kind of thing.
    pub kind: EventKind,
    /// What happened, in words.
    pub text: String,
    /// Why the board tripped or would not, as one word for machines.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cause: Option<String>,
    /// The reading that it rests on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reading: Option<Reading>,
}

/// What kind of thing happened.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum EventKind {
    /// A step began or ended.
    Step,
    /// The operator was asked or answered.
    Operator,
    /// A dwell began or ended.
    Dwell,
    /// The board tripped or refused.
    Board,
    /// The link: gaps, losses.
    Link,
}

impl Event {
    /// An event.
    #[must_use]
    pub fn new(at: Tick, kind: EventKind, text: impl Into<String>) -> Event {
        Event { at: at.0, kind, text: text.into(), cause: None, reading: None }
    }
}

/// A burst: one coil's current at the burst rate, single conversions.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Burst {
    /// The tick of the first sample.
    pub at: u32,
    /// Name of the current column of the coil.
    pub channel: String,
    /// Sampling rate in hertz.
    pub rate_hz: u32,
    /// The counts.
    pub counts: Vec<u16>,
}

/// One thing to be written down. The order of a run's entries is the order in which they happened.
#[derive(Clone, Debug, PartialEq)]
pub enum Entry {
    /// Something happened.
    Event(Event),
    /// A step was carried out.
    Step(StepDone),
    /// Something was found.
    Finding(Finding),
    /// A burst was read.
    Burst(Burst),
    /// A step concluded from these ticks.
    Round(Round),
}
