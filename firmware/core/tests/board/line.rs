//! The line: any bytes, any split, any amount.

use crate::bench::{Bench, SESSION, framed, full_dwell, guards};
use stepwell_core::{ANSWERS_PER_TICK_MAX, Outputs};
use stepwell_protocol::LEASE_MS;
use stepwell_protocol::PROTOCOL_VERSION;
use stepwell_protocol::message::{Action, Command, Hello, Renew, ToBoard};
use stepwell_protocol::state::State;

/// A greeting, a renewal, guards, arming and a dwell, as bytes sent at this tick.
fn conversation(bench: &Bench) -> Vec<u8> {
    let now = bench.board.now();
    let valid_until = now.plus_ms(250);
    let command = |id, action| ToBoard::Command(Command { session: SESSION, id, valid_until, action });
    let start = stepwell_protocol::dwell::Start::At(now.plus_ms(5));
    [
        ToBoard::Hello(Hello { protocol: PROTOCOL_VERSION, session: SESSION }),
        ToBoard::Renew(Renew { session: SESSION, valid_until }),
        command(1, Action::SetGuards(guards())),
        command(2, Action::Arm { guards_checksum: guards().checksum() }),
        command(3, Action::Dwell(full_dwell(1, start, 50))),
    ]
    .iter()
    .flat_map(framed)
    .collect()
}

#[test]
fn every_split_of_a_conversation_means_the_same() {
    let start = Bench::switched_on();
    let bytes = conversation(&start);
    drop(start);
    let mut seen = Vec::new();
    for split in 0..=bytes.len() {
        let mut bench = Bench::switched_on();
        bench.board.receive(&bytes[..split]);
        bench.board.receive(&bytes[split..]);
        bench.run(10);
        assert_eq!(bench.board.state(), State::Dwelling, "split at {split}");
        seen.push(bench.heard.acks);
    }
    assert!(seen.windows(2).all(|pair| pair[0] == pair[1]));

    let mut bench = Bench::switched_on();
    for byte in &bytes {
        bench.board.receive(core::slice::from_ref(byte));
    }
    bench.run(10);
    assert_eq!(bench.board.state(), State::Dwelling, "byte by byte");
}

#[test]
fn no_damaged_byte_of_a_conversation_arms_anything_else_than_what_was_sent() {
    let bytes = conversation(&Bench::switched_on());
    for index in 0..bytes.len() {
        let mut damaged = bytes.clone();
        damaged[index] ^= 0x10;
        let mut bench = Bench::switched_on();
        bench.board.receive(&damaged);
        bench.run(10);
        // One frame is lost, so the chain of commands is broken somewhere.
        assert_ne!(bench.board.state(), State::Dwelling, "byte {index}");
        assert!(bench.is_at_rest());
    }
}

#[test]
fn text_probes_and_noise_before_a_greeting_move_nothing() {
    let mut bench = Bench::switched_on();
    for bytes in [&b"AT\r\nATZ\r\n"[..], b"login: root\n", &[0; 1_000], &[0xFF; 5_000], &[0x55, 0]] {
        bench.board.receive(bytes);
        bench.run(3);
    }
    assert_eq!(bench.board.state(), State::Rest);
    assert!(bench.heard.acks.is_empty() && bench.heard.trips.is_empty());
    // And the line is in step again at the next boundary.
    bench.board.receive(&[0]);
    bench.hello(SESSION);
    assert_eq!(bench.heard.welcomes.len(), 1);
}

#[test]
fn a_flood_of_valid_commands_is_answered_as_far_as_a_tick_allows_and_the_dwell_goes_on() {
    let mut bench = Bench::dwelling();
    let mut bytes = Vec::new();
    for _ in 0..500 {
        let command = bench.command(Action::ReadTrip);
        bytes.extend(framed(&ToBoard::Command(command)));
    }
    for _ in 0..100 {
        let before = bench.heard.acks.len();
        let outputs = bench.outputs;
        bench.board.receive(&bytes);
        bench.listen();
        assert_eq!(bench.heard.acks.len() - before, usize::from(ANSWERS_PER_TICK_MAX));
        bench.tick();
        assert_eq!(bench.outputs, outputs);
    }
    assert_eq!(bench.board.state(), State::Dwelling);
    // Renewals and stops get through.
    bench.renewing = false;
    bench.board.receive(&bytes);
    bench.renew();
    bench.run(LEASE_MS - 1);
    assert_eq!(bench.board.state(), State::Dwelling);
    bench.board.receive(&bytes);
    bench.send(&ToBoard::Stop);
    bench.tick();
    assert_eq!(bench.outputs, Outputs { inlet_duty_e4: 6_000, ..Outputs::REST });
}

#[test]
fn answers_that_nobody_reads_do_not_block_anything() {
    let mut bench = Bench::dwelling();
    let command = bench.command(Action::ReadTrip);
    let frame = framed(&ToBoard::Command(command));
    for _ in 0..1_000 {
        bench.board.receive(&frame);
    }
    let before = bench.heard.acks.len();
    bench.run(1);
    assert!(bench.heard.acks.len() > before);
    assert_eq!(bench.board.state(), State::Dwelling);
}
