//! The board's image on an emulated Cortex-M4F, in place of the built-in board.
//!
//! These need the image and the emulator, and are therefore run by name:
//! `firmware/thumb.sh build --profile firmware -p stepwell-emulated`, then
//! `cargo test -p stepwell-tests --test emulated -- --ignored`.

use stepwell_emulated::exchange::LINE_BYTES_PER_TICK;
use stepwell_emulated::{EmulatedBench, Upset, What};
use stepwell_plant::FaultKind;
use stepwell_protocol::PROTOCOL_VERSION;
use stepwell_protocol::frame::{FRAME_MAX, encode};
use stepwell_protocol::identity::ResetCause;
use stepwell_protocol::message::{Action, Command, Hello, ToBoard};
use stepwell_protocol::time::Tick;
use stepwell_tests::emulated::{bench, image};
use stepwell_tests::operator::Operator;
use stepwell_tests::shipped::Scenario;
use stepwell_tests::{bits, run, run_on};
use stepwell_virtual::SimulatedBench;

/// Five per cent of what a 170 MHz processor does in a millisecond, at an instruction a cycle.
const INSTRUCTIONS_PER_TICK_MAX: u64 = 8_500;

fn framed(message: &ToBoard) -> Vec<u8> {
    let mut frame = [0; FRAME_MAX];
    let len = encode(message, &mut frame).unwrap();
    frame[..len].to_vec()
}

/// The built-in board and the image come to the same findings, to the last bit, and their outputs are the
/// same on every tick.
fn same_on_both(scenario: &Scenario) {
    let mut emulated = bench(scenario, None);
    let there = run_on(&mut emulated, |traced| traced, scenario.plan(), Operator::willing());
    let here = run(scenario);
    assert_eq!(bits(&there), bits(&here));
    assert_eq!(there.outcome, here.outcome);
    assert_eq!(there.events, here.events);
    assert!(there.trace == here.trace, "the traces differ");
}

#[test]
#[ignore = "needs the image"]
fn three_seeds_give_the_findings_of_the_built_in_bench() {
    assert!(image().is_file(), "build the image first: see the head of this file");
    for seed in [1, 7, 42] {
        same_on_both(&Scenario::healthy("acceptance", "heron", seed));
    }
}

#[test]
#[ignore = "needs the image"]
fn five_faults_give_the_findings_of_the_built_in_bench() {
    for fault in [
        FaultKind::InletCoilOpen,
        FaultKind::PressureCoilShortedTurns,
        FaultKind::BlockedFilter,
        FaultKind::WornPump,
        FaultKind::RailSensorStuck,
    ] {
        same_on_both(&Scenario::healthy("acceptance", "heron", 7).with(fault, 1.0));
    }
}

/// What the link may bring in a tick, over and over: what is no frame, frames without an end, and frames
/// of a host that asks as fast as it can.
#[test]
#[ignore = "needs the image"]
fn whatever_the_line_brings_a_tick_stays_within_its_time_and_nothing_moves() {
    let hello = framed(&ToBoard::Hello(Hello { protocol: PROTOCOL_VERSION, session: 1 }));
    let again = framed(&ToBoard::Command(Command {
        session: 1,
        id: 1,
        valid_until: Tick(u32::MAX / 4),
        action: Action::ReadTrip,
    }));
    let garbage: Vec<u8> = (0..96_u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 13) as u8).collect();
    let half = [&again[..again.len() / 2], &[0]].concat();
    for (name, bytes) in
        [("garbage", garbage), ("half frames", half), ("greetings", hello), ("commands", again)]
    {
        let mut bench =
            EmulatedBench::start(&image(), &Scenario::healthy("acceptance", "heron", 1).setup(), None)
                .unwrap_or_else(|error| panic!("{error}"));
        let mut said = Vec::new();
        for _ in 0..2_000 {
            let mut tick_full = Vec::new();
            while tick_full.len() + bytes.len() <= LINE_BYTES_PER_TICK {
                tick_full.extend_from_slice(&bytes);
            }
            bench.receive(&tick_full);
            bench.tick().unwrap();
            assert!(!bench.outputs().energised(), "{name}");
            bench.transmit(&mut said);
        }
        assert!(bench.now() == Tick(2_000) && !said.is_empty(), "{name}");
        let worst = bench.instructions().max();
        println!("{name}: worst tick {worst} instructions");
        assert!(worst <= INSTRUCTIONS_PER_TICK_MAX, "{name}: {worst}");
    }
}
