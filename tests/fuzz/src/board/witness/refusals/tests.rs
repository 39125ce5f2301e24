//! Answers that the witness bears, and the same doctored.

use super::super::super::CEILINGS;
use super::super::super::script::GuardWish;
use super::super::session::Session;
use super::Witness;
use arbitrary::{Arbitrary, Unstructured};
use std::panic::catch_unwind;
use stepwell_protocol::channel::{Channel, Coil};
use stepwell_protocol::dwell::{Dwell, EndWhen, Ramp, Side, Start};
use stepwell_protocol::identity::ResetCause;
use stepwell_protocol::message::{
    Ack, Action, Command, FromBoard, Limit, Refusal, Reply, ToBoard, TripCause,
};
use stepwell_protocol::state::State;
use stepwell_protocol::time::Tick;

const NOW: Tick = Tick(1_000);
const REST: Ramp = Ramp::constant(0);
const DWELL: Dwell = Dwell {
    serial: 1,
    start: Start::At(Tick(1_010)),
    duration_ms: 100,
    inlet: REST,
    pressure: REST,
    supply_on: false,
    drive_rpm: 0,
    dump_closed: false,
    expect_flow: false,
    end_when: None,
    burst: None,
};

const WRONG_STATE: Refusal = Refusal::InState(State::Stopping);
const TRIPPED: Refusal = Refusal::Tripped(TripCause::GuardOpen);
const INLET: Refusal = beyond(Limit::Duty(Coil::Inlet), 9_500, 9_000);
const PRESSURE: Refusal = beyond(Limit::Duty(Coil::Pressure), 9_600, 9_000);
const DRIVE: Refusal = beyond(Limit::DriveRpm, 1_001, 1_000);
const LENGTH: Refusal = Refusal::AboveCeiling { limit: Limit::DwellLength, asked: 60_001, ceiling: 60_000 };
const PAST: Refusal = Refusal::Late { late_ms: 1 };
/// In the order of their checks, and two of those that are left to the board.
const REFUSALS: [Refusal; 10] = [
    Refusal::Malformed,
    TRIPPED,
    WRONG_STATE,
    INLET,
    PRESSURE,
    DRIVE,
    LENGTH,
    PAST,
    Refusal::QueueFull,
    Refusal::DriveMustRest { rest_ms: 5 },
];

const fn beyond(limit: Limit, asked: u32, guard: u32) -> Refusal {
    Refusal::BeyondGuard { limit, asked, guard }
}

/// Of a board that stands in this state.
fn witness(state: State, tripped: Option<TripCause>) -> Witness {
    let wish = GuardWish::arbitrary(&mut Unstructured::new(&[0; 64])).expect("zeroes will do");
    Witness {
        now: NOW,
        session: Session::open(7),
        guards: Some(wish.guards()),
        armed: state == State::Armed,
        state,
        tripped,
        ..Witness::new(CEILINGS, ResetCause::PowerOn)
    }
}

/// Whether the witness bears this answer; whether it waits for a trip then.
fn bears(
    state: State,
    tripped: Option<TripCause>,
    action: Action,
    result: &Result<Reply, Refusal>,
) -> Option<bool> {
    catch_unwind(|| {
        let mut witness = witness(state, tripped);
        witness.heard(&ToBoard::Command(Command { session: 7, id: 1, valid_until: NOW, action }));
        witness.said(&FromBoard::Ack(Ack { session: 7, id: 1, at: NOW, result: result.clone() }));
        witness.state(state);
        witness.talk.wrong(NOW.0, state)[2]
    })
    .ok()
}

fn only(due: Refusal, state: State, tripped: Option<TripCause>, dwell: Dwell) {
    for refusal in REFUSALS {
        let borne = bears(state, tripped, Action::Dwell(dwell), &Err(refusal));
        assert_eq!(borne.is_some(), refusal == due, "{refusal:?} where {due:?} is due: {dwell:?}");
    }
    assert_eq!(bears(state, tripped, Action::Dwell(dwell), &Ok(Reply::Done)), None, "{dwell:?}");
}

#[test]
fn an_impossible_dwell_is_refused_as_such_by_no_other_code_and_trips() {
    let over_full = Ramp { from_e4: 0, to_e4: 10_001 };
    let watch = |channel, for_ms| Some(EndWhen { channel, side: Side::Above, counts: 1, for_ms });
    for dwell in [
        Dwell { duration_ms: 0, ..DWELL },
        Dwell { inlet: over_full, ..DWELL },
        Dwell { pressure: over_full, ..DWELL },
        Dwell { pressure: Ramp { from_e4: 10_001, to_e4: 0 }, ..DWELL },
        Dwell { end_when: watch(Channel::FlowCount, 1), ..DWELL },
        Dwell { end_when: watch(Channel::RailPressure, 0), ..DWELL },
    ] {
        only(Refusal::Malformed, State::Armed, None, dwell);
        let action = Action::Dwell(dwell);
        assert_eq!(bears(State::Armed, None, action, &Err(Refusal::Malformed)), Some(true), "no trip is due");
        assert_eq!(bears(State::Rest, None, action, &Err(Refusal::Malformed)), Some(false), "at rest one is");
    }
}

#[test]
fn what_is_possible_is_never_refused_as_impossible() {
    let full = Ramp { from_e4: 10_000, to_e4: 0 };
    let last = EndWhen { channel: Channel::BodyTemperature, side: Side::Below, counts: 0, for_ms: 1 };
    let edge = Dwell { duration_ms: 1, end_when: Some(last), ..DWELL };
    let malformed = Err(Refusal::Malformed);
    assert_eq!(bears(State::Armed, None, Action::Dwell(edge), &Ok(Reply::Done)), Some(false));
    for action in [
        Action::Dwell(edge),
        Action::Dwell(Dwell { inlet: full, ..edge }),
        Action::Disarm,
        Action::ReadTrip,
        Action::ClearTrip,
    ] {
        assert_eq!(bears(State::Armed, None, action, &malformed), None, "{action:?}");
    }
    let beyond = beyond(Limit::Duty(Coil::Inlet), 10_000, 9_000);
    assert_eq!(
        bears(State::Armed, None, Action::Dwell(Dwell { inlet: full, ..edge }), &Err(beyond)),
        Some(false)
    );
}

#[test]
fn a_dwell_is_refused_for_the_first_check_that_it_does_not_pass() {
    let mut dwell = Dwell {
        start: Start::At(NOW),
        duration_ms: 60_001,
        inlet: Ramp::constant(9_500),
        pressure: Ramp { from_e4: 10_001, to_e4: 9_600 },
        drive_rpm: 1_001,
        ..DWELL
    };
    let tripped = Some(TripCause::GuardOpen);
    only(Refusal::Malformed, State::Stopping, tripped, dwell);
    dwell.pressure.from_e4 = 0;
    only(TRIPPED, State::Stopping, tripped, dwell);
    only(WRONG_STATE, State::Stopping, None, dwell);
    only(INLET, State::Armed, None, dwell);
    dwell.inlet = REST;
    only(PRESSURE, State::Armed, None, dwell);
    dwell.pressure = REST;
    only(DRIVE, State::Armed, None, dwell);
    dwell.drive_rpm = 1_000;
    only(LENGTH, State::Armed, None, dwell);
    dwell.duration_ms = 60_000;
    only(PAST, State::Armed, None, dwell);
    dwell.start = Start::At(NOW.plus_ms(1));
    // What is left is the board's to know.
    for result in [Ok(Reply::Done), Err(Refusal::QueueFull), Err(Refusal::DriveMustRest { rest_ms: 5 })] {
        assert_eq!(bears(State::Armed, None, Action::Dwell(dwell), &result), Some(false));
    }
}

#[test]
fn the_board_refuses_by_its_state_what_it_must_not_do_there_and_nothing_else() {
    let arm = Action::Arm { guards_checksum: 0 };
    let in_state = |state| Err(Refusal::InState(state));
    assert_eq!(bears(State::Armed, None, arm, &in_state(State::Armed)), Some(false));
    assert_eq!(bears(State::Armed, None, arm, &in_state(State::Dwelling)), None);
    assert_eq!(bears(State::Armed, None, arm, &Err(Refusal::GuardsDiffer)), None);
    assert_eq!(bears(State::Armed, None, arm, &Ok(Reply::Done)), None);
    assert_eq!(bears(State::Rest, None, arm, &in_state(State::Rest)), None);
    let tripped = Some(TripCause::GuardOpen);
    assert_eq!(bears(State::Tripped, tripped, Action::Disarm, &Err(TRIPPED)), Some(false));
    assert_eq!(bears(State::Tripped, tripped, Action::Disarm, &Ok(Reply::Done)), None);
    let other = Err(Refusal::Tripped(TripCause::TankLow));
    assert_eq!(bears(State::Tripped, tripped, Action::Disarm, &other), None);
}

#[test]
fn a_command_is_answered() {
    let command = Command { session: 7, id: 1, valid_until: NOW, action: Action::ReadTrip };
    let unanswered = catch_unwind(|| {
        let mut witness = witness(State::Armed, None);
        witness.heard(&ToBoard::Command(command));
        witness.state(State::Armed);
    });
    assert!(unanswered.is_err());
}
