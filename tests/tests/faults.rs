//! Acceptance of a faulty pump, fault by fault: how the run ends, the program's exit code, and what the
//! person at the bench is told, against `scenarios/faults.toml`. Whatever the fault, the bench does
//! nothing that it must not do.

use stepwell_plant::FaultKind;
use stepwell_procedure::finding::Verdict;
use stepwell_procedure::record::Ended;
use stepwell_tests::faulty::{Faulty, faulty};
use stepwell_tests::shipped::Scenario;
use stepwell_tests::{Report, check, run};

fn how(ended: &Ended) -> String {
    match ended {
        Ended::Completed => "completed".to_owned(),
        Ended::Gated { step } => format!("gated at {step}"),
        Ended::Tripped { .. } => "tripped".to_owned(),
        Ended::Refused { .. } => "refused".to_owned(),
        other => format!("{other:?}"),
    }
}

/// What is wrong with the report of a faulty pump.
fn faults_of(row: &Faulty, report: &Report) -> Vec<String> {
    let mut wrong = check::everything(&report.plan, &report.trace);
    let ended = how(&report.outcome.ended);
    if ended != row.ended {
        wrong.push(format!("ended: {ended}, not {}", row.ended));
    }
    if report.outcome.exit_code() != row.exit {
        wrong.push(format!("exit code {}, not {}", report.outcome.exit_code(), row.exit));
    }
    let told = report.told();
    for fragment in row.told.iter().filter(|fragment| !told.contains(fragment.as_str())) {
        wrong.push(format!("never told: {fragment}"));
    }
    for fragment in row.not_told.iter().filter(|fragment| told.contains(fragment.as_str())) {
        wrong.push(format!("told, but wrong: {fragment}"));
    }
    for id in row.not_passed.iter().filter(|id| report.finding(id).verdict == Verdict::Pass) {
        wrong.push(format!("passed: {id}"));
    }
    if !wrong.is_empty() {
        wrong.push(format!("all that was told: {told}"));
    }
    wrong.into_iter().map(|what| format!("{}: {what}", row.name)).collect()
}

#[test]
fn each_fault_ends_as_it_must_and_is_named() {
    let wrong: Vec<String> = faulty()
        .iter()
        .flat_map(|row| {
            let kind = FaultKind::from_name(&row.name).unwrap_or_else(|| panic!("no fault {}", row.name));
            let pump = row.pump.as_deref().unwrap_or("heron");
            let scenario = Scenario::healthy("acceptance", pump, 1).with(kind, row.severity.unwrap_or(1.0));
            faults_of(row, &run(&scenario))
        })
        .collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
