//! A pump without a pressure valve: its air goes out through a union that the operator cracks at low
//! pressure, and nothing but the union, the dump and the end of the dwell keeps its rail low.

use stepwell_procedure::record::Ended;
use stepwell_protocol::message::HandWork;
use stepwell_tests::shipped::Scenario;
use stepwell_tests::{check, run};

#[test]
fn it_is_purged_through_the_union_and_its_rail_is_never_above_the_guard() {
    for seed in [1, 2] {
        let report = run(&Scenario::healthy("fill-and-purge", "plover", seed));
        assert_eq!(report.outcome.ended, Ended::Completed);
        assert_eq!(report.outcome.exit_code(), 0, "{}", report.told());
        assert_eq!(check::everything(&report.plan, &report.trace), Vec::<String>::new());

        let guard_pa = report.plan.pump.rail_guard_pa;
        let highest_pa = report.trace.iter().map(|moment| moment.rail_pa).fold(0.0, f64::max);
        assert!(highest_pa < guard_pa, "never above the guard, not for a millisecond: {highest_pa} Pa");
        assert!(highest_pa > report.plan.pump.points.build_up_pa, "the build-up has been reached");

        // Cracked and closed in turn: once to fill, once a cycle, and closed in the end.
        let works: Vec<HandWork> =
            report.trace.iter().filter_map(|moment| moment.outputs.hand_work).collect();
        let cracked = works.iter().filter(|work| **work == HandWork::UnionCracked).count();
        assert!(cracked >= 3, "filling and two cycles at least: {works:?}");
        let in_turn = [HandWork::UnionCracked, HandWork::UnionClosed];
        assert_eq!(works, in_turn.repeat(cracked));
        let asked = |words: &str| report.prompts.iter().filter(|prompt| prompt.text.contains(words)).count();
        assert_eq!(asked("crack the union open"), cracked, "a hand is asked for each time");
        assert_eq!(asked("close the union"), cracked);

        // What the purge is for.
        let (first, last) = (&report.trace[0], &report.trace[report.trace.len() - 1]);
        let rail_m3 = report.plan.bench.rail_volume_m3.value;
        assert!(first.rail_gas_m3 > 0.9 * rail_m3, "the rail begins full of air");
        let tolerated = report.plan.pump.tolerances.air_fraction.max.expect("a limit for air");
        assert!(last.rail_gas_m3 < tolerated * rail_m3, "{} m3 of air left", last.rail_gas_m3);
    }
}

#[test]
fn the_union_is_cracked_and_closed_only_at_rest_pressure_with_the_shaft_still() {
    let report = run(&Scenario::healthy("fill-and-purge", "plover", 3));
    let works: Vec<_> = report.trace.iter().filter(|moment| moment.outputs.hand_work.is_some()).collect();
    assert!(!works.is_empty());
    for moment in works {
        assert!(!moment.outputs.energised(), "energised at tick {}", moment.tick);
        assert!(moment.rail_pa < report.plan.bench.rail_low_pa, "{} Pa at {}", moment.rail_pa, moment.tick);
        assert!(moment.speed_rev_per_s < 0.1, "the shaft turns at tick {}", moment.tick);
    }
}
