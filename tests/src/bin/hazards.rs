//! The table of hazards with what simulation measures: `hardware/hazards.md`.
//!
//! ```text
//! cargo run --release -p stepwell-tests --bin hazards > hazards.new && mv hazards.new hardware/hazards.md
//! ```
//!
//! What a row claims is compared with what came of its runs and with the tests that it cites: it fails, with the number
//! of the row, when the board trips by another cause, a run ends in another way, nothing is told, or what findings are
//! to show shows nowhere.

use clap::Parser;
use std::io::IsTerminal;
use std::process::ExitCode;
use stepwell_protocol::state::State;
use stepwell_tests::faulty::faulty;
use stepwell_tests::trials::noise::Noise;
use stepwell_tests::trials::parallel::over_seeds;
use stepwell_tests::world::played::case::{Case, Length, PUMPS};
use stepwell_tests::world::played::mishap::{Mishap, What};
use stepwell_tests::world::reports::claims::{Hazard, ended, hazards, trips};
use stepwell_tests::world::reports::founded::{CONTROL, Measured, unfounded};
use stepwell_tests::world::{run, run_with};

const HEAD: &str = "\
# Hazards

What can go wrong on a bench, one thing at a time: how it is noticed, what follows, how soon it must, what proves it,
and the longest that was measured. Printed by

```sh
cargo run --release -p stepwell-tests --bin hazards > hazards.new && mv hazards.new hardware/hazards.md
```

from `tests/scenarios/hazards.toml`, with simulation of whole runs on a good line (`tests/src/world.rs`): each thing
goes wrong on three pumps at five instants spread over the time in which something is driven. Times are from the fault,
or, where the bound has a *c*, from the moment its condition is there, to the last work that the board does without being
armed anew: a pause between two dwells is no end of it. *436 of 14* is the longest of fourteen times: one for each run in
which something was worked when it went wrong, or, with a *c*, for each time that the condition was there. Of the rail
the highest true pressure is told, as a share of the pump's guard. *Not timed*: no bound is claimed for it here, the row
says what follows; nothing else that must not happen did. A valve may be held where it relieves for 5 s more. What came of it: of
so many runs, those that tripped, by the first cause, and how the others ended; a row that claims something else is an
error of this program. A fault that came late in a short run may well leave it to pass, and the short procedure fails
on a Plover with nothing wrong (row 1): what a finding shows of a fault that was there from the beginning is tried by
the test that its row names.
*metal*: nothing but a real rig can prove it. Local codes, the maker's data and licensed practice come first; no row
replaces an emergency stop, a relief valve or a guard that work without any of this.

Nothing detects a hand near a jet, a missing eye protection or the wrong fluid of the right viscosity.

| | what goes wrong | noticed by | what follows | at most, ms | longest, ms | what came of it | proved by |
|---:|---|---|---|---:|---:|---|---|
";

/// Instants at which each thing goes wrong on each pump.
const INSTANTS: u64 = 5;

/// What a run on a pump comes to when nothing goes wrong.
struct Control {
    /// Milliseconds in which something is worked.
    work_ms: u64,
    ended: &'static str,
}

/// Prints the table of hazards with what simulation measures; fails when a row claims something else.
#[derive(Debug, Parser)]
#[command(name = "hazards")]
struct Args {}

fn main() -> ExitCode {
    let Args {} = Args::parse();
    let mut rows = String::new();
    let mut wrong = Vec::new();
    let controls = PUMPS.map(control);
    let (hazards, faults) = (hazards(), faulty());
    for what in What::all() {
        if !hazards.iter().any(|hazard| hazard.mishaps.iter().any(|name| name == what.name())) {
            wrong.push(format!("{} has no row", what.name()));
        }
    }
    for (place, hazard) in hazards.iter().enumerate() {
        let number = place + 1;
        if std::io::stderr().is_terminal() {
            eprint!("\r{number} of {}", hazards.len());
        }
        let measured = measure(hazard, &controls);
        rows.push_str(&row(number, hazard, &measured));
        let unfounded = unfounded(hazard, &measured, &faults);
        let all = measured.wrong.iter().chain(&unfounded);
        wrong.extend(all.map(|what| format!("row {number}, {}: {what}", hazard.fault)));
    }
    print!("{HEAD}{rows}");
    for what in &wrong {
        eprintln!("WRONG: {what}");
    }
    if wrong.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

fn row(number: usize, hazard: &Hazard, measured: &Measured) -> String {
    let Hazard { fault, noticed, follows, .. } = hazard;
    let mut proofs = Vec::new();
    if measured.cases > 0 {
        let names: Vec<String> = hazard.mishaps.iter().map(|name| format!("`{name}`")).collect();
        proofs.push(format!("simulation: {}", names.join(", ")));
    }
    proofs.extend(hazard.test.iter().map(|test| format!("`{test}`")));
    proofs.extend(hazard.metal.iter().map(|metal| format!("*metal*: {metal}")));
    let Measured { cases, longest_ms, bound_ms, while_working, hidden, .. } = measured;
    let dash = || "–".to_owned();
    let (bound, longest) = match (cases, hazard.harmless) {
        (0, _) => (dash(), dash()),
        (_, true) if hazard.rail => {
            let unheld = if *hidden > 0 { format!(", too long in {hidden} runs") } else { String::new() };
            (dash(), format!("rail at {:.0} % of its guard{unheld}", 100.0 * measured.of_guard))
        }
        (_, true) if *hidden > 0 => {
            (dash(), format!("in {hidden} of {cases}: {}", measured.missed.as_deref().unwrap_or_default()))
        }
        (_, true) => (dash(), "not timed".to_owned()),
        (_, false) if hazard.danger.is_some() => {
            let rail = format!("; rail at {:.0} % of its guard", 100.0 * measured.of_guard);
            let rail = if hazard.rail { rail } else { String::new() };
            (format!("{bound_ms} *c*"), format!("{longest_ms} of {while_working}{rail}"))
        }
        (_, false) => (bound_ms.to_string(), format!("{longest_ms} of {while_working}")),
    };
    let came: Vec<String> = measured.came.iter().map(|(what, count)| format!("{what} {count}")).collect();
    let came = if came.is_empty() { dash() } else { format!("of {cases}: {}", came.join(", ")) };
    format!(
        "| {number} | {fault} | {noticed} | {follows} | {bound} | {longest} | {came} | {} |\n",
        proofs.join("; ")
    )
}

fn measure(hazard: &Hazard, controls: &[Control]) -> Measured {
    let whats: Vec<Option<What>> = hazard.mishaps.iter().map(|name| played(name)).collect();
    let mut measured = Measured { bound_ms: hazard.within_ms.unwrap_or(0), ..Measured::default() };
    let (kinds, pumps) = (whats.len() as u64, PUMPS.len() as u64);
    let stories = over_seeds(0..kinds * pumps * INSTANTS, |number| {
        let what = whats[(number % kinds) as usize];
        let pump = (number / kinds % pumps) as usize;
        let instant = number / kinds / pumps;
        let mut noise = Noise::new(number);
        let mishap = what.map(|what| {
            let drawn = Case::drawn_mishap(what, Length::Short, &mut noise);
            let spread_ms = hazard.until_ms.unwrap_or(controls[pump].work_ms) as f64 / INSTANTS as f64;
            Mishap {
                onset_ms: ((instant as f64 + noise.uniform(0.0, 1.0)) * spread_ms) as u64,
                of_work: true,
                severity: hazard.severity.unwrap_or(drawn.severity),
                for_ms: hazard.for_ms.unwrap_or(drawn.for_ms),
                ..drawn
            }
        });
        let case = Case { mishap, ..Case::healthy(Length::Short, PUMPS[pump], number) };
        let mut plan = case.plan();
        plan.pump.rail_guard_pa = hazard.guard_mpa.map_or(plan.pump.rail_guard_pa, |mpa| 1e6 * mpa);
        let folder = stepwell_tests::world::folder();
        let story = run_with(&case, &plan, &folder.path().join("runs.stepwell"));
        (case, &controls[pump], plan.pump.rail_guard_pa, story)
    });
    for (case, control, guard_pa, story) in stories {
        measured.cases += 1;
        measured.wrong.extend(story.wrong.first().map(|what| format!("{what} ({case})")));
        measured.hidden += usize::from(!story.beyond.is_empty());
        measured.missed = measured.missed.or_else(|| story.beyond.first().cloned());
        let rail_pa = story.watch.ticks.iter().map(|beside| beside.moment.rail_pa).fold(0.0, f64::max);
        measured.of_guard = measured.of_guard.max(rail_pa / guard_pa);
        let tripped = trips(&story).into_iter().next();
        let unlike_control = tripped.is_some() || ended(&story) != control.ended;
        if tripped.is_none() && unlike_control {
            let name = case.mishap.map_or(CONTROL, |mishap| mishap.what.name());
            measured.unlike_control.insert(name.to_owned());
        }
        *measured.came.entry(tripped.unwrap_or_else(|| ended(&story).to_owned())).or_default() += 1;
        if let Some(told) = &hazard.told {
            let is_told = story.told.contains(told);
            measured.told += usize::from(is_told);
            if unlike_control && !is_told && story.outcomes.last().is_some_and(Option::is_some) {
                measured.wrong.push(format!("{}, and never told: {told} ({case})", ended(&story)));
            }
        }
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
        if let Some(longest_ms) = times.into_iter().max().filter(|ms| *ms > measured.longest_ms) {
            (measured.longest_ms, measured.slowest) = (longest_ms, case.to_string());
        }
    }
    measured
}

/// What a name stands for; nothing goes wrong in a control.
fn played(name: &str) -> Option<What> {
    let what = What::all().find(|what| what.name() == name);
    assert!(what.is_some() || name == CONTROL, "no mishap {name}");
    what
}

fn control(pump: &'static str) -> Control {
    let folder = stepwell_tests::world::folder();
    let story = run(&Case::healthy(Length::Short, pump, 0), &folder.path().join("runs.stepwell"));
    let dwells = story.watch.ticks.iter().filter(|beside| beside.moment.state == State::Dwelling);
    Control { work_ms: dwells.count() as u64, ended: ended(&story) }
}
