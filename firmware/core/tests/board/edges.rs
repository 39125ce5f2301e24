//! Where a limit lies to the count and to the millisecond: the last value that is allowed, and the first
//! that is not.

use crate::bench::{Bench, CEILINGS, full_dwell, guards, quiet_dwell};
use stepwell_core::Outputs;
use stepwell_protocol::channel::{Channel, Coil};
use stepwell_protocol::dwell::{Dwell, QUEUED_DWELLS_MAX, Ramp, Start};
use stepwell_protocol::guards::OnLoss;
use stepwell_protocol::message::{Action, HandWork, Refusal, Reply, ToBoard, TripCause};
use stepwell_protocol::state::State;

/// A column at its guard for 150 ms is allowed, one count beyond is a trip.
#[test]
fn a_reading_at_its_guard_is_inside() {
    let cases = [
        (Channel::RailPressure, 20_000, 20_001, TripCause::RailHigh),
        (Channel::SupplyVoltage, 17_000, 16_999, TripCause::SupplyLow),
        (Channel::SupplyVoltage, 25_000, 25_001, TripCause::SupplyHigh),
        (Channel::InletCurrent, 12_000, 12_001, TripCause::OverCurrent(Coil::Inlet)),
        (Channel::PressureCurrent, 12_000, 12_001, TripCause::OverCurrent(Coil::Pressure)),
    ];
    for (channel, inside, beyond, cause) in cases {
        let mut bench = Bench::dwelling();
        bench.rig.broken.stuck[channel.index()] = Some(inside);
        bench.run(150);
        assert_eq!(bench.board.state(), State::Dwelling, "{channel:?} at {inside}");
        bench.rig.broken.stuck[channel.index()] = Some(beyond);
        bench.ms_until(100, Bench::is_stopping_or_stopped);
        assert_eq!(bench.cause(), Some(cause), "{channel:?} at {beyond}");
    }
}

/// 10 % of a coil that would draw 10 000 counts is 1 000; a tenth of that lies 100 above the band's end.
#[test]
fn a_coil_that_draws_a_tenth_of_what_it_should_is_not_open() {
    for (counts, open) in [(600, false), (599, true)] {
        let mut bench = Bench::armed();
        let start = bench.soon();
        let dwell = Dwell { pressure: Ramp::constant(1_000), ..quiet_dwell(1, start, 400) };
        assert_eq!(bench.ask(Action::Dwell(dwell)), Ok(Reply::Done));
        bench.run(1);
        bench.rig.broken.stuck[Channel::PressureCurrent.index()] = Some(counts);
        bench.run(300);
        assert_eq!(bench.cause(), open.then_some(TripCause::CoilOpen(Coil::Pressure)), "{counts}");
    }
}

#[test]
fn a_dry_run_trips_on_the_first_tick_beyond_the_guards_time() {
    let mut bench = Bench::dwelling();
    // The rig gives a pulse on every twentieth tick.
    bench.ms_until(20, |bench| bench.board.now().0.is_multiple_of(20));
    bench.rig.broken.no_flow = true;
    let ms = bench.ms_until(400, Bench::is_stopping_or_stopped);
    assert_eq!(ms, u32::from(guards().flow_gap_ms_max) + 1);
}

/// A change shows one tick late, on the next the fifty begin.
#[test]
fn a_rail_is_proven_low_after_50_ms_to_the_tick() {
    let mut bench = Bench::dwelling();
    bench.rig.broken.pressure_trapped = true;
    bench.send(&ToBoard::Stop);
    // The shaft stands before.
    bench.run(600);
    bench.rig.broken.stuck[Channel::RailPressure.index()] = Some(guards().rail_low);
    assert_eq!(bench.ms_until(100, Bench::is_at_rest), 1 + 1 + 50);
    let at = bench.board.now();
    bench.run(30);
    let told = bench.statuses().into_iter().rfind(|(_, status)| !status.rail_proven_low);
    assert_eq!(told.map(|(tick, _)| tick), Some(at.minus_ms(1)), "and telemetry says so on that tick");
}

#[test]
fn a_shaft_is_still_two_seconds_after_its_last_pulse() {
    let mut bench = Bench::greeted();
    assert_eq!(bench.ask(Action::SetGuards(guards())), Ok(Reply::Done));
    bench.rig.broken.shaft_turns_on = true;
    bench.run(20);
    bench.ms_until(5, |bench| bench.board.now().0.is_multiple_of(5));
    bench.rig.broken.shaft_turns_on = false;
    bench.run(1_999);
    assert_eq!(bench.arm(&guards()), Err(Refusal::NotReady(TripCause::ShaftStillTurning)));
    bench.tick();
    assert_eq!(bench.arm(&guards()), Ok(Reply::Done));
}

#[test]
fn telemetry_says_that_the_shaft_turns_from_its_first_pulse_to_two_seconds_after_its_last() {
    let mut bench = Bench::greeted();
    bench.run(20);
    let begins = bench.board.now();
    bench.rig.broken.shaft_turns_on = true;
    bench.run(20);
    bench.ms_until(5, |bench| bench.board.now().0.is_multiple_of(5));
    let last = bench.board.now();
    bench.rig.broken.shaft_turns_on = false;
    bench.run(2_100);
    let turning = bench.statuses().into_iter().filter(|(_, status)| status.shaft_turning);
    let turning: Vec<_> = turning.map(|(tick, _)| tick).collect();
    assert!((1..=5).contains(&turning[0].ms_since(begins)), "{:?}", turning[0]);
    assert_eq!(turning.last(), Some(&last.plus_ms(1_999)));
    assert_eq!(turning.len() as i32, last.plus_ms(2_000).ms_since(turning[0]), "without a break");
}

/// A rail that is low counts from the first tick of which the shaft gave no pulse for half a second, fifty ticks on end,
/// and the next one lets go.
#[test]
fn a_pump_may_deliver_for_half_a_second_after_its_last_pulse_to_the_tick() {
    let mut bench = Bench::dwelling();
    bench.rig.broken.shaft_turns_on = true;
    bench.send(&ToBoard::Stop);
    bench.run(1_500);
    bench.ms_until(5, |bench| bench.board.now().0.is_multiple_of(5));
    bench.rig.broken.shaft_turns_on = false;
    assert_eq!(bench.ms_until(1_000, Bench::is_at_rest), 500 + 50);
}

#[test]
fn a_command_is_valid_to_its_last_tick() {
    let mut bench = Bench::armed();
    let mut command = bench.command(Action::ReadTrip);
    command.valid_until = bench.board.now();
    assert_eq!(bench.ask_as(command), Err(Refusal::NothingToRead), "carried out");
    let mut command = bench.command(Action::ReadTrip);
    command.valid_until = bench.board.now().minus_ms(1);
    assert_eq!(bench.ask_as(command), Err(Refusal::Late { late_ms: 1 }));
}

#[test]
fn twenty_broken_frames_within_a_second_are_allowed_and_one_more_is_not() {
    let mut bench = Bench::dwelling();
    bench.board.receive(&b"noise\0".repeat(20));
    bench.run(1_200);
    assert_eq!(bench.board.state(), State::Dwelling);
    bench.board.receive(&b"noise\0".repeat(21));
    bench.tick();
    assert_eq!(bench.board.state(), State::Stopping);
    assert_eq!(bench.cause(), Some(TripCause::LinkNoise));
}

#[test]
fn a_dwell_may_have_the_tick_after_the_one_before_it() {
    let mut bench = Bench::armed();
    let now = bench.board.now();
    for (serial, in_ms) in [(1, 10), (2, 11)] {
        let dwell = quiet_dwell(serial, Start::At(now.plus_ms(in_ms)), 50);
        assert_eq!(bench.ask(Action::Dwell(dwell)), Ok(Reply::Done));
    }
    bench.run(12);
    let [report] = bench.heard.ended[..] else { panic!("one was taken over from") };
    assert_eq!((report.serial, report.ended.ms_since(report.started)), (1, 1));
}

#[test]
fn a_dwell_may_be_as_long_as_the_ceiling() {
    let mut bench = Bench::armed();
    let start = bench.soon();
    let longest = quiet_dwell(1, start, CEILINGS.dwell_ms_max);
    assert_eq!(bench.ask(Action::Dwell(longest)), Ok(Reply::Done));
}

#[test]
fn as_many_dwells_wait_as_there_is_room_for() {
    let mut bench = Bench::armed();
    let mut start = Start::At(bench.board.now().plus_ms(1_000));
    for serial in 0..QUEUED_DWELLS_MAX as u16 {
        assert_eq!(bench.ask(Action::Dwell(quiet_dwell(serial, start, 5))), Ok(Reply::Done), "{serial}");
        start = Start::AfterPrevious;
        bench.tick();
    }
    assert_eq!(bench.ask(Action::Dwell(quiet_dwell(99, start, 5))), Err(Refusal::QueueFull));
    bench.run(1_000 + 5 * QUEUED_DWELLS_MAX as u32);
    let serials: Vec<u16> = bench.heard.ended.iter().map(|report| report.serial).collect();
    assert_eq!(serials, (0..QUEUED_DWELLS_MAX as u16).collect::<Vec<_>>(), "and none is lost");
}

#[test]
fn the_latest_eight_dwells_can_be_asked_for() {
    let mut bench = Bench::armed();
    for serial in 0..20 {
        let start = bench.soon();
        assert_eq!(bench.ask(Action::Dwell(quiet_dwell(serial, start, 2))), Ok(Reply::Done));
        bench.ms_until(200, |bench| bench.board.state() == State::Dwelling);
        bench.ms_until(200, |bench| bench.board.state() == State::Armed);
    }
    for serial in 0..20 {
        bench.tick();
        let answer = bench.ask(Action::ReadDwell { serial });
        let report = bench.heard.ended[usize::from(serial)];
        assert_eq!(answer, if serial < 12 { Err(Refusal::NothingToRead) } else { Ok(Reply::Dwell(report)) });
    }
}

#[test]
fn hand_work_beyond_what_can_wait_is_refused() {
    let mut bench = Bench::greeted();
    let at = bench.board.now().plus_ms(100);
    for _ in 0..8 {
        assert_eq!(bench.ask(Action::HandWork { at, work: HandWork::PrimerStroke }), Ok(Reply::Done));
        bench.tick();
    }
    let one_more = Action::HandWork { at, work: HandWork::PrimerStroke };
    assert_eq!(bench.ask(one_more), Err(Refusal::QueueFull));
    bench.run(120);
    assert_eq!(bench.hand_work.len(), 8, "one a tick");
}

#[test]
fn any_single_output_is_energy() {
    assert!(!Outputs::REST.energised());
    for outputs in [
        Outputs { inlet_duty_e4: 1, ..Outputs::REST },
        Outputs { inlet_duty_e4: 10_000, ..Outputs::REST },
        Outputs { pressure_duty_e4: 1, ..Outputs::REST },
        Outputs { pressure_duty_e4: 10_000, ..Outputs::REST },
        Outputs { supply_on: true, ..Outputs::REST },
        Outputs { drive_rpm: 1, ..Outputs::REST },
        Outputs { drive_rpm: 900, ..Outputs::REST },
        Outputs { dump_closed: true, ..Outputs::REST },
    ] {
        assert!(outputs.energised(), "{outputs:?}");
    }
    let watched =
        Outputs { burst: Some(Coil::Inlet), hand_work: Some(HandWork::PrimerStroke), ..Outputs::REST };
    assert!(!watched.energised(), "looking is none");
}

#[test]
fn telemetry_says_that_the_drive_is_on_while_it_is_and_only_then() {
    let mut bench = Bench::armed();
    let start = bench.soon();
    assert_eq!(bench.ask(Action::Dwell(full_dwell(1, start, 40))), Ok(Reply::Done));
    let first = bench.board.now().plus_ms(1);
    bench.run(200);
    let on: Vec<_> = bench.statuses().into_iter().filter(|(_, status)| status.drive_on).collect();
    assert_eq!((on.len(), on[0].0), (40, first));
}

/// The drive's account is asked for driven dwells only, and up to its last millisecond.
#[test]
fn a_driven_dwell_may_take_the_whole_account() {
    let mut bench = Bench::armed();
    let start = bench.soon();
    let whole = full_dwell(1, start, guards().drive_on_ms_max);
    assert_eq!(bench.ask(Action::Dwell(whole)), Ok(Reply::Done));
    bench.run(guards().drive_on_ms_max + 1);
    assert_eq!(bench.board.state(), State::Stopping);
    assert_eq!(bench.cause(), None);
}

#[test]
fn a_dwell_that_runs_without_the_drive_costs_none_of_its_account() {
    let mut bench = Bench::armed();
    let start = bench.soon();
    assert_eq!(bench.ask(Action::Dwell(quiet_dwell(1, start, 5_000))), Ok(Reply::Done));
    bench.run(100);
    let whole = full_dwell(2, Start::AfterPrevious, guards().drive_on_ms_max);
    assert_eq!(bench.ask(Action::Dwell(whole)), Ok(Reply::Done));
}

/// Either valve may be the one that keeps pressure without current.
#[test]
fn whichever_valve_keeps_pressure_is_held_where_it_relieves() {
    for coil in Coil::BOTH {
        let mut guards = guards();
        for other in Coil::BOTH {
            let guard = guards.coils[other.index()].as_mut().unwrap();
            guard.on_loss = if other == coil { OnLoss::Rises } else { OnLoss::Falls };
            guard.relieve_e4 = 4_321;
        }
        let mut bench = Bench::dwelling_with(guards);
        bench.rig.broken.pressure_trapped = true;
        bench.send(&ToBoard::Stop);
        bench.run(100);
        let held = Coil::BOTH.map(|coil| bench.outputs.duty_e4(coil));
        assert_eq!(held, Coil::BOTH.map(|other| if other == coil { 4_321 } else { 0 }));
    }
}

/// A piece of the work on ten ticks waits for answers on two ticks at most: packed on the third tick after
/// they are full, sent on the sixth, though there is an answer on every one.
#[test]
fn telemetry_waits_for_two_answers_and_no_more() {
    let mut bench = Bench::armed();
    let mut seen = bench.heard.frames.len();
    for _ in 0..100 {
        let _answer = bench.ask(Action::ReadTrip);
        bench.tick();
        for frame in &bench.heard.frames[seen..] {
            let full = frame.first.plus_ms(9);
            assert!(bench.board.now().ms_since(full) <= 6, "frame {}", frame.number);
        }
        seen = bench.heard.frames.len();
    }
    assert!(seen > 100, "a hundred of the second before, and more");
}
