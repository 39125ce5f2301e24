//! What must come of the acceptance of a pump with one fault from the first tick on: `scenarios/faults.toml`.

use serde::Deserialize;

/// The test that carries all of them out.
pub const TEST: &str = "each_fault_ends_as_it_must_and_is_named";

/// One fault and what must come of it.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Faulty {
    /// The model's name of the fault.
    pub name: String,
    /// The pump, if it is no Heron.
    pub pump: Option<String>,
    /// How badly, if not fully developed.
    pub severity: Option<f64>,
    /// "completed", "gated at STEP", "tripped" or "refused".
    pub ended: String,
    /// The program's exit code.
    pub exit: u8,
    /// Fragments of what is told; all of them.
    pub told: Vec<String>,
    /// What must not be told, because it sends the technician the wrong way.
    #[serde(default)]
    pub not_told: Vec<String>,
    /// Findings that must not pass.
    #[serde(default)]
    pub not_passed: Vec<String>,
}

/// All of them.
///
/// # Panics
/// When the table is not good.
#[must_use]
pub fn faulty() -> Vec<Faulty> {
    #[derive(Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Table {
        fault: Vec<Faulty>,
    }
    let table: Table = toml::from_str(include_str!("../scenarios/faults.toml")).expect("the table is good");
    table.fault
}
