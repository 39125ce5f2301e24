//! What is kept of a run says the same again, to the bit; and what a corrected sheet makes of it.

use stepwell_plant::FaultKind;
use stepwell_procedure::recompute::Compared;
use stepwell_tests::keeping::Kept;
use stepwell_tests::shipped::Scenario;

/// Purges of one and of several cycles, a union, coils that are wrong, a sensor that is: whatever a step
/// remembers from round to round, or takes from the rest before, comes out again.
#[test]
fn the_same_sheets_say_the_same_to_the_bit() {
    for scenario in [
        Scenario::healthy("acceptance", "heron", 1),
        Scenario::healthy("acceptance", "plover", 2),
        Scenario::healthy("acceptance", "dunlin", 3),
        Scenario::healthy("acceptance", "heron", 4).with(FaultKind::AirIngress, 0.3),
        Scenario::healthy("acceptance", "heron", 5).with(FaultKind::WornPump, 1.0),
        Scenario::healthy("electrical", "heron", 6).with(FaultKind::PressureCoilShort, 1.0),
        Scenario::healthy("electrical", "heron", 7).with(FaultKind::InletConnectorResistance, 0.2),
    ] {
        let plan = scenario.plan();
        let kept = Kept::of(&scenario, &plan);
        assert!(!kept.findings.is_empty());
        for pair in kept.again(&plan) {
            assert_eq!(pair.then, Some(pair.now));
        }
    }
}

/// What a round that was to be followed by another has found was never the step's word.
#[test]
fn a_run_that_was_stopped_between_rounds_says_the_same_again() {
    let scenario = Scenario::healthy("fill-and-purge", "heron", 1);
    let plan = scenario.plan();
    let kept = Kept::stopped_between_rounds(&scenario, &plan);
    let provisional = |pair: &&Compared| pair.now.id == "air_in_rail";
    let again = kept.again(&plan);
    assert!(again.iter().find(provisional).is_some_and(|pair| pair.now.value.is_none()), "{again:?}");
    for pair in again {
        assert_eq!(pair.then, Some(pair.now));
    }
}

#[test]
fn a_corrected_gain_of_the_rail_sensor_moves_pressures_by_just_that() {
    let scenario = Scenario::healthy("acceptance", "heron", 1);
    let plan = scenario.plan();
    let kept = Kept::of(&scenario, &plan);
    let mut corrected = plan.clone();
    corrected.bench.rail_pressure.span_pa *= 1.02;
    let rise = kept
        .again(&corrected)
        .into_iter()
        .find(|pair| pair.then.as_ref().is_some_and(|finding| finding.id == "pressure_rise"));
    let pair = rise.expect("a rise");
    let value = |finding: &Option<stepwell_procedure::finding::Finding>| {
        finding.as_ref().and_then(|f| f.value.as_ref()).map(|v| v.estimate).expect("a value")
    };
    let ratio = value(&Some(pair.now)) / value(&pair.then);
    // The model choice inside the estimator works on shares of the rise, so that only rounding is left.
    assert!((ratio - 1.02).abs() < 1e-9, "{ratio}");
}
