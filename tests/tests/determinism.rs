//! The same seed gives the same findings to the bit, however bytes travel.

use stepwell_tests::operator::Operator;
use stepwell_tests::shipped::Scenario;
use stepwell_tests::trace::Traced;
use stepwell_tests::wire::Delayed;
use stepwell_tests::{Report, bits, run, run_on};

#[test]
fn the_same_seed_gives_the_same_findings_and_the_same_trace() {
    let scenario = Scenario::healthy("acceptance", "heron", 7);
    let (one, other) = (run(&scenario), run(&scenario));
    assert_eq!(bits(&one), bits(&other));
    assert!(one.trace == other.trace, "the traces differ");
    let another = run(&Scenario::healthy("acceptance", "heron", 8));
    assert_ne!(bits(&one), bits(&another), "another seed is another bench");
}

/// The run on a link with these delays, one way, and on one without.
fn slow_and_direct(pump: &str, delays_ms: &[u32]) -> (Report, Report) {
    let scenario = Scenario::healthy("acceptance", pump, 7);
    let mut wire = Delayed::new(Traced::new(&scenario.setup()), delays_ms.to_vec());
    let slow = run_on(&mut wire, |wire| &wire.bench, scenario.plan(), Operator::willing());
    (slow, run(&scenario))
}

/// A run plans a second ahead. A burst is ten pieces, each a round trip; with the 300 ms for what must be
/// on the board before it counts, that second holds round trips of up to 70 ms.
#[test]
fn a_slow_and_wavering_link_changes_no_finding() {
    for (pump, delays_ms) in
        [("heron", &[10, 40, 20, 30, 10, 10, 40][..]), ("dunlin", &[30]), ("plover", &[10, 25, 40])]
    {
        let (slow, direct) = slow_and_direct(pump, delays_ms);
        assert_eq!(bits(&slow), bits(&direct), "{pump}, delays {delays_ms:?} ms");
        assert_eq!(slow.outcome, direct.outcome);
        // Not the same run twice: the board heard its commands later.
        assert!(slow.trace != direct.trace, "the delays have done nothing");
    }
}

#[test]
fn a_link_of_forty_milliseconds_each_way_changes_no_finding() {
    let (slow, direct) = slow_and_direct("heron", &[40]);
    assert_eq!(bits(&slow), bits(&direct));
}
