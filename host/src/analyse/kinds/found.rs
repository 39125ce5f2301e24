//! Findings of a recording as they are told, with what is to be said beside their numbers.

use super::super::chart::Chart;
use super::super::{Analysis, Found};
use stepwell_analysis::{Measured, Unmeasured};
use stepwell_procedure::quantity::Dimension;

/// What a finding is called in files, and by people, and what it is measured in.
pub(super) type Kind = (&'static str, &'static str, Dimension);

/// A finding that comes to the same reason as the whole recording.
pub(super) fn refused(findings: &[Kind], why: &Unmeasured, chart: Chart) -> Analysis {
    let findings = findings.iter().map(|kind| of(*kind, Err(*why))).collect();
    Analysis { findings, notes: Vec::new(), chart: Some(chart) }
}

pub(super) fn of((id, label, dimension): Kind, result: Result<Measured, Unmeasured>) -> Found {
    let told = |why: Unmeasured| match (why, option_for(id)) {
        (Unmeasured::NotGiven { .. }, Some(option)) => format!("{why} ({option})"),
        _ => why.to_string(),
    };
    Found { id, label, dimension, result: result.map_err(told), notes: Vec::new() }
}

/// How to give what a finding asks for when the recording alone does not hold it.
fn option_for(id: &str) -> Option<&'static str> {
    match id {
        "coil_resistance_20c" => Some("--coil-temperature \"23 degC within 1 K\""),
        "air_fraction" => Some("--liquid-modulus \"1.4 GPa within 5 %\""),
        "dead_time" => Some("--at \"0.5 s\""),
        "flow" => Some("--k-factor \"8234 /L within 1 %\""),
        _ => None,
    }
}

pub(super) fn noted(mut found: Found, note: impl Into<String>) -> Found {
    found.notes.push(note.into());
    found
}
