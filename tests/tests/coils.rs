//! What a run tells of coils that are hot, have shorted turns, or hang on bad contacts: which of them it is, and
//! inductances that agree with what the model knows.

use stepwell_plant::FaultKind;
use stepwell_procedure::finding::{Finding, Verdict};
use stepwell_tests::shipped::Scenario;
use stepwell_tests::{Report, run};

fn electrical(faults: &[(FaultKind, f64)]) -> Report {
    let healthy = Scenario::healthy("electrical", "heron", 1);
    run(&faults.iter().fold(healthy, |scenario, (kind, severity)| scenario.with(*kind, *severity)))
}

/// What comes first among the things to check next.
fn first(finding: &Finding) -> &str {
    finding.check_next.first().map_or("", String::as_str)
}

fn estimate(report: &Report, id: &str) -> f64 {
    report.finding(id).value.as_ref().unwrap_or_else(|| panic!("no value for {id}")).estimate
}

/// The truth is the model's incremental inductance at the mean current, over the part of each burst that is
/// used: from 18 ms to its end at 30 ms. Of the 25 values at 95 % at least 20 lie within their uncertainty with a
/// probability of 0.9998 (binomial).
#[test]
fn inductances_agree_with_the_model() {
    let mut inside = Vec::new();
    for pump in ["heron", "dunlin", "plover"] {
        for seed in 1..=5 {
            let report = run(&Scenario::healthy("electrical", pump, seed));
            let coils = ["inlet_coil_inductance", "pressure_coil_inductance"];
            for (coil, id) in coils.into_iter().enumerate().take(if pump == "plover" { 1 } else { 2 }) {
                let driven = |k: usize| {
                    let outputs = &report.trace[k].outputs;
                    [outputs.inlet_duty_e4, outputs.pressure_duty_e4]
                };
                let starts = (1..report.trace.len())
                    .find(|&k| driven(k - 1) == [0, 0] && driven(k)[coil] > 0 && driven(k)[1 - coil] == 0)
                    .expect("each coil is driven alone");
                let used = &report.trace[starts + 18..starts + 30];
                let truth = used.iter().map(|tick| tick.inductance_h[coil]).sum::<f64>() / used.len() as f64;
                let finding = report.finding(id);
                assert_eq!(finding.verdict, Verdict::Pass, "{pump} {id}");
                let value = finding.value.as_ref().expect("a pass has a value");
                inside.push((value.estimate - truth).abs() <= value.expanded_uncertainty);
            }
        }
    }
    assert_eq!(inside.len(), 25);
    assert!(inside.iter().filter(|inside| **inside).count() >= 20, "{inside:?}");
}

/// With the temperature known a coil at 80 degC is a good coil: nothing fails.
#[test]
fn a_hot_coil_passes_when_its_temperature_is_known() {
    let report = electrical(&[(FaultKind::HotCoils, 1.0)]);
    assert_eq!(report.outcome.verdict, Verdict::Pass, "{}", report.told());
}

/// Without it the resistance is a fifth too high on a condition, the inductance says that no contact and no
/// turn need be at fault, and a hot coil comes first.
#[test]
fn a_hot_coil_is_named_when_its_temperature_is_not_known() {
    let report = electrical(&[(FaultKind::HotCoils, 1.0), (FaultKind::BodySensorOpen, 1.0)]);
    for coil in ["inlet", "pressure"] {
        let resistance = report.finding(&format!("{coil}_coil_resistance_20c"));
        assert_eq!(resistance.verdict, Verdict::ConditionalFail);
        assert!(first(resistance).starts_with("hot coil"), "{:?}", resistance.check_next);
        assert_eq!(report.finding(&format!("{coil}_coil_inductance")).verdict, Verdict::Pass);
    }
}

/// A fifth of the turns shorted in a coil at 80 degC: 0.8 of the resistance and about 0.64 of the inductance,
/// whose fall is the larger one. The other coil is as hot and passes.
#[test]
fn shorted_turns_of_a_hot_coil_are_named() {
    let report = electrical(&[(FaultKind::HotCoils, 1.0), (FaultKind::PressureCoilShortedTurns, 1.0)]);
    for id in ["pressure_coil_resistance_20c", "pressure_coil_inductance"] {
        assert_eq!(report.finding(id).verdict, Verdict::Fail);
        assert!(
            first(report.finding(id)).starts_with("shorted turns"),
            "{:?}",
            report.finding(id).check_next
        );
    }
    let left = estimate(&report, "pressure_coil_inductance") / estimate(&report, "inlet_coil_inductance");
    let healthy = electrical(&[(FaultKind::HotCoils, 1.0)]);
    let whole = estimate(&healthy, "pressure_coil_inductance") / estimate(&healthy, "inlet_coil_inductance");
    // The square of the turns; a smaller inductance saturates later, which gives back a little.
    assert!((0.6..0.7).contains(&(left / whole)), "{}", left / whole);
    assert_eq!(report.finding("inlet_coil_inductance").verdict, Verdict::Pass);
}

/// 0.8 of the turns at 1.22 times the resistance look like a good coil as long as nobody knows that it is hot.
/// The inductance is not deceived.
#[test]
fn shorted_turns_do_not_hide_behind_an_unknown_temperature() {
    let report = electrical(&[
        (FaultKind::HotCoils, 1.0),
        (FaultKind::BodySensorOpen, 1.0),
        (FaultKind::PressureCoilShortedTurns, 1.0),
    ]);
    let resistance = report.finding("pressure_coil_resistance_20c");
    assert!(resistance.verdict != Verdict::Pass, "good on a condition only");
    let inductance = report.finding("pressure_coil_inductance");
    assert_eq!(inductance.verdict, Verdict::Fail);
    assert!(
        first(inductance).starts_with("shorted turns in a coil that is hot"),
        "{:?}",
        inductance.check_next
    );
}

/// 0.3 ohm in the connector (severity 0.2 of 1.5 ohm) raise the resistance and leave the inductance; the run says
/// connector first, and how many ohm, to within the uncertainty of the resistance.
#[test]
fn a_bad_connector_is_named_with_its_resistance() {
    let report = electrical(&[(FaultKind::PressureConnectorResistance, 0.2)]);
    let resistance = report.finding("pressure_coil_resistance_20c");
    assert!(resistance.verdict != Verdict::Pass);
    let cause = first(resistance);
    assert!(
        cause.starts_with("connector or harness") && cause.contains("in series with a good coil"),
        "{cause}"
    );
    let value = resistance.value.as_ref().expect("there is a value");
    assert!((value.estimate - 3.0 - 0.3).abs() <= value.expanded_uncertainty, "{value:?}");
    assert_eq!(report.finding("pressure_coil_inductance").verdict, Verdict::Pass);
}
