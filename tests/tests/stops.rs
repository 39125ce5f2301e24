//! Stops: by the operator in the middle of pressure and at every change of what is driven, and by a host
//! that falls silent. Whatever happens, the bench comes to rest in the right order.

use stepwell_procedure::finding::Verdict;
use stepwell_procedure::record::{Ended, EventKind};
use stepwell_protocol::RELIEVE_MS_MAX;
use stepwell_protocol::state::State;
use stepwell_tests::operator::Operator;
use stepwell_tests::shipped::Scenario;
use stepwell_tests::trace::{Moment, Traced};
use stepwell_tests::wire::Cut;
use stepwell_tests::{Report, check, run, run_on};

/// Half a second after the host's last word nothing but the relieving hold is energised, in ms.
const SILENT_MS_MAX: u32 = 500;

/// A stop pressed when telemetry of a tick has been seen acts no later than this, in ms: the frame that
/// carries the tick, the exchange that carries the stop, and the tick that obeys.
const STOP_ACTS_MS: u32 = 2 * 10 + 1;

fn stopped_at(scenario: &Scenario, tick: u32) -> Report {
    let mut bench = Traced::new(&scenario.setup());
    run_on(&mut bench, |bench| bench, scenario.plan(), Operator::stopping_at(tick))
}

/// The tick at which the rail first is above `pa` with the drive on.
fn first_above(trace: &[Moment], pa: f64) -> u32 {
    trace.iter().find(|moment| moment.rail_pa > pa && moment.drive_on()).expect("pressure comes").tick
}

fn at(trace: &[Moment], tick: u32) -> usize {
    trace.partition_point(|moment| moment.tick < tick)
}

#[test]
fn dunlin_stopped_under_pressure_sheds_the_drive_first_and_is_held_open_until_the_rail_is_low() {
    let scenario = Scenario::healthy("acceptance", "dunlin", 1);
    let undisturbed = run(&scenario);
    let pressed = first_above(&undisturbed.trace, 10e6);
    let report = stopped_at(&scenario, pressed);
    assert_eq!(report.outcome.ended, Ended::Stopped);
    assert_eq!(report.outcome.exit_code(), 130);
    assert_ne!(report.outcome.verdict, Verdict::Pass, "what was not reached is no pass");
    assert_eq!(check::everything(&report.plan, &report.trace), Vec::<String>::new());

    let after = &report.trace[at(&report.trace, pressed)..];
    let off = after.iter().position(|moment| !moment.drive_on()).expect("the drive goes off");
    assert!(off as u32 <= STOP_ACTS_MS, "the drive went off {off} ms after the key");
    let first = &after[off];
    assert!(first.rail_pa > 10e6, "stopped under pressure: {} Pa", first.rail_pa);

    // First: the drive is off, and at the same tick the valve is where it relieves, not where it fails.
    let relieving = check::relieving_duties_e4(&report.plan);
    assert!(relieving[1] > 0, "losing current would keep a Dunlin's rail full");
    assert_eq!(first.state, State::Stopping);
    assert_eq!([first.outputs.inlet_duty_e4, first.outputs.pressure_duty_e4], relieving);
    // Then: held until the rail is low. Last: nothing.
    let held = after[off..].iter().take_while(|moment| moment.state == State::Stopping).count();
    let rest = &after[off + held];
    assert!(!rest.outputs.energised());
    assert_eq!(rest.state, State::Rest);
    assert!(rest.rail_pa < 2.0 * report.plan.bench.rail_low_pa, "let go at {} Pa", rest.rail_pa);
    assert!((50..=RELIEVE_MS_MAX as usize).contains(&held), "held for {held} ms");
    let end = &report.trace[report.trace.len() - 1];
    assert!(!end.outputs.energised() && end.rail_pa < report.plan.bench.rail_low_pa);
    assert!(end.speed_rev_per_s < 0.01, "the shaft stands still");
    assert!(after[off + held..].iter().all(|moment| !moment.outputs.energised()), "and stays at rest");
}

/// The ticks at which what is driven changes, or the board's state.
fn boundaries(trace: &[Moment]) -> Vec<u32> {
    trace
        .windows(2)
        .filter(|pair| {
            let driven = |moment: &Moment| {
                let outputs = &moment.outputs;
                (outputs.inlet_duty_e4, outputs.pressure_duty_e4, outputs.supply_on, outputs.drive_rpm)
            };
            pair[0].state != pair[1].state || driven(&pair[0]) != driven(&pair[1])
        })
        .map(|pair| pair[1].tick)
        .collect()
}

#[test]
fn a_stop_at_every_boundary_of_a_herons_fill_and_purge_leads_to_rest() {
    stops_at_every_boundary("heron");
}

#[test]
fn a_stop_at_every_boundary_of_a_plovers_fill_and_purge_leads_to_rest() {
    stops_at_every_boundary("plover");
}

fn stops_at_every_boundary(pump: &str) {
    let scenario = Scenario::healthy("fill-and-purge", pump, 1);
    let undisturbed = run(&scenario);
    assert_eq!(undisturbed.outcome.exit_code(), 0);
    let tear_down = undisturbed.plan.procedure.tear_down[0].name.clone();
    let until = undisturbed.during(&tear_down)[0].tick;
    let boundaries: Vec<u32> =
        boundaries(&undisturbed.trace).into_iter().filter(|tick| *tick < until).collect();
    assert!(boundaries.len() >= 12, "{pump}: three pulses and two cycles: {boundaries:?}");
    for tick in boundaries {
        // A stop acts some ticks after the key; the earlier one hits the boundary itself.
        let report = stopped_at(&scenario, tick.saturating_sub(STOP_ACTS_MS));
        let named = format!("{pump}, stopped at tick {tick}");
        assert_eq!(report.outcome.ended, Ended::Stopped, "{named}");
        assert_eq!(report.outcome.exit_code(), 130, "{named}");
        assert_eq!(check::everything(&report.plan, &report.trace), Vec::<String>::new(), "{named}");
        let last = &report.trace[report.trace.len() - 1];
        assert!(!last.outputs.energised(), "{named}: {last:?}");
        assert_eq!(last.state, State::Rest, "{named}");
        assert!(last.rail_pa < report.plan.bench.rail_low_pa, "{named}: {} Pa", last.rail_pa);
        let carried_out = report.steps.iter().any(|step| step.name == tear_down);
        assert!(carried_out, "{named}: tear-down always runs");
    }
}

#[test]
fn a_silent_host_brings_the_board_to_rest_and_the_next_run_starts_normally() {
    for pump in ["heron", "dunlin", "plover"] {
        let scenario = Scenario::healthy("fill-and-purge", pump, 1);
        let undisturbed = run(&scenario);
        let purging = undisturbed.during("purge");
        let turning = purging.iter().position(Moment::drive_on).expect("the drive turns");
        let silent_from = purging[turning + 3_000].tick;

        let mut wire = Cut::new(Traced::new(&scenario.setup()), silent_from);
        let lost = run_on(&mut wire, |wire| &wire.bench, scenario.plan(), Operator::willing());
        assert_eq!(lost.outcome.ended, Ended::LinkLost, "{pump}");
        assert_eq!(lost.outcome.exit_code(), 5, "{pump}");
        let mut bench = wire.bench;
        bench.alone(RELIEVE_MS_MAX + 1_000);

        let after = &bench.trace()[at(bench.trace(), silent_from)..];
        assert_eq!(check::everything(&lost.plan, bench.trace()), Vec::<String>::new(), "{pump}");
        let off = after.iter().position(|moment| !moment.drive_on()).expect("the drive goes off");
        assert!(off as u32 <= SILENT_MS_MAX, "{pump}: the drive went off after {off} ms");
        // Nothing but the relieving hold is energised from half a second after the last word on.
        let relieving = check::relieving_duties_e4(&lost.plan);
        for moment in &after[off..] {
            let outputs = &moment.outputs;
            let holds = [outputs.inlet_duty_e4, outputs.pressure_duty_e4] == relieving
                && !outputs.supply_on
                && outputs.drive_rpm == 0
                && !outputs.dump_closed;
            assert!(!outputs.energised() || holds, "{pump}: {moment:?}");
        }
        let rest = after.iter().position(|moment| moment.state == State::Tripped).expect("it trips");
        assert!(rest as u32 <= SILENT_MS_MAX + RELIEVE_MS_MAX, "{pump}: at rest after {rest} ms");
        assert!(after[rest..].iter().all(|moment| !moment.outputs.energised()), "{pump}");

        let next = run_on(&mut bench, |bench| bench, scenario.plan(), Operator::willing());
        let first = &next.prompts[0];
        assert_eq!(first.title, "Clear the trip", "{pump}");
        assert!(first.text.contains("fell silent"), "{pump}: {}", first.text);
        assert_eq!(next.outcome.ended, Ended::Completed, "{pump}: {}", next.told());
        assert_eq!(next.outcome.exit_code(), 0, "{pump}: {}", next.told());
        assert!(next.events.iter().any(|event| event.kind == EventKind::Operator), "{pump}");
        assert_eq!(check::everything(&next.plan, &next.trace), Vec::<String>::new(), "{pump}");
    }
}
