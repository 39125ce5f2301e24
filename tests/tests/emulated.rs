//! The board's image on an emulated Cortex-M4F, in place of the built-in board.
//!
//! These need the image and the emulator, and are therefore run by name:
//! `firmware/thumb.sh build --profile firmware -p stepwell-emulated`, then
//! `cargo test -p stepwell-tests --test emulated -- --ignored`.

use stepwell_plant::FaultKind;
use stepwell_tests::emulated::{bench, image};
use stepwell_tests::operator::Operator;
use stepwell_tests::shipped::Scenario;
use stepwell_tests::{bits, run, run_on};

/// The built-in board and the image come to the same findings, to the last bit, and their outputs are the
/// same on every tick.
fn same_on_both(scenario: &Scenario) {
    let mut emulated = bench(scenario, None);
    let there = run_on(&mut emulated, |traced| traced, scenario.plan(), Operator::willing());
    let here = run(scenario);
    assert_eq!(bits(&there), bits(&here));
    assert_eq!(there.outcome, here.outcome);
    assert_eq!(there.events, here.events);
    assert!(there.trace == here.trace, "the traces differ");
}

#[test]
#[ignore = "needs the image"]
fn three_seeds_give_the_findings_of_the_built_in_bench() {
    assert!(image().is_file(), "build the image first: see the head of this file");
    for seed in [1, 7, 42] {
        same_on_both(&Scenario::healthy("acceptance", "heron", seed));
    }
}

#[test]
#[ignore = "needs the image"]
fn five_faults_give_the_findings_of_the_built_in_bench() {
    for fault in [
        FaultKind::InletCoilOpen,
        FaultKind::PressureCoilShortedTurns,
        FaultKind::BlockedFilter,
        FaultKind::WornPump,
        FaultKind::RailSensorStuck,
    ] {
        same_on_both(&Scenario::healthy("acceptance", "heron", 7).with(fault, 1.0));
    }
}
