//! The staged stop: what it lets go, what it holds, in which order and for how long.

use crate::bench::{Bench, full_dwell, guards};
use stepwell_core::Outputs;
use stepwell_protocol::channel::Channel;
use stepwell_protocol::dwell::{DwellEnd, Start};
use stepwell_protocol::message::{Action, Hello, Reply, ToBoard, TripCause};
use stepwell_protocol::state::State;
use stepwell_protocol::{LEASE_MS, PROTOCOL_VERSION, RELIEVE_MS_MAX};

/// The inlet valve held where it relieves, everything else off.
const HOLDING: Outputs = Outputs { inlet_duty_e4: 6_000, ..Outputs::REST };

#[test]
fn drive_supply_and_dump_go_first_and_the_valve_that_keeps_pressure_goes_last() {
    let mut bench = Bench::dwelling();
    let before = bench.outputs;
    assert!(before.supply_on && before.dump_closed && before.pressure_duty_e4 > 0);
    bench.send(&ToBoard::Stop);
    assert_eq!(bench.outputs, before, "outputs change at the tick");
    bench.tick();
    assert_eq!(bench.outputs, HOLDING);
    assert_eq!(bench.board.state(), State::Stopping);
    let stopped = bench.board.now();
    let ms = bench.ms_until(RELIEVE_MS_MAX, Bench::is_at_rest);
    assert_eq!(bench.board.state(), State::Rest);
    // The last pulse came up to 5 ms before the stop: 500 ms after it the pump delivers nothing, then 50 ms of
    // proof. The rail is low long before: 43 ms.
    assert!((545..=555).contains(&ms), "{ms}");
    let report = bench.heard.ended.last().expect("reported");
    assert_eq!((report.end, report.ended), (DwellEnd::Stopped, stopped), "the first tick without it");
}

/// A pump that coasts into a rail whose valve is let go fills it again, and nobody would know.
#[test]
fn a_valve_is_held_while_the_pump_coasts() {
    let mut bench = Bench::dwelling();
    bench.rig.broken.shaft_turns_on = true;
    bench.send(&ToBoard::Stop);
    bench.tick();
    for _ in 0..1_500 {
        assert_eq!(bench.outputs, HOLDING);
        bench.tick();
    }
    bench.rig.broken.shaft_turns_on = false;
    let ms = bench.ms_until(1_000, Bench::is_at_rest);
    assert!((545..=555).contains(&ms), "{ms}");
}

/// Without pulses while the drive is on nobody knows whether the pump coasts, however short it was on.
#[test]
fn a_valve_is_held_for_its_full_time_when_the_shaft_sensor_is_dead() {
    for drives_ms in [20, 300, 900, 1_500] {
        let mut bench = Bench::armed();
        bench.rig.broken.shaft_pulse_ms = Some(1_000_000);
        let start = bench.soon();
        assert_eq!(bench.ask(Action::Dwell(full_dwell(1, start, 5_000))), Ok(Reply::Done));
        bench.ms_until(100, |bench| bench.outputs.drive_rpm > 0);
        bench.run(drives_ms);
        bench.send(&ToBoard::Stop);
        bench.tick();
        assert_eq!(bench.outputs, HOLDING);
        assert_eq!(bench.ms_until(RELIEVE_MS_MAX, Bench::is_at_rest), RELIEVE_MS_MAX, "{drives_ms} ms");
    }
}

/// A sensor that dies while the drive is on is known to be dead half a second later.
#[test]
fn a_valve_is_held_for_its_full_time_when_the_shaft_sensor_died_while_it_turned() {
    let mut bench = Bench::dwelling();
    bench.rig.broken.shaft_pulse_ms = Some(1_000_000);
    bench.run(600);
    bench.send(&ToBoard::Stop);
    bench.tick();
    assert_eq!(bench.outputs, HOLDING);
    assert_eq!(bench.ms_until(RELIEVE_MS_MAX, Bench::is_at_rest), RELIEVE_MS_MAX);
}

#[test]
fn a_valve_is_held_for_five_seconds_and_no_longer_when_pressure_does_not_go() {
    let mut bench = Bench::dwelling();
    bench.rig.broken.pressure_trapped = true;
    bench.send(&ToBoard::Stop);
    bench.tick();
    for _ in 1..RELIEVE_MS_MAX {
        assert_eq!(bench.outputs, HOLDING);
        bench.tick();
    }
    assert_eq!(bench.outputs, HOLDING);
    bench.tick();
    assert!(bench.is_at_rest());
    assert_eq!(bench.board.state(), State::Rest);
}

#[test]
fn a_dead_rail_sensor_proves_nothing_however_low_it_reads() {
    for counts in [0, 40_950] {
        let mut bench = Bench::dwelling();
        bench.rig.broken.stuck[Channel::RailPressure.index()] = Some(counts);
        bench.ms_until(50, Bench::is_stopping_or_stopped);
        assert_eq!(bench.outputs, HOLDING);
        // A loose wire: it comes back and reads low. Too late to be believed.
        bench.rig.broken.stuck[Channel::RailPressure.index()] = None;
        let ms = bench.ms_until(RELIEVE_MS_MAX, Bench::is_at_rest);
        assert_eq!(ms, RELIEVE_MS_MAX);
    }
}

#[test]
fn low_pressure_must_last_to_count() {
    let mut bench = Bench::dwelling();
    bench.rig.broken.pressure_trapped = true;
    bench.send(&ToBoard::Stop);
    for _ in 0..10 {
        bench.rig.broken.stuck[Channel::RailPressure.index()] = Some(4_500);
        bench.run(45);
        bench.rig.broken.stuck[Channel::RailPressure.index()] = None;
        bench.run(5);
        assert_eq!(bench.outputs, HOLDING);
    }
}

#[test]
fn the_end_of_the_last_dwell_goes_the_same_way_and_ends_armed() {
    let mut bench = Bench::armed();
    let start = bench.soon();
    assert_eq!(bench.ask(Action::Dwell(full_dwell(1, start, 200))), Ok(Reply::Done));
    bench.run(200);
    assert_eq!(bench.board.state(), State::Dwelling);
    bench.tick();
    assert_eq!((bench.board.state(), bench.outputs), (State::Stopping, HOLDING));
    bench.ms_until(700, |bench| bench.board.state() == State::Armed);
    assert!(bench.is_at_rest());
}

#[test]
fn every_way_out_of_a_dwell_is_the_same_staged_stop() {
    type Way = fn(&mut Bench);
    let ways: [(Way, State, DwellEnd); 4] = [
        (|bench| bench.send(&ToBoard::Stop), State::Rest, DwellEnd::Stopped),
        (|bench| assert_eq!(bench.ask(Action::Disarm), Ok(Reply::Done)), State::Rest, DwellEnd::Stopped),
        (
            |bench| {
                bench.renewing = false;
                bench.ms_until(LEASE_MS, |bench| bench.outputs.drive_rpm == 0);
            },
            State::Tripped,
            DwellEnd::Tripped,
        ),
        (
            |bench| {
                bench.rig.broken.guard_open = true;
                bench.ms_until(100, |bench| bench.outputs.drive_rpm == 0);
            },
            State::Tripped,
            DwellEnd::Tripped,
        ),
    ];
    for (way, leads_to, end) in ways {
        let mut bench = Bench::dwelling();
        way(&mut bench);
        if bench.board.state() == State::Dwelling || bench.outputs.drive_rpm > 0 {
            bench.tick();
        }
        assert_eq!(bench.outputs, HOLDING);
        bench.ms_until(700, Bench::is_at_rest);
        assert_eq!(bench.board.state(), leads_to);
        assert_eq!(bench.heard.ended.last().map(|report| report.end), Some(end));
    }
}

#[test]
fn a_trip_during_a_stop_makes_it_end_tripped_and_does_not_start_it_again() {
    let mut bench = Bench::dwelling();
    bench.rig.broken.pressure_trapped = true;
    bench.send(&ToBoard::Stop);
    bench.run(2_000);
    bench.rig.broken.guard_open = true;
    let ms = bench.ms_until(RELIEVE_MS_MAX, Bench::is_at_rest);
    assert_eq!(2_000 + ms, RELIEVE_MS_MAX + 1);
    assert_eq!(bench.board.state(), State::Tripped);
    assert_eq!(bench.cause(), Some(TripCause::GuardOpen));
}

#[test]
fn a_lease_lost_during_the_stop_after_a_chain_leads_to_rest() {
    let mut bench = Bench::armed();
    let start = bench.soon();
    assert_eq!(bench.ask(Action::Dwell(full_dwell(1, start, 200))), Ok(Reply::Done));
    bench.run(150);
    bench.rig.broken.pressure_trapped = true;
    bench.run(60);
    assert_eq!(bench.board.state(), State::Stopping);
    bench.renewing = false;
    bench.ms_until(RELIEVE_MS_MAX + LEASE_MS, |bench| bench.board.state() == State::Rest);
    assert_eq!(bench.cause(), None);
}

/// The end of a chain leads to Armed, and a stop meanwhile is a stop.
#[test]
fn a_stop_during_the_stop_after_a_chain_leads_to_rest() {
    let mut bench = Bench::armed();
    let start = bench.soon();
    assert_eq!(bench.ask(Action::Dwell(full_dwell(1, start, 200))), Ok(Reply::Done));
    bench.ms_until(300, |bench| bench.board.state() == State::Stopping);
    bench.send(&ToBoard::Stop);
    bench.ms_until(RELIEVE_MS_MAX, Bench::is_at_rest);
    bench.run(10);
    assert_eq!((bench.board.state(), bench.cause()), (State::Rest, None));
}

#[test]
fn a_dwell_that_waits_for_its_tick_does_not_start_when_the_lease_was_lost_in_the_stop_before_it() {
    let mut bench = Bench::armed();
    let now = bench.board.now();
    for dwell in
        [full_dwell(1, Start::At(now.plus_ms(1)), 200), full_dwell(2, Start::At(now.plus_ms(2_000)), 200)]
    {
        assert_eq!(bench.ask(Action::Dwell(dwell)), Ok(Reply::Done));
    }
    bench.run(150);
    bench.rig.broken.pressure_trapped = true;
    bench.run(60);
    assert_eq!(bench.board.state(), State::Stopping);
    bench.renewing = false;
    for _ in 0..RELIEVE_MS_MAX {
        bench.tick();
        assert!(bench.is_stopping_or_stopped());
    }
    assert_eq!((bench.board.state(), bench.cause()), (State::Rest, None));
}

#[test]
fn a_stop_is_obeyed_from_anyone_at_any_time() {
    // No session at all.
    let mut bench = Bench::switched_on();
    bench.send(&ToBoard::Stop);
    bench.tick();
    assert_eq!(bench.board.state(), State::Rest);
    // More stops than answers, in one tick, with a flood in front.
    let mut bench = Bench::dwelling();
    for session in 0..50 {
        bench.send(&ToBoard::Hello(Hello { protocol: PROTOCOL_VERSION, session }));
    }
    bench.send(&ToBoard::Stop);
    bench.tick();
    assert_eq!(bench.outputs, HOLDING);
    // While armed.
    let mut bench = Bench::armed();
    bench.send(&ToBoard::Stop);
    bench.tick();
    assert_eq!(bench.board.state(), State::Rest);
    assert!(bench.heard.trips.is_empty());
    // Tripped stays tripped.
    let mut bench = Bench::armed();
    bench.rig.broken.guard_open = true;
    bench.run(100);
    bench.send(&ToBoard::Stop);
    bench.run(2);
    assert_eq!(bench.board.state(), State::Tripped);
}

#[test]
fn a_valve_that_was_let_go_when_pressure_falls_by_itself_ends_the_stop_at_once() {
    let mut guards = guards();
    for coil in guards.coils.iter_mut().flatten() {
        coil.on_loss = stepwell_protocol::guards::OnLoss::Falls;
    }
    let mut bench = Bench::dwelling_with(guards);
    bench.send(&ToBoard::Stop);
    bench.tick();
    assert_eq!(bench.board.state(), State::Rest);
    assert!(bench.is_at_rest());
}
