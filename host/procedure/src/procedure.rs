//! Procedures: an ordered list of steps with set-up, main part and tear-down, as data.

use crate::sheet::Written;

/// An ordered list of steps.
#[derive(Clone, Debug, PartialEq)]
pub struct Procedure {
    /// The file it came from, word for word.
    pub source: Written,
    /// Short name, as given on the command line.
    pub name: String,
    /// One line for people.
    pub title: String,
    /// Steps before anything is energised. When one of them ends the run, the main part is skipped.
    pub set_up: Vec<StepSpec>,
    /// The work.
    pub main: Vec<StepSpec>,
    /// Always runs, however the rest ended.
    pub tear_down: Vec<StepSpec>,
}

/// One step.
#[derive(Clone, Debug, PartialEq)]
pub struct StepSpec {
    /// Name, unique in the procedure; findings and the record refer to it.
    pub name: String,
    /// One line for people.
    pub title: String,
    /// What to do.
    pub kind: StepKind,
    /// Whether a finding of this step that is not at least a conditional pass ends the run (tear-down
    /// still follows). Everything after would be unsafe or pointless.
    pub gate: bool,
}

/// What a step does. Times in s.
#[derive(Clone, Debug, PartialEq)]
pub enum StepKind {
    /// The operator does or checks something and says so.
    Confirm {
        /// What to do or check.
        text: String,
    },
    /// Coil resistance at 20 °C, each coil in turn, nothing else energised.
    Electrical {
        /// How long each coil is driven.
        dwell_s: f64,
    },
    /// Fills the feed side by whichever route the pump's feed allows.
    Prime {
        /// Supply pulses (or primer strokes' groups, or short turns of the shaft).
        pulses: u32,
        /// How long each pulse lasts.
        on_s: f64,
        /// The pause after each.
        off_s: f64,
    },
    /// Which valve answers which output, at feed pressure and with the shaft still.
    ValveCheck {
        /// How long each output is tried.
        dwell_s: f64,
    },
    /// Timed drive on/rest cycles with both valves at their open duty, until the air is gone or the
    /// cap is reached.
    Purge {
        /// Drive on at most this long in a cycle.
        on_s: f64,
        /// Rest after it.
        rest_s: f64,
        /// Fewest cycles.
        cycles_min: u32,
        /// Most cycles.
        cycles_max: u32,
    },
    /// A small step of the pressure valve's duty from the sheet's bias duty.
    DutyStep {
        /// Time at the bias duty before the step.
        settle_s: f64,
        /// Time after the step.
        hold_s: f64,
    },
    /// Flow delivered at the duty after the small step.
    Flow {
        /// Time before the gate opens.
        settle_s: f64,
        /// Length of the gate.
        gate_s: f64,
    },
    /// Pressure over duty, up and down.
    Sweep {
        /// Points each way.
        points: u32,
        /// Time at each point.
        dwell_s: f64,
    },
    /// Pressure in the shut rail with the drive off.
    LeakDown {
        /// How long it is watched.
        watch_s: f64,
    },
    /// Empties the rail and proves it.
    Vent {
        /// How long the rail must be seen low.
        watch_s: f64,
    },
}
