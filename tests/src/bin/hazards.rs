//! The table of hazards with what simulation measures: `hardware/hazards.md`.
//!
//! ```text
//! cargo run --release -p stepwell-tests --bin hazards > hardware/hazards.md
//! ```

use serde::Deserialize;
use std::path::Path;
use std::process::ExitCode;
use stepwell_tests::trials::noise::Noise;
use stepwell_tests::trials::parallel::over_seeds;
use stepwell_tests::world::case::{Case, Length};
use stepwell_tests::world::mishap::{Mishap, What};
use stepwell_tests::world::{Story, run};

const HEAD: &str = "\
# Hazards

What can go wrong on a bench, one thing at a time: how it is noticed, what follows, how soon it must, what proves it,
and the longest that was measured. Printed by

```sh
cargo run --release -p stepwell-tests --bin hazards > hardware/hazards.md
```

from `tests/scenarios/hazards.toml`, with simulation of whole runs on a good line (`tests/src/world.rs`): each thing goes
wrong on three pumps at instants spread over the time in which something is driven. Times are from the fault, or from
the moment its condition is there, until nothing is worked any more; a valve may be held where it relieves for 5 s more.
*metal*: nothing but a real rig can prove it. Local codes, the maker's data and licensed practice come first; no row
replaces an emergency stop, a relief valve or a guard that work without any of this.

Nothing detects a hand near a jet, a missing eye protection or the wrong fluid of the right viscosity.

| | what goes wrong | noticed by | what follows | at most, ms | longest, ms | proved by |
|---:|---|---|---|---:|---:|---|
";

/// Instants at which each thing goes wrong on each pump.
const INSTANTS: u64 = 8;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Table {
    hazard: Vec<Hazard>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Hazard {
    fault: String,
    noticed: String,
    follows: String,
    within_ms: Option<usize>,
    danger: Option<String>,
    #[serde(default)]
    harmless: bool,
    #[serde(default)]
    mishaps: Vec<String>,
    severity: Option<f64>,
    for_ms: Option<u64>,
    test: Option<String>,
    metal: Option<String>,
}

/// What simulation says of one hazard.
#[derive(Debug, Default)]
struct Measured {
    cases: usize,
    while_working: usize,
    longest_ms: usize,
    bound_ms: usize,
    wrong: Vec<String>,
}

fn main() -> ExitCode {
    let table: Table =
        toml::from_str(include_str!("../../scenarios/hazards.toml")).expect("the table is good");
    let mut rows = String::new();
    let mut wrong = Vec::new();
    for (number, hazard) in table.hazard.iter().enumerate() {
        let measured = measure(hazard);
        wrong.extend(measured.wrong.iter().map(|what| format!("{}: {what}", hazard.fault)));
        rows.push_str(&row(number + 1, hazard, &measured, &mut wrong));
    }
    print!("{HEAD}{rows}");
    for what in &wrong {
        eprintln!("WRONG: {what}");
    }
    if wrong.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

fn row(number: usize, hazard: &Hazard, measured: &Measured, wrong: &mut Vec<String>) -> String {
    let Hazard { fault, noticed, follows, .. } = hazard;
    let mut proofs = Vec::new();
    if measured.cases > 0 {
        proofs.push(format!(
            "simulation: {}",
            hazard.mishaps.iter().map(|m| format!("`{m}`")).collect::<Vec<_>>().join(", ")
        ));
    }
    if let Some(test) = &hazard.test {
        if !exists(test) {
            wrong.push(format!("{fault}: there is no test {test}"));
        }
        proofs.push(format!("`{test}`"));
    }
    if let Some(metal) = &hazard.metal {
        proofs.push(format!("*metal*: {metal}"));
    }
    if proofs.is_empty() {
        wrong.push(format!("{fault}: nothing proves it"));
    }
    let (bound, longest) = if hazard.harmless {
        ("–".to_owned(), format!("no harm in {} runs", measured.cases))
    } else if measured.cases > 0 {
        let Measured { longest_ms, bound_ms, while_working, .. } = measured;
        if *while_working == 0 {
            wrong.push(format!("{fault}: it never came while anything was worked"));
        }
        if longest_ms > bound_ms {
            wrong.push(format!("{fault}: {longest_ms} ms, {bound_ms} at the most"));
        }
        (bound_ms.to_string(), format!("{longest_ms} of {while_working}"))
    } else {
        ("–".to_owned(), "–".to_owned())
    };
    format!("| {number} | {fault} | {noticed} | {follows} | {bound} | {longest} | {} |\n", proofs.join("; "))
}

fn measure(hazard: &Hazard) -> Measured {
    let whats: Vec<What> = hazard
        .mishaps
        .iter()
        .map(|name| {
            What::all().find(|what| what.name() == name).unwrap_or_else(|| panic!("no mishap {name}"))
        })
        .collect();
    let mut measured = Measured { bound_ms: hazard.within_ms.unwrap_or(0), ..Measured::default() };
    let pumps = ["heron", "dunlin", "plover"];
    let count = whats.len() as u64 * pumps.len() as u64 * INSTANTS;
    let stories = over_seeds(0..count, |number| {
        let what = whats[(number % whats.len() as u64) as usize];
        let pump = pumps[(number / whats.len() as u64 % pumps.len() as u64) as usize];
        let mut noise = Noise::new(number);
        let drawn = Case::drawn_mishap(what, Length::Short, &mut noise);
        let mishap = Mishap {
            onset_ms: noise.uniform(0.0, WORK_MS) as u64,
            of_work: true,
            severity: hazard.severity.unwrap_or(drawn.severity),
            for_ms: hazard.for_ms.unwrap_or(drawn.for_ms),
            ..drawn
        };
        let case = Case { mishap: Some(mishap), ..Case::healthy(Length::Short, pump, number) };
        (case.to_string(), carried_out(&case))
    });
    for (case, story) in stories {
        measured.cases += 1;
        measured.wrong.extend(story.wrong.first().map(|what| format!("{what} ({case})")));
        let times: Vec<usize> = match &hazard.danger {
            None => story.at_rest_ms.into_iter().collect(),
            Some(name) => {
                let episodes = story.episodes.iter().filter(|episode| episode.danger.name == name);
                episodes
                    .map(|episode| {
                        measured.bound_ms = episode.danger.bound_ms;
                        episode.lasted_ms
                    })
                    .collect()
            }
        };
        measured.while_working += times.len();
        measured.longest_ms = times.into_iter().fold(measured.longest_ms, usize::max);
    }
    measured
}

/// Dwells of a short run take this long together, in ms, or longer.
const WORK_MS: f64 = 9_000.0;

fn carried_out(case: &Case) -> Story {
    let folder = stepwell_tests::world::folder();
    run(case, &folder.path().join("runs.stepwell"))
}

/// Whether a test of this name is anywhere in the project.
fn exists(test: &str) -> bool {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the project's folder");
    ["firmware/core/tests", "host/tests", "host/session/src", "tests/tests"]
        .iter()
        .any(|folder| holds(&root.join(folder), &format!("fn {test}(")))
}

fn holds(path: &Path, name: &str) -> bool {
    if let Ok(entries) = std::fs::read_dir(path) {
        return entries.flatten().any(|entry| holds(&entry.path(), name));
    }
    let file = std::fs::read_to_string(path).unwrap_or_default();
    let lines: Vec<&str> = file.lines().map(str::trim).collect();
    lines.windows(2).any(|pair| pair[0] == "#[test]" && pair[1].starts_with(name))
}
