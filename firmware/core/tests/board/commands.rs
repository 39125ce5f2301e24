//! Sessions and numbers: every command counts once, in its turn and in its time.

use crate::bench::{Bench, SESSION, facts, guards, quiet_dwell};
use stepwell_core::BoardFacts;
use stepwell_protocol::LEASE_MS;
use stepwell_protocol::message::{Action, HandWork, Refusal, Reply, ToBoard, TripCause};
use stepwell_protocol::state::State;
use stepwell_protocol::time::Tick;

#[test]
fn a_repeated_command_is_answered_again_and_not_carried_out_again() {
    let mut bench = Bench::armed();
    let start = bench.soon();
    let command = bench.command(Action::Dwell(quiet_dwell(1, start, 50)));
    assert_eq!(bench.ask_as(command), Ok(Reply::Done));
    let first = bench.heard.acks.last().unwrap().clone();
    // While it runs, when it is over, and when it would be late: the same answer, no second dwell.
    for _ in 0..10 {
        bench.run(40);
        assert_eq!(bench.ask_as(command), Ok(Reply::Done));
        assert_eq!(bench.heard.acks.last(), Some(&first), "to the tick");
    }
    assert_eq!(bench.heard.ended.len(), 1);
}

#[test]
fn reordered_replayed_and_skipped_commands_never_act() {
    let mut bench = Bench::armed();
    let start = bench.soon();
    let old = bench.command(Action::Dwell(quiet_dwell(1, start, 50)));
    let new = bench.command(Action::Disarm);
    assert_eq!(bench.ask_as(new), Err(Refusal::OutOfOrder { expected: old.id }));
    assert_eq!(bench.board.state(), State::Armed);
    assert_eq!(bench.ask_as(old), Ok(Reply::Done));
    assert_eq!(bench.ask_as(new), Ok(Reply::Done));
    bench.run(200);
    assert_eq!(bench.board.state(), State::Rest);
    // A recording of it all, played again.
    assert_eq!(bench.ask_as(old), Err(Refusal::OutOfOrder { expected: new.id + 1 }));
    assert_eq!(bench.ask_as(new), Ok(Reply::Done));
    bench.run(200);
    assert_eq!(bench.board.state(), State::Rest);
    assert!(bench.is_at_rest());
}

#[test]
fn a_late_command_is_refused_and_uses_up_its_number() {
    let mut bench = Bench::armed();
    let command = bench.command(Action::Disarm);
    bench.run(300);
    assert_eq!(bench.ask_as(command), Err(Refusal::Late { late_ms: 50 }));
    assert_eq!(bench.board.state(), State::Armed);
    assert_eq!(bench.ask(Action::Disarm), Ok(Reply::Done));
}

#[test]
fn numbers_go_round() {
    let mut bench = Bench::greeted();
    for id in 1..=u16::MAX {
        if id.is_multiple_of(4) {
            bench.tick();
        }
        let command = bench.command(Action::ReadTrip);
        assert_eq!(command.id, id);
        assert_eq!(bench.ask_as(command), Err(Refusal::NothingToRead));
        bench.heard.acks.clear();
    }
    bench.tick();
    let command = bench.command(Action::ReadTrip);
    assert_eq!(command.id, 0);
    assert_eq!(bench.ask_as(command), Err(Refusal::NothingToRead));
}

#[test]
fn a_lost_welcome_can_be_asked_for_again_without_starting_over() {
    let mut bench = Bench::armed();
    let due = bench.next_id;
    bench.hello(SESSION);
    assert_eq!(bench.heard.welcomes.len(), 2);
    assert_eq!(bench.board.state(), State::Armed);
    assert_eq!(bench.next_id, due);
    assert_eq!(bench.ask(Action::Disarm), Ok(Reply::Done));
}

#[test]
fn a_host_that_starts_again_takes_over_once_the_old_lease_has_run_out() {
    let mut bench = Bench::dwelling();
    bench.renewing = false;
    bench.rig.broken.pressure_trapped = true;
    bench.hello(SESSION + 1);
    assert_eq!(bench.heard.busy, [SESSION + 1]);
    bench.run(600);
    assert_eq!(bench.board.state(), State::Stopping);
    bench.hello(SESSION + 1);
    assert_eq!(bench.heard.welcomes.last().map(|identity| identity.session), Some(SESSION + 1));
    bench.run(5_000);
    assert_eq!(bench.board.state(), State::Tripped, "a greeting clears no trip");
    // The old session is over.
    assert_eq!(bench.ask(Action::ClearTrip), Err(Refusal::WrongSession));
}

#[test]
fn a_new_session_at_rest_starts_its_numbers_again() {
    let mut bench = Bench::greeted();
    assert_eq!(bench.ask(Action::SetGuards(guards())), Ok(Reply::Done));
    bench.renewing = false;
    bench.run(LEASE_MS + 1);
    bench.hello(SESSION + 1);
    let mut command = bench.command(Action::ReadTrip);
    command.session = SESSION + 1;
    assert_eq!(bench.ask_as(command), Err(Refusal::OutOfOrder { expected: 1 }));
    command.id = 1;
    assert_eq!(bench.ask_as(command), Err(Refusal::NothingToRead));
}

#[test]
fn a_new_session_inherits_neither_the_lease_nor_the_reports_of_the_one_before() {
    let mut bench = Bench::armed();
    let start = bench.soon();
    assert_eq!(bench.ask(Action::Dwell(quiet_dwell(5, start, 10))), Ok(Reply::Done));
    bench.run(200);
    assert_eq!(bench.ask(Action::Disarm), Ok(Reply::Done));
    assert!(bench.ask(Action::ReadDwell { serial: 5 }).is_ok());
    bench.renewing = false;
    bench.run(LEASE_MS + 1);
    bench.hello(SESSION + 1);
    bench.next_id = 1;
    let mut as_new = |action| {
        let command = bench.command(action);
        bench.tick();
        bench.ask_as(stepwell_protocol::message::Command { session: SESSION + 1, ..command })
    };
    assert_eq!(as_new(Action::ReadDwell { serial: 5 }), Err(Refusal::NothingToRead));
    let arm = Action::Arm { guards_checksum: guards().checksum() };
    assert_eq!(as_new(arm), Err(Refusal::NotReady(TripCause::LeaseLost)));
}

#[test]
fn the_welcome_says_who_the_board_is() {
    let mut bench = Bench::greeted();
    let identity = bench.heard.welcomes.pop().unwrap();
    assert_eq!(identity.board, "test bench");
    assert_eq!(identity.session, SESSION);
    assert_eq!(identity.now, Tick(1_000));
    assert_eq!(identity.drive_left_ms, 10_000);
    assert!(identity.simulated);
}

#[test]
fn names_too_long_for_the_wire_are_cut_and_not_lost() {
    let mut bench = Bench::with(BoardFacts {
        board: "a board with a name much longer than anybody needs",
        firmware: "1.2.3-überlänge-ü",
        ..facts()
    });
    bench.hello(SESSION);
    let identity = bench.heard.welcomes.pop().unwrap();
    assert_eq!(identity.board, "a board with a name much longer ");
    assert_eq!(identity.firmware, "1.2.3-überläng");
}

#[test]
fn there_is_no_trip_to_read_or_clear_on_a_healthy_board() {
    let mut bench = Bench::greeted();
    assert_eq!(bench.ask(Action::ReadTrip), Err(Refusal::NothingToRead));
    assert_eq!(bench.ask(Action::ClearTrip), Err(Refusal::InState(State::Rest)));
    assert_eq!(bench.ask(Action::ReadDwell { serial: 1 }), Err(Refusal::NothingToRead));
}

#[test]
fn a_trip_is_not_cleared_before_the_staged_stop_is_over() {
    let mut bench = Bench::dwelling();
    bench.rig.broken.pressure_trapped = true;
    bench.rig.broken.guard_open = true;
    bench.run(100);
    bench.rig.broken.guard_open = false;
    bench.run(10);
    assert_eq!(bench.ask(Action::ClearTrip), Err(Refusal::InState(State::Stopping)));
    assert_eq!(bench.ask(Action::Disarm), Err(Refusal::Tripped(TripCause::GuardOpen)));
}

#[test]
fn hand_work_reaches_a_simulated_rig_on_its_tick_and_once() {
    let mut bench = Bench::greeted();
    let at = bench.board.now().plus_ms(20);
    for work in [HandWork::PrimerStroke, HandWork::PrimerStroke, HandWork::UnionCracked] {
        assert_eq!(bench.ask(Action::HandWork { at, work }), Ok(Reply::Done));
    }
    bench.run(100);
    let expected = [
        (at, HandWork::PrimerStroke),
        (at.plus_ms(1), HandWork::PrimerStroke),
        (at.plus_ms(2), HandWork::UnionCracked),
    ];
    assert_eq!(bench.hand_work, expected);
    let past = bench.board.now().minus_ms(9);
    let late = bench.ask(Action::HandWork { at: past, work: HandWork::PrimerStroke });
    assert_eq!(late, Err(Refusal::Late { late_ms: 10 }));
}

#[test]
fn hand_work_moves_nothing_on_a_real_board() {
    let mut bench = Bench::with(BoardFacts { simulated: false, ..facts() });
    bench.hello(SESSION);
    let at = bench.board.now().plus_ms(1);
    assert_eq!(bench.ask(Action::HandWork { at, work: HandWork::UnionCracked }), Ok(Reply::Done));
    bench.run(10);
    assert_eq!(bench.hand_work, []);
}

#[test]
fn a_command_that_is_sent_twice_in_one_write_acts_once() {
    let mut bench = Bench::armed();
    let command = bench.command(Action::Disarm);
    let frame = crate::bench::framed(&ToBoard::Command(command));
    bench.board.receive(&[frame.clone(), frame].concat());
    bench.listen();
    let [.., first, second] = &bench.heard.acks[..] else { panic!("two answers") };
    assert_eq!(first, second);
}
