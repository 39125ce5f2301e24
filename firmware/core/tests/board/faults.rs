//! Every fault that the board itself must find: how long it takes from the first wrong reading to
//! the tick on which everything is at rest, or relieving where letting go would not be safe.
//!
//! The bounds are requirements on the board, stated in milliseconds from the onset of the fault. A
//! tick is a millisecond; the tick that carries the first wrong reading counts as the first.

use crate::bench::{Bench, Broken, FULL_DUTY, RAIL_ZERO, SESSION, full_dwell, guards, quiet_dwell};
use stepwell_protocol::channel::{Channel, Coil};
use stepwell_protocol::dwell::{Dwell, DwellEnd, EndWhen, Ramp, Side, Start};
use stepwell_protocol::guards::{Guards, OnLoss};
use stepwell_protocol::identity::ResetCause;
use stepwell_protocol::message::{
    Action, Command, HandWork, Hello, Refusal, Renew, Reply, ToBoard, TripCause,
};
use stepwell_protocol::state::State;
use stepwell_protocol::time::Tick;
use stepwell_protocol::{LEASE_MS, LEFT_ALONE_MS, PROTOCOL_VERSION, RELIEVE_MS_MAX};

/// Guards under which every valve may be let go at once, so that a stop is rest.
fn all_fall() -> Guards {
    let mut guards = guards();
    for coil in guards.coils.iter_mut().flatten() {
        coil.on_loss = OnLoss::Falls;
    }
    guards
}

/// Breaks a rig in the middle of a dwell and measures the milliseconds to rest, once with valves
/// that may be let go and once with one that must relieve; the trip must name `cause`.
fn ms_to_rest(cause: TripCause, ms_max: u32, breaks: impl Fn(&mut Broken)) -> u32 {
    let mut staged = Bench::dwelling();
    breaks(&mut staged.rig.broken);
    let staged_ms = staged.ms_until(ms_max, Bench::is_stopping_or_stopped);
    assert_eq!(staged.cause(), Some(cause));
    staged.ms_until(RELIEVE_MS_MAX, Bench::is_at_rest);
    assert_eq!(staged.board.state(), State::Tripped);

    let mut bench = Bench::dwelling_with(all_fall());
    breaks(&mut bench.rig.broken);
    let ms = bench.ms_until(ms_max, Bench::is_at_rest);
    assert_eq!(bench.cause(), Some(cause));
    assert_eq!(bench.heard.trips.len(), 1);
    assert_eq!(bench.heard.ended.last().map(|report| report.end), Some(DwellEnd::Tripped));
    assert_eq!(ms, staged_ms, "staging must not delay the drive");
    ms
}

/// A trip that nothing in the rig holds: clears on command, energises nothing.
fn clears(bench: &mut Bench) {
    bench.rig.broken = Broken::default();
    bench.ms_until(RELIEVE_MS_MAX + 1_000, |bench| bench.board.state() == State::Tripped);
    bench.run(2_500);
    assert_eq!(bench.board.state(), State::Tripped, "a trip never clears by itself");
    assert_eq!(bench.ask(Action::ClearTrip), Ok(Reply::Done));
    assert_eq!(bench.board.state(), State::Rest);
    bench.run(500);
    assert!(bench.is_at_rest());
}

#[test]
fn a_silent_host_loses_the_lease_and_the_bench_is_at_rest_within_500_ms() {
    let mut bench = Bench::dwelling_with(all_fall());
    bench.renew();
    bench.renewing = false;
    let ms = bench.ms_until(LEASE_MS, Bench::is_at_rest);
    assert_eq!(ms, LEASE_MS, "and not before: renewals may be lost");
    assert_eq!(bench.cause(), Some(TripCause::LeaseLost));
    // Still silent: the cause remains.
    assert_eq!(bench.ask(Action::ClearTrip), Err(Refusal::CauseRemains(TripCause::LeaseLost)));
    bench.renewing = true;
    bench.renew();
    clears(&mut bench);
}

#[test]
fn a_link_that_returns_while_the_host_still_wants_to_run_resumes_nothing() {
    let mut bench = Bench::dwelling();
    bench.renewing = false;
    bench.run(LEASE_MS + 200);
    bench.renewing = true;
    bench.run(6_000);
    assert_eq!(bench.board.state(), State::Tripped);
    assert!(bench.is_at_rest());
    let start = bench.soon();
    let again = bench.ask(Action::Dwell(full_dwell(2, start, 100)));
    assert_eq!(again, Err(Refusal::Tripped(TripCause::LeaseLost)));
}

#[test]
fn a_host_stalled_for_300_ms_is_forgiven() {
    let mut bench = Bench::dwelling();
    bench.renew();
    bench.renewing = false;
    bench.run(300);
    bench.renewing = true;
    bench.run(500);
    assert_eq!(bench.board.state(), State::Dwelling);
}

#[test]
fn renewals_delayed_by_20_s_are_as_good_as_silence() {
    let mut bench = Bench::dwelling_with(all_fall());
    bench.renewing = false;
    bench.renew();
    let mut ms = 0;
    while !bench.is_at_rest() {
        // What arrives now was sent 20 s ago.
        let valid_until = bench.board.now().minus_ms(20_000).plus_ms(250);
        bench.send(&ToBoard::Renew(Renew { session: SESSION, valid_until }));
        bench.tick();
        ms += 1;
        assert!(ms <= LEASE_MS);
    }
    assert_eq!(bench.cause(), Some(TripCause::LeaseLost));
}

#[test]
fn a_lease_lost_while_nothing_is_energised_ends_quietly_at_rest() {
    let mut bench = Bench::armed();
    bench.renewing = false;
    bench.ms_until(LEASE_MS, |bench| bench.board.state() == State::Rest);
    assert_eq!(bench.cause(), None);
}

#[test]
fn more_than_20_broken_frames_within_a_second_reach_rest_within_that_second() {
    let mut bench = Bench::dwelling_with(all_fall());
    let mut ms = 0;
    while !bench.is_at_rest() {
        if ms % 45 == 0 {
            // 22 a second.
            bench.board.receive(b"noise\0");
        }
        bench.tick();
        ms += 1;
        assert!(ms <= 1_000);
    }
    assert_eq!(bench.cause(), Some(TripCause::LinkNoise));
    assert_eq!(bench.ask(Action::ClearTrip), Err(Refusal::CauseRemains(TripCause::LinkNoise)));
    clears(&mut bench);
}

#[test]
fn an_ordinary_bad_line_does_not_trip() {
    let mut bench = Bench::dwelling();
    for ms in 0..4_000_u32 {
        if ms.is_multiple_of(56) {
            // 18 a second.
            bench.board.receive(b"noise\0");
        }
        bench.tick();
    }
    assert_eq!(bench.board.state(), State::Dwelling);
}

#[test]
fn a_second_host_on_a_running_bench_reaches_rest_at_once() {
    type Intrusion = fn(&Bench) -> ToBoard;
    let renewal: Intrusion =
        |bench| ToBoard::Renew(Renew { session: SESSION + 1, valid_until: bench.board.now().plus_ms(250) });
    let command: Intrusion = |bench| {
        let valid_until = bench.board.now().plus_ms(250);
        ToBoard::Command(Command { session: SESSION + 1, id: 1, valid_until, action: Action::ReadTrip })
    };
    for intrusion in [renewal, command] {
        let mut bench = Bench::dwelling_with(all_fall());
        let message = intrusion(&bench);
        bench.send(&message);
        let ms = bench.ms_until(500, Bench::is_at_rest);
        assert_eq!(ms, 1);
        assert_eq!(bench.cause(), Some(TripCause::ForeignSession));
        clears(&mut bench);
    }
}

#[test]
fn an_old_renewal_of_an_earlier_session_is_no_second_host() {
    let mut bench = Bench::dwelling();
    let valid_until = bench.board.now().minus_ms(1);
    bench.send(&ToBoard::Renew(Renew { session: SESSION - 1, valid_until }));
    bench.run(10);
    assert_eq!(bench.board.state(), State::Dwelling);
}

#[test]
fn a_second_host_that_only_greets_is_told_that_the_bench_is_in_use() {
    let mut bench = Bench::dwelling();
    bench.hello(SESSION + 1);
    assert_eq!(bench.heard.busy, [SESSION + 1]);
    bench.run(10);
    assert_eq!(bench.board.state(), State::Dwelling);
}

#[test]
fn an_impossible_command_is_refused_and_reaches_rest_within_10_ms() {
    let dwell = quiet_dwell(2, Bench::armed().soon(), 100);
    let over_full = Ramp { from_e4: 0, to_e4: 10_001 };
    let watch = |channel, for_ms| Some(EndWhen { channel, side: Side::Above, counts: 1, for_ms });
    for impossible in [
        // Only analogue columns can be watched, and for a millisecond at least.
        Dwell { end_when: watch(Channel::FlowCount, 5), ..dwell },
        Dwell { end_when: watch(Channel::Status, 5), ..dwell },
        Dwell { end_when: watch(Channel::RailPressure, 0), ..dwell },
        Dwell { inlet: over_full, ..dwell },
        Dwell { pressure: over_full, ..dwell },
        Dwell { duration_ms: 0, ..dwell },
    ] {
        let mut bench = Bench::dwelling_with(all_fall());
        assert_eq!(bench.ask(Action::Dwell(impossible)), Err(Refusal::Malformed));
        assert!(bench.ms_until(10, Bench::is_at_rest) <= 10);
        assert_eq!(bench.cause(), Some(TripCause::BadCommand));
        clears(&mut bench);
    }
    let mut resting = Bench::greeted();
    let start = resting.soon();
    let impossible = Dwell { duration_ms: 0, ..quiet_dwell(1, start, 1) };
    assert_eq!(resting.ask(Action::Dwell(impossible)), Err(Refusal::Malformed));
    resting.run(10);
    assert_eq!(resting.board.state(), State::Rest, "nothing to trip for at rest");
}

#[test]
fn an_adc_that_stands_still_reaches_rest_within_50_ms() {
    let ms = ms_to_rest(TripCause::AdcFrozen, 50, |broken| broken.adc_frozen = true);
    assert!(ms > 10, "a late conversion is no dead ADC");
}

#[test]
fn a_rail_sensor_open_or_shorted_reaches_rest_within_50_ms() {
    for counts in [0, 40_950] {
        ms_to_rest(TripCause::RailSensorDead, 50, |broken| {
            broken.stuck[Channel::RailPressure.index()] = Some(counts);
        });
    }
}

#[test]
fn a_rail_sensor_that_has_stopped_moving_reaches_rest_within_2_s() {
    ms_to_rest(TripCause::RailSensorFrozen, 2_000, |broken| {
        broken.stuck[Channel::RailPressure.index()] = Some(12_000);
    });
}

#[test]
fn a_rail_sensor_that_stands_still_at_zero_is_frozen_too() {
    // It would hide any pressure that the dwell builds up.
    let mut bench = Bench::armed();
    bench.rig.broken.stuck[Channel::RailPressure.index()] = Some(RAIL_ZERO);
    let start = bench.soon();
    assert_eq!(bench.ask(Action::Dwell(quiet_dwell(1, start, 2_000))), Ok(Reply::Done));
    bench.run(400);
    assert_eq!(bench.trip().map(|trip| trip.cause), Some(TripCause::RailSensorFrozen));
}

#[test]
fn a_feed_sensor_open_or_shorted_reaches_rest_within_50_ms() {
    for counts in [0, 40_950] {
        ms_to_rest(TripCause::FeedSensorDead, 50, |broken| {
            broken.stuck[Channel::FeedPressure.index()] = Some(counts);
        });
    }
}

#[test]
fn one_wrong_sample_of_any_column_trips_nothing() {
    for channel in Channel::ALL.into_iter().take(7) {
        for counts in [0, 40_950] {
            let mut bench = Bench::dwelling();
            for _ in 0..5 {
                bench.rig.broken.stuck[channel.index()] = Some(counts);
                bench.tick();
                bench.rig.broken.stuck[channel.index()] = None;
                bench.run(20);
            }
            assert_eq!(bench.board.state(), State::Dwelling, "{} at {counts}", channel.name());
        }
    }
}

#[test]
fn over_pressure_reaches_rest_within_20_ms_of_the_first_reading_above_the_guard() {
    let ms = ms_to_rest(TripCause::RailHigh, 20, |broken| {
        broken.stuck[Channel::RailPressure.index()] = Some(20_001);
    });
    assert!(ms <= 3, "a median of three needs no more");

    // The same with a pressure that rises as a rig lets it.
    let mut bench = Bench::dwelling();
    bench.rig.broken.rail_target = Some(30_000);
    bench.ms_until(1_000, Bench::is_stopping_or_stopped);
    let report = bench.trip().expect("tripped");
    assert_eq!(report.cause, TripCause::RailHigh);
    let rail = report.readings[Channel::RailPressure.index()];
    // It rises by a twentieth of what is missing each millisecond: 500 counts at the guard.
    assert!((20_000..=20_000 + 20 * 500).contains(&rail), "{rail}");
}

#[test]
fn no_flow_where_flow_was_expected_reaches_rest_when_the_guards_time_is_over() {
    let gap_ms = u32::from(guards().flow_gap_ms_max);
    let ms = ms_to_rest(TripCause::NoFlow, gap_ms + 1, |broken| broken.no_flow = true);
    // The rig gives a pulse every 20 ms, so the gap may have begun that long before the fault.
    assert!(ms > gap_ms - 20, "{ms}");
}

#[test]
fn a_chain_of_short_dwells_does_not_hide_a_dry_run() {
    let mut bench = Bench::armed();
    bench.rig.broken.no_flow = true;
    let start = bench.soon();
    assert_eq!(bench.ask(Action::Dwell(full_dwell(1, start, 100))), Ok(Reply::Done));
    for serial in 2..6 {
        bench.tick();
        let next = full_dwell(serial, Start::AfterPrevious, 100);
        assert_eq!(bench.ask(Action::Dwell(next)), Ok(Reply::Done));
    }
    bench.ms_until(400, Bench::is_stopping_or_stopped);
    assert_eq!(bench.cause(), Some(TripCause::NoFlow));
}

#[test]
fn fluid_too_hot_too_cold_or_its_sensor_open_reaches_rest_within_1_s() {
    for counts in [0, 1_999, 30_001, 40_950] {
        ms_to_rest(TripCause::FluidTemperature, 1_000, |broken| {
            broken.stuck[Channel::FluidTemperature.index()] = Some(counts);
        });
    }
}

#[test]
fn current_in_a_coil_at_0_percent_lets_that_coil_go_within_50_ms() {
    for coil in Coil::BOTH {
        let mut bench = Bench::armed();
        let start = bench.soon();
        let mut dwell = full_dwell(1, start, 5_000);
        match coil {
            Coil::Inlet => dwell.inlet = Ramp::constant(0),
            Coil::Pressure => dwell.pressure = Ramp::constant(0),
        }
        assert_eq!(bench.ask(Action::Dwell(dwell)), Ok(Reply::Done));
        bench.run(500);
        bench.rig.broken.current_added[coil.index()] = 300;
        bench.ms_until(50, Bench::is_stopping_or_stopped);
        assert_eq!(bench.outputs.duty_e4(coil), 0, "a coil that draws by itself is not held");
        assert_eq!(bench.cause(), Some(TripCause::CurrentAtZeroDuty(coil)));
    }
}

#[test]
fn a_shorted_switch_is_seen_within_50_ms_while_armed_too() {
    let mut bench = Bench::armed();
    bench.rig.broken.current_added = [9_000, 0];
    bench.ms_until(50, |bench| bench.board.state() == State::Tripped);
    assert_eq!(bench.cause(), Some(TripCause::CurrentAtZeroDuty(Coil::Inlet)));
    assert_eq!(
        bench.ask(Action::ClearTrip),
        Err(Refusal::CauseRemains(TripCause::CurrentAtZeroDuty(Coil::Inlet)))
    );
    clears(&mut bench);
}

#[test]
fn a_current_that_dies_away_after_its_duty_is_no_fault() {
    let mut bench = Bench::armed();
    let start = bench.soon();
    assert_eq!(bench.ask(Action::Dwell(quiet_dwell(1, start, 100))), Ok(Reply::Done));
    bench.run(101);
    // The inlet coil is held, the pressure coil was let go: 60 ms of decay.
    bench.rig.broken.current_added[1] = 2_000;
    bench.run(60);
    bench.rig.broken.current_added[1] = 0;
    bench.run(200);
    assert_eq!(bench.cause(), None);
}

#[test]
fn supply_too_low_or_too_high_reaches_rest_within_100_ms() {
    for (counts, cause) in
        [(0, TripCause::SupplyLow), (16_999, TripCause::SupplyLow), (25_001, TripCause::SupplyHigh)]
    {
        ms_to_rest(cause, 100, |broken| broken.stuck[Channel::SupplyVoltage.index()] = Some(counts));
    }
}

#[test]
fn a_supply_that_sags_for_20_ms_when_a_coil_switches_is_forgiven() {
    let mut bench = Bench::dwelling();
    for _ in 0..10 {
        bench.rig.broken.stuck[Channel::SupplyVoltage.index()] = Some(15_000);
        bench.run(20);
        bench.rig.broken.stuck[Channel::SupplyVoltage.index()] = None;
        bench.run(20);
    }
    assert_eq!(bench.board.state(), State::Dwelling);
}

#[test]
fn an_open_coil_is_named_and_reaches_rest_within_50_ms() {
    for coil in Coil::BOTH {
        ms_to_rest(TripCause::CoilOpen(coil), 50, |broken| broken.coil_open[coil.index()] = true);
    }
}

#[test]
fn a_coil_open_from_the_start_is_found_within_50_ms_of_being_driven_plus_50_ms() {
    for coil in Coil::BOTH {
        let mut bench = Bench::armed();
        bench.rig.broken.coil_open[coil.index()] = true;
        let start = bench.soon();
        assert_eq!(bench.ask(Action::Dwell(full_dwell(1, start, 5_000))), Ok(Reply::Done));
        bench.tick();
        bench.ms_until(100, Bench::is_stopping_or_stopped);
        assert_eq!(bench.cause(), Some(TripCause::CoilOpen(coil)));
    }
}

#[test]
fn a_healthy_coil_is_never_called_open_at_any_duty_step_or_ramp() {
    let mut bench = Bench::armed();
    for (from_e4, to_e4) in
        [(0, 8_000), (1_000, 1_000), (8_000, 8_000), (1_000, 1_000), (8_000, 0), (999, 1_001)]
    {
        let ramp = Ramp { from_e4, to_e4 };
        let start = bench.soon();
        let dwell = Dwell { inlet: ramp, pressure: ramp, ..quiet_dwell(1, start, 150) };
        assert_eq!(bench.ask(Action::Dwell(dwell)), Ok(Reply::Done));
        bench.run(151);
        bench.ms_until(200, |bench| bench.board.state() == State::Armed);
    }
}

#[test]
fn over_current_lets_the_coil_go_within_10_ms() {
    for coil in Coil::BOTH {
        for added in [12_000 - FULL_DUTY / 10 * 3, 30_000] {
            let mut bench = Bench::dwelling();
            bench.rig.broken.current_added[coil.index()] = added;
            bench.ms_until(10, Bench::is_stopping_or_stopped);
            assert_eq!(bench.outputs.duty_e4(coil), 0, "and it is not held where it relieves");
            assert_eq!(bench.cause(), Some(TripCause::OverCurrent(coil)));
        }
    }
}

#[test]
fn over_current_while_a_valve_is_held_in_a_stop_lets_it_go_within_10_ms() {
    let mut bench = Bench::dwelling();
    bench.rig.broken.pressure_trapped = true;
    bench.send(&ToBoard::Stop);
    bench.run(100);
    assert_eq!(bench.outputs.inlet_duty_e4, 6_000);
    bench.rig.broken.current_added[0] = 10_000;
    bench.ms_until(10, Bench::is_at_rest);
    assert_eq!(bench.cause(), Some(TripCause::OverCurrent(Coil::Inlet)));
}

#[test]
fn an_open_stop_chain_reaches_rest_within_20_ms_and_closing_it_restarts_nothing() {
    ms_to_rest(TripCause::StopChainOpen, 20, |broken| broken.stop_chain_open = true);

    let mut bench = Bench::dwelling();
    bench.rig.broken.stop_chain_open = true;
    bench.run(1_000);
    assert_eq!(
        bench.ask(Action::ClearTrip),
        Err(Refusal::CauseRemains(TripCause::StopChainOpen)),
        "hammering the key does not help"
    );
    bench.rig.broken.stop_chain_open = false;
    bench.run(1_000);
    assert!(bench.is_at_rest());
    assert_eq!(bench.board.state(), State::Tripped);
}

#[test]
fn a_guard_opened_in_a_dwell_reaches_rest_within_100_ms() {
    ms_to_rest(TripCause::GuardOpen, 100, |broken| broken.guard_open = true);
}

#[test]
fn a_low_tank_reaches_rest_within_1_s_and_a_slosh_does_not() {
    let ms = ms_to_rest(TripCause::TankLow, 1_000, |broken| broken.tank_low = true);
    assert!(ms > 200);
}

#[test]
fn a_drive_that_has_used_up_its_account_is_stopped_on_that_tick() {
    // What was planned to rest in between ends early: the account at the start of the second dwell
    // is smaller than planned.
    let mut guards = all_fall();
    guards.drive_on_ms_max = 1_000;
    guards.drive_rest_ms_min = 4_000;
    let mut bench = Bench::armed_with(guards);
    let start = bench.soon();
    let mut rest = quiet_dwell(2, Start::AfterPrevious, 4_000);
    rest.end_when =
        Some(EndWhen { channel: Channel::SupplyVoltage, side: Side::Above, counts: 10_000, for_ms: 400 });
    let again = full_dwell(3, Start::AfterPrevious, 1_000);
    for dwell in [full_dwell(1, start, 1_000), rest, again] {
        assert_eq!(bench.ask(Action::Dwell(dwell)), Ok(Reply::Done));
    }
    bench.run(1_001 + 400);
    assert_eq!(bench.outputs.drive_rpm, 500, "the second turn has begun");
    // 400 ms of rest refill 100 ms of 1000; the first tick of them has just been spent.
    let ms = bench.ms_until(1_000, Bench::is_at_rest);
    assert_eq!(ms, 100);
    assert_eq!(bench.cause(), Some(TripCause::DriveBudget));
}

#[test]
fn a_shaft_still_turning_is_reported_5_s_after_the_drive_went_off() {
    let mut bench = Bench::dwelling();
    bench.rig.broken.shaft_turns_on = true;
    bench.send(&ToBoard::Stop);
    let ms = bench.ms_until(5_020, |bench| !bench.heard.trips.is_empty());
    assert!(ms >= 5_000, "{ms}");
    assert_eq!(bench.cause(), Some(TripCause::ShaftStillTurning));
    assert_eq!(bench.ask(Action::ClearTrip), Err(Refusal::CauseRemains(TripCause::ShaftStillTurning)));
    clears(&mut bench);
}

#[test]
fn a_shaft_that_only_creeps_is_reported_with_its_first_pulse_after_5_s() {
    let mut bench = Bench::dwelling();
    bench.rig.broken.shaft_turns_on = true;
    bench.rig.broken.shaft_pulse_ms = Some(1_900);
    bench.send(&ToBoard::Stop);
    let ms = bench.ms_until(5_000 + 1_900, |bench| !bench.heard.trips.is_empty());
    assert!(ms >= 5_000, "{ms}");
    assert_eq!(bench.cause(), Some(TripCause::ShaftStillTurning));
}

#[test]
fn a_shaft_turned_a_little_by_hand_long_after_it_was_still_is_no_fault() {
    let mut bench = Bench::dwelling();
    bench.send(&ToBoard::Stop);
    bench.run(10_000);
    bench.rig.broken.shaft_turns_on = true;
    bench.run(4_900);
    assert_eq!(bench.board.state(), State::Rest);
    assert_eq!(bench.arm(&guards()), Err(Refusal::NotReady(TripCause::ShaftStillTurning)));
}

/// A drive that starts by itself, its contactor closing for no reason.
#[test]
fn a_shaft_that_begins_to_turn_by_itself_is_reported_after_5_s_and_again() {
    let mut bench = Bench::dwelling();
    bench.send(&ToBoard::Stop);
    bench.run(10_000);
    bench.rig.broken.shaft_turns_on = true;
    let ms = bench.ms_until(5_020, |bench| !bench.heard.trips.is_empty());
    assert!(ms >= 5_000, "{ms}");
    assert_eq!(bench.cause(), Some(TripCause::ShaftStillTurning));
    clears(&mut bench);
    bench.rig.broken.shaft_turns_on = true;
    bench.run(5_020);
    assert_eq!(bench.board.state(), State::Tripped, "cleared, and it turns again");
}

#[test]
fn a_shaft_that_coasts_for_4_900_ms_is_no_fault_but_keeps_the_board_from_arming() {
    let mut bench = Bench::dwelling();
    bench.rig.broken.shaft_turns_on = true;
    bench.send(&ToBoard::Stop);
    bench.run(4_900);
    assert_eq!(bench.board.state(), State::Stopping);
    bench.rig.broken.shaft_turns_on = false;
    bench.run(700);
    assert_eq!(bench.board.state(), State::Rest);
    assert_eq!(bench.arm(&guards()), Err(Refusal::NotReady(TripCause::ShaftStillTurning)));
    bench.run(10_000);
    assert_eq!(bench.heard.trips, []);
    assert_eq!(bench.arm(&guards()), Ok(Reply::Done));
}

/// Each later cause was found once: cleared with the first one it would never be told again.
#[test]
fn a_trip_is_not_cleared_while_a_later_cause_remains() {
    let mut bench = Bench::dwelling();
    bench.rig.broken.pressure_trapped = true;
    bench.rig.broken.guard_open = true;
    bench.ms_until(200, |bench| !bench.heard.trips.is_empty());
    assert_eq!(bench.cause(), Some(TripCause::GuardOpen));
    bench.run(12_000);
    bench.rig.broken.guard_open = false;
    bench.run(100);
    assert_eq!(bench.ask(Action::ClearTrip), Err(Refusal::CauseRemains(TripCause::PressureTrapped)));
    bench.rig.broken.pressure_trapped = false;
    bench.run(2_000);
    assert_eq!(bench.ask(Action::ClearTrip), Ok(Reply::Done));
}

#[test]
fn pressure_that_comes_back_after_it_was_proven_low_is_trapped_too() {
    let mut bench = Bench::dwelling();
    bench.send(&ToBoard::Stop);
    bench.ms_until(RELIEVE_MS_MAX, Bench::is_at_rest);
    bench.run(20_000);
    assert_eq!(bench.heard.trips, []);
    bench.rig.broken.stuck[Channel::RailPressure.index()] = Some(9_000);
    let ms = bench.ms_until(10_100, |bench| !bench.heard.trips.is_empty());
    assert!(ms >= 10_000, "{ms}");
    assert_eq!(bench.cause(), Some(TripCause::PressureTrapped));
}

#[test]
fn pressure_trapped_is_reported_10_s_after_the_stop_and_keeps_the_board_from_arming() {
    let mut bench = Bench::dwelling();
    bench.rig.broken.pressure_trapped = true;
    bench.send(&ToBoard::Stop);
    let ms = bench.ms_until(10_000, |bench| !bench.heard.trips.is_empty());
    assert!(ms >= 9_990, "{ms}");
    assert_eq!(bench.cause(), Some(TripCause::PressureTrapped));
    assert_eq!(bench.ask(Action::ClearTrip), Err(Refusal::CauseRemains(TripCause::PressureTrapped)));
    bench.rig.broken.pressure_trapped = false;
    bench.run(1_000);
    assert_eq!(bench.ask(Action::ClearTrip), Ok(Reply::Done));
    assert_eq!(bench.arm(&guards()), Ok(Reply::Done));
}

/// What was found once is found again: a cleared trip leaves nobody in the belief that the rail stays low.
#[test]
fn pressure_that_comes_back_after_its_trip_was_cleared_is_trapped_again() {
    let mut bench = Bench::dwelling();
    bench.rig.broken.pressure_trapped = true;
    bench.send(&ToBoard::Stop);
    bench.ms_until(10_100, |bench| bench.board.state() == State::Tripped);
    assert_eq!(bench.cause(), Some(TripCause::PressureTrapped));
    bench.rig.broken.pressure_trapped = false;
    bench.run(1_000);
    assert_eq!(bench.ask(Action::ClearTrip), Ok(Reply::Done));
    bench.rig.broken.stuck[Channel::RailPressure.index()] = Some(9_000);
    let ms = bench.ms_until(10_100, |bench| bench.board.state() == State::Tripped);
    assert!(ms >= 9_900, "{ms}");
    assert_eq!(bench.cause(), Some(TripCause::PressureTrapped));
}

#[test]
fn pressure_wanted_again_within_10_s_is_not_called_trapped() {
    let mut bench = Bench::dwelling();
    bench.ms_until(9_000, |bench| bench.board.state() == State::Stopping);
    bench.rig.broken.pressure_trapped = true;
    bench.ms_until(RELIEVE_MS_MAX, |bench| bench.board.state() == State::Armed);
    let start = bench.soon();
    assert_eq!(bench.ask(Action::Dwell(full_dwell(2, start, 8_000))), Ok(Reply::Done));
    bench.run(8_000);
    assert_eq!(bench.board.state(), State::Dwelling);
    assert_eq!(bench.cause(), None);
}

#[test]
fn a_rail_sensor_that_is_dead_never_says_that_the_rail_is_low() {
    let mut bench = Bench::armed();
    bench.run(200);
    assert!(bench.statuses().last().unwrap().1.rail_proven_low);
    bench.send(&ToBoard::Stop);
    bench.rig.broken.stuck[Channel::RailPressure.index()] = Some(0);
    bench.run(200);
    assert_eq!(bench.board.state(), State::Rest);
    assert!(!bench.statuses().last().unwrap().1.rail_proven_low);
}

#[test]
fn an_operator_who_walks_away_leaves_the_board_disarmed_after_two_minutes() {
    let mut bench = Bench::armed();
    let armed = Tick(1_000);
    bench.run(LEFT_ALONE_MS - 1 - bench.board.now().ms_since(armed).unsigned_abs());
    assert_eq!(bench.board.state(), State::Armed);
    bench.tick();
    assert_eq!(bench.board.state(), State::Rest);
    assert_eq!(bench.cause(), None);
}

#[test]
fn a_board_with_work_waiting_or_just_done_is_not_left_alone() {
    let mut bench = Bench::armed();
    let start = bench.board.now().plus_ms(LEFT_ALONE_MS + 1_000);
    assert_eq!(bench.ask(Action::Dwell(quiet_dwell(1, Start::At(start), 60_000))), Ok(Reply::Done));
    for serial in 2..4 {
        let next = quiet_dwell(serial, Start::AfterPrevious, 60_000);
        assert_eq!(bench.ask(Action::Dwell(next)), Ok(Reply::Done));
    }
    bench.run(LEFT_ALONE_MS + 1_000);
    assert_eq!(bench.board.state(), State::Dwelling);
    // Three minutes later, without a word from the host in between.
    bench.ms_until(3 * 60_000 + 200, |bench| bench.board.state() == State::Armed);
    bench.run(LEFT_ALONE_MS - 1);
    assert_eq!(bench.board.state(), State::Armed);
    bench.tick();
    assert_eq!(bench.board.state(), State::Rest);
}

#[test]
fn the_first_cause_is_latched_with_its_readings_and_later_ones_are_counted_once_each() {
    let mut bench = Bench::dwelling_with(all_fall());
    bench.rig.broken.guard_open = true;
    let ms = bench.ms_until(100, Bench::is_at_rest);
    let at = bench.board.now();
    let report = *bench.heard.trips.last().expect("reported");
    assert_eq!((report.cause, report.at, report.later), (TripCause::GuardOpen, at, 0));
    assert_eq!(report.readings[Channel::InletDuty.index()], 3_000, "what was applied when it was found");
    assert!(ms > 1);
    bench.rig.broken.stop_chain_open = true;
    bench.rig.broken.tank_low = true;
    bench.run(2_000);
    let later = bench.trip().expect("latched");
    assert_eq!((later.cause, later.at, later.readings), (report.cause, report.at, report.readings));
    assert_eq!(later.later, 2);
    assert_eq!(bench.heard.trips.len(), 1, "reported once");
}

#[test]
fn power_that_comes_back_restores_nothing() {
    let mut bench = Bench::dwelling();
    let restarted = Bench::switched_on();
    bench.board = restarted.board;
    bench.run(1_000);
    assert_eq!(bench.board.state(), State::Rest);
    assert!(bench.is_at_rest());
    let start = bench.soon();
    let command = Command {
        session: SESSION,
        id: 9,
        valid_until: bench.board.now().plus_ms(250),
        action: Action::Dwell(full_dwell(1, start, 100)),
    };
    assert_eq!(bench.ask_as(command), Err(Refusal::WrongSession));
}

#[test]
fn a_host_of_another_version_is_refused_by_name() {
    let mut bench = Bench::switched_on();
    bench.send(&ToBoard::Hello(Hello { protocol: PROTOCOL_VERSION + 1, session: SESSION }));
    assert_eq!(bench.heard.wrong_versions, [PROTOCOL_VERSION]);
    assert!(bench.heard.welcomes.is_empty());
    let command = Command {
        session: SESSION,
        id: 1,
        valid_until: bench.board.now(),
        action: Action::HandWork { at: bench.board.now(), work: HandWork::PrimerStroke },
    };
    assert_eq!(bench.ask_as(command), Err(Refusal::WrongSession));
}

#[test]
fn a_rail_that_does_not_read_zero_at_rest_keeps_the_board_from_arming() {
    for counts in [3_899, 4_301] {
        let mut bench = Bench::greeted();
        assert_eq!(bench.ask(Action::SetGuards(guards())), Ok(Reply::Done));
        bench.rig.broken.stuck[Channel::RailPressure.index()] = Some(counts);
        bench.run(3);
        assert_eq!(bench.arm(&guards()), Err(Refusal::NotReady(TripCause::RailNotZero)), "{counts}");
    }
    assert!((3_900..=4_300).contains(&RAIL_ZERO));
}

#[test]
fn a_board_that_fell_over_says_so_until_it_is_told_to_go_on() {
    for reset in [ResetCause::Watchdog, ResetCause::BrownOut, ResetCause::Fault] {
        let mut bench = Bench::started_after(reset);
        bench.run(1);
        let cause = TripCause::Restarted(reset);
        assert_eq!(bench.board.state(), State::Tripped, "{reset:?}");
        assert!(bench.is_at_rest(), "{reset:?}");
        bench.hello(SESSION);
        bench.renew();
        assert_eq!(bench.cause(), Some(cause));
        assert_eq!(bench.ask(Action::SetGuards(guards())), Err(Refusal::Tripped(cause)));
        assert_eq!(bench.ask(Action::ClearTrip), Ok(Reply::Done));
        bench.run(1_000);
        assert_eq!(bench.board.state(), State::Rest, "{reset:?} is reported once");
    }
}

#[test]
fn a_board_that_was_switched_on_or_whose_port_was_opened_has_not_fallen_over() {
    for reset in [ResetCause::PowerOn, ResetCause::Pin] {
        let mut bench = Bench::started_after(reset);
        bench.run(1_000);
        assert_eq!(bench.board.state(), State::Rest, "{reset:?}");
    }
}
