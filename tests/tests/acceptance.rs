//! A healthy pump of each kind passes; every finding is there, whole, and right against what the
//! model knows.

use stepwell_procedure::finding::{Finding, Verdict};
use stepwell_procedure::record::{Ended, Part};
use stepwell_protocol::state::State;
use stepwell_tests::shipped::{PUMPS, Scenario};
use stepwell_tests::trace::{Moment, mean};
use stepwell_tests::{Report, check, run};

const ELECTRIC: [&str; 16] = [
    "inlet_coil_resistance_20c",
    "pressure_coil_resistance_20c",
    "feed_pressure",
    "still_flow",
    "pressure_output_stops",
    "inlet_output_stops",
    "air_in_rail",
    "pressure_rise",
    "dead_time",
    "rise_time_10_90",
    "overshoot",
    "flow",
    "volumetric_efficiency",
    "hysteresis",
    "leak_time_constant",
    "rail_pressure_vented",
];

/// Without a pressure valve there is nothing to step, to sweep or to tell apart, and no return to
/// measure a flow in.
const INLET_VALVE_ONLY: [&str; 5] = [
    "inlet_coil_resistance_20c",
    "feed_pressure",
    "air_in_rail",
    "leak_time_constant",
    "rail_pressure_vented",
];

#[test]
fn a_healthy_pump_of_each_kind_passes_with_every_finding_in_place() {
    for pump in PUMPS {
        let expected: &[&str] = if pump == "plover" { &INLET_VALVE_ONLY } else { &ELECTRIC };
        for seed in [1, 2, 3] {
            let report = run(&Scenario::healthy("acceptance", pump, seed));
            let named = format!("{pump}, seed {seed}");
            assert_eq!(report.outcome.ended, Ended::Completed, "{named}");
            assert_eq!(report.outcome.verdict, Verdict::Pass, "{named}: {}", report.told());
            assert_eq!(report.outcome.exit_code(), 0, "{named}");
            let ids: Vec<&str> = report.findings.iter().map(|finding| finding.id.as_str()).collect();
            assert_eq!(ids, expected, "{named}");
            for finding in &report.findings {
                whole(&named, finding);
            }
            let steps = report.plan.procedure.set_up.len()
                + report.plan.procedure.main.len()
                + report.plan.procedure.tear_down.len();
            assert_eq!(report.steps.len(), steps, "{named}: every step is carried out");
            assert_eq!(report.steps.iter().filter(|step| step.part == Part::TearDown).count(), 3, "{named}");
            assert_eq!(check::everything(&report.plan, &report.trace), Vec::<String>::new(), "{named}");
            assert!(report.prompts.iter().any(|prompt| prompt.caution), "{named}: cautions before energy");
        }
    }
}

/// A finding that can be used: a value, an uncertainty made of named parts, a tolerance, a verdict
/// that follows from the three.
fn whole(named: &str, finding: &Finding) {
    let named = format!("{named}: {}", finding.id);
    let value = finding.value.as_ref().unwrap_or_else(|| panic!("{named} has no value"));
    let tolerance = finding.tolerance.unwrap_or_else(|| panic!("{named} has no tolerance"));
    assert!(value.estimate.is_finite(), "{named}");
    assert!(value.expanded_uncertainty > 0.0 && value.expanded_uncertainty.is_finite(), "{named}");
    assert!(!value.budget.is_empty(), "{named}");
    // Parts may pull together or against each other; their squares still bound the sum.
    let sum: f64 = value.budget.iter().map(|(_, u)| u).sum();
    assert!(
        value.expanded_uncertainty <= value.coverage_factor * sum * (1.0 + 1e-9),
        "{named}: more uncertainty than its parts can make"
    );
    let margin = tolerance
        .min
        .map_or(f64::INFINITY, |min| value.estimate - min)
        .min(tolerance.max.map_or(f64::INFINITY, |max| max - value.estimate));
    assert_eq!(finding.verdict == Verdict::Pass, margin >= value.expanded_uncertainty, "{named}");
    assert!(!finding.step.is_empty() && !finding.label.is_empty(), "{named}");
}

const SEEDS: u64 = 10;

/// A finding's expanded uncertainty is stated for 95 %. If that is true, each seed's value lies within
/// it with a probability of 0.95; of ten, at least nine do with a probability of 0.91, at least eight
/// with 0.99. The known parts are drawn narrower than the sheet states them (a sheet gives bounds, the
/// model of a sensor stays inside its own), so nine of ten are asked for, of each quantity.
#[test]
fn findings_agree_with_the_truth_within_their_own_uncertainty() {
    for pump in ["heron", "dunlin"] {
        let reports: Vec<Report> =
            (1..=SEEDS).map(|seed| run(&Scenario::healthy("acceptance", pump, 100 + seed))).collect();
        let agree = |id: &str, truth: &dyn Fn(&Report) -> f64| nine_of_ten(pump, id, &reports, truth);
        agree("inlet_coil_resistance_20c", &|report| report.trace[0].resistance_20_ohm[0]);
        agree("pressure_coil_resistance_20c", &|report| report.trace[0].resistance_20_ohm[1]);
        agree("air_in_rail", &air_before_the_last_build_up);
        agree("pressure_rise", &rise_of_the_small_step);
        agree("flow", &|report| mean(gate(report), |moment| moment.return_m3_per_s));
        agree("volumetric_efficiency", &|report| {
            let displacement = report.plan.pump.displacement_m3_per_rev;
            let flow = mean(gate(report), |moment| moment.return_m3_per_s);
            flow / mean(gate(report), |moment| moment.speed_rev_per_s) / displacement
        });
    }
    let plovers: Vec<Report> =
        (1..=SEEDS).map(|seed| run(&Scenario::healthy("acceptance", "plover", 100 + seed))).collect();
    nine_of_ten("plover", "inlet_coil_resistance_20c", &plovers, &|report| {
        report.trace[0].resistance_20_ohm[0]
    });
    nine_of_ten("plover", "air_in_rail", &plovers, &air_before_the_last_build_up);
}

fn nine_of_ten(pump: &str, id: &str, reports: &[Report], truth: &dyn Fn(&Report) -> f64) {
    let rows: Vec<(f64, f64, f64)> = reports
        .iter()
        .map(|report| {
            let value = report.finding(id).value.clone().expect("healthy pumps have values");
            (value.estimate, value.expanded_uncertainty, truth(report))
        })
        .collect();
    let inside = rows.iter().filter(|(estimate, u, truth)| (estimate - truth).abs() <= *u).count();
    assert!(inside + 1 >= reports.len(), "{pump} {id}: {inside} of {}; {rows:?}", reports.len());
}

/// The ticks of a step in which a dwell runs.
fn dwelling<'a>(report: &'a Report, step: &str) -> Vec<&'a [Moment]> {
    report
        .during(step)
        .chunk_by(|a, b| a.state == b.state)
        .filter(|stretch| stretch[0].state == State::Dwelling)
        .collect()
}

/// The gate of the flow step: the last ten seconds of its dwells, as the procedure says.
fn gate(report: &Report) -> &[Moment] {
    let stretch = dwelling(report, "delivery")[0];
    &stretch[stretch.len() - 10_000..]
}

/// Gas in the rail when the last build-up begins, over the rail's volume: the quantity that the finding
/// is defined as.
fn air_before_the_last_build_up(report: &Report) -> f64 {
    let stretches = dwelling(report, "purge");
    let last = stretches[stretches.len() - 1];
    let shut = |moment: &Moment| {
        let outputs = &moment.outputs;
        (outputs.pressure_duty_e4, outputs.dump_closed)
    };
    let begins = last.windows(2).position(|pair| shut(&pair[0]) != shut(&pair[1])).expect("a build-up");
    last[begins].rail_gas_m3 / report.plan.bench.rail_volume_m3.value
}

/// Mean rail pressure over the last second after the small step, less that over the last second before
/// it: some four revolutions each, so the plungers' ripple does not count.
fn rise_of_the_small_step(report: &Report) -> f64 {
    let stretch = dwelling(report, "small-step")[0];
    let edge = stretch
        .windows(2)
        .position(|pair| pair[0].outputs.pressure_duty_e4 != pair[1].outputs.pressure_duty_e4)
        .expect("a step of duty");
    let rail = |moment: &Moment| moment.rail_pa;
    mean(&stretch[stretch.len() - 1_000..], rail) - mean(&stretch[edge - 1_000..edge], rail)
}
