//! Dwells: limits, chains, ramps, early ends, the drive's account and what is reported.

use crate::bench::{Bench, full_dwell, quiet_dwell};
use stepwell_protocol::channel::{Channel, Coil};
use stepwell_protocol::dwell::{Dwell, DwellEnd, DwellReport, EndWhen, Ramp, Side, Start};
use stepwell_protocol::message::{Action, Limit, Refusal, Reply, ToBoard};
use stepwell_protocol::state::State;
use stepwell_protocol::time::Tick;

fn accepted(bench: &mut Bench, dwell: Dwell) {
    assert_eq!(bench.ask(Action::Dwell(dwell)), Ok(Reply::Done));
}

fn refused(bench: &mut Bench, dwell: Dwell) -> Refusal {
    bench.ask(Action::Dwell(dwell)).expect_err("refused")
}

#[test]
fn a_dwell_lasts_from_its_tick_for_its_duration_to_the_tick() {
    let mut bench = Bench::armed();
    let start = bench.board.now().plus_ms(20);
    accepted(&mut bench, quiet_dwell(77, Start::At(start), 100));
    bench.run(19);
    assert!(bench.is_at_rest());
    for _ in 0..100 {
        bench.tick();
        assert_eq!((bench.outputs.inlet_duty_e4, bench.outputs.pressure_duty_e4), (3_000, 4_000));
    }
    bench.tick();
    assert_eq!(bench.board.state(), State::Stopping);
    let report =
        DwellReport { serial: 77, started: start, ended: start.plus_ms(100), end: DwellEnd::Complete };
    assert_eq!(bench.heard.ended, [report]);
    assert_eq!(bench.ask(Action::ReadDwell { serial: 77 }), Ok(Reply::Dwell(report)));
}

#[test]
fn a_ramp_moves_every_tick_between_its_ends() {
    let mut bench = Bench::armed();
    let start = bench.soon();
    let ramp = Ramp { from_e4: 1_000, to_e4: 2_000 };
    accepted(&mut bench, Dwell { inlet: ramp, ..quiet_dwell(1, start, 100) });
    for ms in 0..100 {
        bench.tick();
        assert_eq!(bench.outputs.inlet_duty_e4, 1_000 + 10 * ms);
        assert_eq!(bench.outputs.pressure_duty_e4, 4_000);
    }
}

#[test]
fn a_chain_passes_from_one_to_the_next_on_the_same_tick() {
    let mut bench = Bench::armed();
    let start = bench.soon();
    let first = bench.board.now().plus_ms(1);
    accepted(&mut bench, quiet_dwell(0, start, 30));
    for serial in 1..9 {
        // Alternating duties, so that every border shows.
        let duty = Ramp::constant(3_000 + 100 * (serial % 2));
        accepted(&mut bench, Dwell { inlet: duty, ..quiet_dwell(serial, Start::AfterPrevious, 30) });
        bench.tick();
    }
    // One runs, eight wait; there is no more room.
    assert_eq!(bench.board.state(), State::Dwelling);
    let ninth = quiet_dwell(9, Start::AfterPrevious, 30);
    assert_eq!(refused(&mut bench, ninth), Refusal::QueueFull);
    for ms in 8..270 {
        assert_eq!(bench.board.now(), first.plus_ms(ms - 1));
        let serial = (ms - 1) / 30;
        let duty_e4 = if serial == 0 { 3_000 } else { 3_000 + 100 * (serial % 2) };
        assert_eq!(u32::from(bench.outputs.inlet_duty_e4), duty_e4);
        bench.tick();
    }
    bench.run(1);
    let borders: Vec<(u16, Tick, Tick)> =
        bench.heard.ended.iter().map(|report| (report.serial, report.started, report.ended)).collect();
    let expected: Vec<_> = (0..9_u16)
        .map(|i| (i, first.plus_ms(30 * u32::from(i)), first.plus_ms(30 * u32::from(i + 1))))
        .collect();
    assert_eq!(borders, expected);
    // The latest eight can be asked for.
    assert_eq!(bench.ask(Action::ReadDwell { serial: 0 }), Err(Refusal::NothingToRead));
    for report in bench.heard.ended.clone().into_iter().skip(1) {
        bench.tick();
        let answer = bench.ask(Action::ReadDwell { serial: report.serial });
        assert_eq!(answer, Ok(Reply::Dwell(report)));
    }
}

#[test]
fn a_condition_ends_a_dwell_after_it_has_held_without_a_break() {
    let watch =
        |side, counts, for_ms| Some(EndWhen { channel: Channel::BodyTemperature, side, counts, for_ms });
    for (side, beyond) in [(Side::Above, 20_001), (Side::Below, 19_999)] {
        let mut bench = Bench::armed();
        bench.rig.broken.stuck[Channel::BodyTemperature.index()] = Some(20_000);
        bench.run(5);
        let start = bench.soon();
        accepted(&mut bench, Dwell { end_when: watch(side, 20_000, 5), ..quiet_dwell(1, start, 1_000) });
        bench.run(100);
        for _ in 0..10 {
            bench.rig.broken.stuck[Channel::BodyTemperature.index()] = Some(beyond);
            bench.run(4);
            bench.rig.broken.stuck[Channel::BodyTemperature.index()] = Some(20_000);
            bench.run(1);
        }
        assert_eq!(bench.board.state(), State::Dwelling);
        bench.rig.broken.stuck[Channel::BodyTemperature.index()] = Some(beyond);
        assert_eq!(bench.ms_until(10, |bench| bench.board.state() != State::Dwelling), 5);
        assert_eq!(bench.heard.ended[0].end, DwellEnd::Condition);
    }
}

#[test]
fn a_condition_hands_over_to_the_next_of_the_chain() {
    let mut bench = Bench::armed();
    let start = bench.soon();
    let end_when =
        Some(EndWhen { channel: Channel::SupplyVoltage, side: Side::Above, counts: 0, for_ms: 10 });
    accepted(&mut bench, Dwell { end_when, ..quiet_dwell(1, start, 1_000) });
    accepted(&mut bench, quiet_dwell(2, Start::AfterPrevious, 1_000));
    // The readings of the first tick were taken before the dwell and do not count.
    bench.run(11);
    let [report] = bench.heard.ended[..] else { panic!("one has ended") };
    assert_eq!((report.serial, report.end), (1, DwellEnd::Condition));
    assert_eq!(report.ended.ms_since(report.started), 10);
    assert_eq!(bench.board.state(), State::Dwelling);
}

#[test]
fn a_dwell_with_its_own_tick_takes_over_and_drops_those_between() {
    let mut bench = Bench::armed();
    let now = bench.board.now();
    accepted(&mut bench, quiet_dwell(1, Start::At(now.plus_ms(1)), 1_000));
    accepted(&mut bench, quiet_dwell(2, Start::AfterPrevious, 1_000));
    let third = Dwell { inlet: Ramp::constant(100), ..quiet_dwell(3, Start::At(now.plus_ms(51)), 20) };
    accepted(&mut bench, third);
    bench.run(50);
    assert_eq!(bench.outputs.inlet_duty_e4, 3_000);
    bench.tick();
    assert_eq!(bench.outputs.inlet_duty_e4, 100);
    bench.run(20);
    let ends: Vec<_> = bench.heard.ended.iter().map(|report| (report.serial, report.end)).collect();
    assert_eq!(ends, [(1, DwellEnd::Complete), (3, DwellEnd::Complete)]);
    assert_eq!(bench.heard.ended[0].ended, now.plus_ms(51));
    assert_eq!(bench.ask(Action::ReadDwell { serial: 2 }), Err(Refusal::NothingToRead));
    assert_eq!(bench.board.state(), State::Stopping);
}

#[test]
fn a_dwell_that_waits_for_its_tick_starts_on_it_armed_or_out_of_the_stop_before_it() {
    for gap_ms in [30, 1_000] {
        let mut bench = Bench::armed();
        let now = bench.board.now();
        accepted(&mut bench, full_dwell(1, Start::At(now.plus_ms(1)), 100));
        accepted(&mut bench, quiet_dwell(2, Start::At(now.plus_ms(101 + gap_ms)), 100));
        bench.run(101);
        assert_eq!(bench.board.state(), State::Stopping);
        bench.run(gap_ms - 1);
        let waits = if gap_ms == 30 { State::Stopping } else { State::Armed };
        assert_eq!(bench.board.state(), waits);
        bench.tick();
        assert_eq!(bench.board.state(), State::Dwelling);
        assert_eq!(bench.outputs.pressure_duty_e4, 4_000);
    }
}

#[test]
fn stopping_drops_what_waits() {
    let mut bench = Bench::armed();
    let now = bench.board.now();
    accepted(&mut bench, quiet_dwell(1, Start::At(now.plus_ms(1)), 100));
    accepted(&mut bench, quiet_dwell(2, Start::AfterPrevious, 100));
    accepted(&mut bench, quiet_dwell(3, Start::At(now.plus_ms(400)), 100));
    bench.run(50);
    bench.send(&ToBoard::Stop);
    bench.run(600);
    assert_eq!(bench.board.state(), State::Rest);
    let ended: Vec<_> = bench.heard.ended.iter().map(|report| (report.serial, report.end)).collect();
    assert_eq!(ended, [(1, DwellEnd::Stopped)]);
}

#[test]
fn a_dwell_is_refused_outside_its_states_times_and_limits() {
    let mut resting = Bench::greeted();
    let start = resting.soon();
    assert_eq!(refused(&mut resting, quiet_dwell(1, start, 100)), Refusal::InState(State::Rest));

    let mut bench = Bench::armed();
    let now = bench.board.now();
    let next = Start::At(now.plus_ms(1));
    let dwell = quiet_dwell(1, next, 100);
    let duty = |coil| Refusal::BeyondGuard { limit: Limit::Duty(coil), asked: 8_001, guard: 8_000 };
    let too_much = Ramp { from_e4: 0, to_e4: 8_001 };
    let cases = [
        (Dwell { start: Start::At(now), ..dwell }, Refusal::Late { late_ms: 1 }),
        (Dwell { start: Start::At(now.minus_ms(20)), ..dwell }, Refusal::Late { late_ms: 21 }),
        (Dwell { start: Start::AfterPrevious, ..dwell }, Refusal::NothingBefore),
        (Dwell { inlet: too_much, ..dwell }, duty(Coil::Inlet)),
        (Dwell { pressure: too_much, ..dwell }, duty(Coil::Pressure)),
        (
            Dwell { drive_rpm: 1_001, ..dwell },
            Refusal::BeyondGuard { limit: Limit::DriveRpm, asked: 1_001, guard: 1_000 },
        ),
        (
            Dwell { duration_ms: 60_001, ..dwell },
            Refusal::AboveCeiling { limit: Limit::DwellLength, asked: 60_001, ceiling: 60_000 },
        ),
    ];
    for (dwell, refusal) in cases {
        assert_eq!(refused(&mut bench, dwell), refusal);
        if bench.next_id.is_multiple_of(3) {
            // Four answers a tick; the times above are meant from this one.
            bench = Bench::armed();
        }
    }
    assert_eq!(bench.board.state(), State::Armed);

    let mut bench = Bench::armed();
    let now = bench.board.now();
    accepted(&mut bench, quiet_dwell(1, Start::At(now.plus_ms(10)), 5));
    let earlier = quiet_dwell(2, Start::At(now.plus_ms(10)), 5);
    assert_eq!(refused(&mut bench, earlier), Refusal::Late { late_ms: 1 }, "in the order of acceptance");
    bench.run(15);
    assert_eq!(bench.board.state(), State::Stopping);
    let start = bench.soon();
    assert_eq!(refused(&mut bench, quiet_dwell(3, start, 5)), Refusal::InState(State::Stopping));
}

#[test]
fn drive_time_is_counted_through_everything_that_waits_ahead() {
    // 10 s on, refilled in 2 s of rest.
    let mut bench = Bench::armed();
    let start = bench.soon();
    let never = Refusal::BeyondGuard { limit: Limit::DriveOn, asked: 10_001, guard: 10_000 };
    assert_eq!(refused(&mut bench, full_dwell(1, start, 10_001)), never);
    accepted(&mut bench, full_dwell(1, start, 6_000));
    // 4 s are left at its end. For 5 s more it must rest for 0.2 s.
    let second = full_dwell(2, Start::AfterPrevious, 5_000);
    assert_eq!(refused(&mut bench, second), Refusal::DriveMustRest { rest_ms: 200 });
    accepted(&mut bench, quiet_dwell(3, Start::AfterPrevious, 199));
    bench.tick();
    assert_eq!(refused(&mut bench, second), Refusal::DriveMustRest { rest_ms: 1 });
    accepted(&mut bench, quiet_dwell(4, Start::AfterPrevious, 1));
    accepted(&mut bench, second);
    bench.run(6_000 + 200 + 5_000);
    let ends: Vec<_> = bench.heard.ended.iter().map(|report| (report.serial, report.end)).collect();
    assert_eq!(ends, [1, 3, 4, 2].map(|serial| (serial, DwellEnd::Complete)), "to the last millisecond");
}

#[test]
fn the_time_until_a_dwells_own_tick_refills_the_account() {
    let mut bench = Bench::armed();
    let now = bench.board.now();
    accepted(&mut bench, full_dwell(1, Start::At(now.plus_ms(1)), 10_000));
    let again = |after_ms: u32| full_dwell(2, Start::At(now.plus_ms(10_001 + after_ms)), 10_000);
    assert_eq!(refused(&mut bench, again(1_999)), Refusal::DriveMustRest { rest_ms: 1 });
    accepted(&mut bench, again(2_000));
    bench.run(10_000 + 2_000 + 10_001);
    let ends: Vec<_> = bench.heard.ended.iter().map(|report| report.end).collect();
    assert_eq!(ends, [DwellEnd::Complete, DwellEnd::Complete]);
}

#[test]
fn a_host_that_starts_again_finds_the_drives_account_as_it_was() {
    let mut bench = Bench::dwelling();
    bench.run(5_000);
    bench.send(&ToBoard::Stop);
    bench.run(2);
    let spent_ms = 151 + 5_000 - 1;
    bench.hello(crate::bench::SESSION);
    let left_ms = bench.heard.welcomes.last().unwrap().drive_left_ms;
    // Five milliseconds of drive for each one of rest.
    assert!((10_000 - spent_ms..=10_000 - spent_ms + 10).contains(&left_ms), "{left_ms}");
}

#[test]
fn a_board_that_has_just_started_owes_the_drive_its_rest() {
    let restarted = stepwell_core::Board::new(crate::bench::facts());
    let mut bench = Bench::switched_on();
    bench.board = restarted;
    bench.run(10);
    bench.hello(crate::bench::SESSION);
    assert_eq!(bench.heard.welcomes.last().unwrap().drive_left_ms, 100, "10 of 1000 ms of rest");
}
