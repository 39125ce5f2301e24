//! The checkers themselves: each finds what it is for in a trace that was good until it was tampered with.

use stepwell_protocol::state::State;
use stepwell_tests::above_guard::above_guard_ms_max;
use stepwell_tests::shipped::Scenario;
use stepwell_tests::trace::Moment;
use stepwell_tests::{Report, check, run};

fn good() -> Report {
    let report = run(&Scenario::healthy("fill-and-purge", "dunlin", 1));
    assert_eq!(check::everything(&report.plan, &report.trace), Vec::<String>::new());
    report
}

/// What is found after `tamper` has had its way with the trace.
fn found(report: &Report, tamper: impl Fn(&mut Vec<Moment>)) -> String {
    let mut trace = report.trace.clone();
    tamper(&mut trace);
    check::everything(&report.plan, &trace).join("\n")
}

#[test]
fn each_checker_finds_what_it_is_for() {
    let report = good();
    let first = |state: State| report.trace.iter().position(|moment| moment.state == state).expect("occurs");
    let (rest, dwell, stop) = (first(State::Rest), first(State::Dwelling), first(State::Stopping));
    let turning = report.trace.iter().position(Moment::drive_on).expect("the drive turns");
    let guard_pa = report.plan.pump.rail_guard_pa;

    let above = |ms: usize| {
        found(&report, |trace| trace[dwell..dwell + ms].iter_mut().for_each(|m| m.rail_pa = 1.1 * guard_pa))
    };
    // 20 ms until it is seen, and until the dump has let out what came meanwhile.
    let most_ms = above_guard_ms_max(&report.plan);
    assert!((24..=40).contains(&most_ms), "{most_ms}");
    assert_eq!(above(most_ms), "");
    let told = format!("rail above its guard for {} ms", most_ms + 1);
    assert!(above(most_ms + 1).contains(&told), "{}", above(most_ms + 1));

    let energised = found(&report, |trace| trace[rest].outputs.pressure_duty_e4 = 1);
    assert!(energised.contains("energised while Rest"), "{energised}");

    // Thirty seconds are the rating: ten seconds of purge made forty.
    let longer = found(&report, |trace| {
        let one = trace[turning];
        trace.splice(turning..turning, std::iter::repeat_n(one, 30_000));
    });
    assert!(longer.contains("used up its rating"), "{longer}");

    let driven = found(&report, |trace| trace[stop].outputs.drive_rpm = 250);
    assert!(driven.contains("while stopping"), "{driven}");
    let let_go = found(&report, |trace| trace[stop].outputs.pressure_duty_e4 = 0);
    assert!(let_go.contains("duties"), "{let_go}");
    let too_soon = found(&report, |trace| trace[stop..stop + 60].iter_mut().for_each(|m| m.rail_pa = 5e6));
    assert!(too_soon.contains("valves let go"), "{too_soon}");
    // Low is 0.5 MPa, and has to last for more than 50 ms: at the end only, or just before it, is not enough.
    let ends = stop + report.trace[stop..].iter().take_while(|m| m.state == State::Stopping).count();
    let high = |ago_ms: usize| found(&report, |trace| trace[ends - ago_ms].rail_pa = 5e6);
    assert_eq!(high(51), "");
    assert!(high(50).contains("49 ms after 5000000 Pa"), "{}", high(50));
    assert!(high(2).contains("1 ms after 5000000 Pa"), "{}", high(2));
    let at_low = |rail_pa: f64| found(&report, |trace| trace[ends - 2].rail_pa = rail_pa);
    assert_eq!(at_low(0.6e6), "");
    assert!(at_low(0.61e6).contains("valves let go"), "a slope of 1 % and 0.1 MPa of noise");
    // Sixty pulses a revolution: 2 rev/min are a pulse in half a second. At 1.9 none need have come, at 2.1 one must.
    let coasts = |rev_per_min: f64| {
        found(&report, |trace| {
            trace[ends - 500..ends].iter_mut().for_each(|m| m.speed_rev_per_s = rev_per_min / 60.0);
        })
    };
    assert_eq!(coasts(1.9), "");
    assert!(coasts(2.1).contains("though the shaft turned 0.017 rev in half a second"), "{}", coasts(2.1));
    let unstaged = found(&report, |trace| {
        let held = trace[stop..].iter().take_while(|m| m.state == State::Stopping).count();
        trace.drain(stop..stop + held);
    });
    assert!(unstaged.contains("without a staged stop"), "{unstaged}");
    let endless = found(&report, |trace| {
        let one = trace[stop];
        trace.splice(stop..stop, std::iter::repeat_n(one, 5_001));
    });
    assert!(endless.contains("a stop that took"), "{endless}");
}
