//! The board's image on an emulated Cortex-M4F, in place of the built-in board.
//!
//! These need the image and the emulator, and are therefore run by name:
//! `firmware/thumb.sh build --profile firmware -p stepwell-emulated`, then
//! `cargo test -p stepwell-tests --test emulated -- --ignored`.

use std::fs::File;
use std::io::{BufRead, BufReader};
use std::path::Path;
use stepwell_emulated::exchange::LINE_BYTES_PER_TICK;
use stepwell_emulated::{EmulatedBench, Upset, UpsetKind};
use stepwell_plant::FaultKind;
use stepwell_procedure::finding::Verdict;
use stepwell_protocol::PROTOCOL_VERSION;
use stepwell_protocol::frame::{Deframer, FRAME_MAX, decode, encode};
use stepwell_protocol::message::{Action, Command, FromBoard, Hello, ToBoard};
use stepwell_protocol::time::Tick;
use stepwell_tests::emulated::{bench, image};
use stepwell_tests::operator::Operator;
use stepwell_tests::shipped::Scenario;
use stepwell_tests::trace::Moment;
use stepwell_tests::wire::Cut;
use stepwell_tests::{bits, run, run_on};
use stepwell_virtual::SimulatedBench;

/// UpsetKind a 170 MHz processor can do in a millisecond, at an instruction a cycle.
const INSTRUCTIONS_PER_MS: u64 = 170_000;

fn framed(message: &ToBoard) -> Vec<u8> {
    let mut frame = [0; FRAME_MAX];
    let len = encode(message, &mut frame).expect("a message fits a frame");
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

/// UpsetKind the link may bring in a tick, over and over: what is no frame, frames without an end, and frames
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
        assert!(worst <= INSTRUCTIONS_PER_MS / 2, "{name}: {worst}");
    }
}

/// A tick of a healthy run on which the drive holds the rail under pressure, and would for longer than a
/// lease lasts.
fn a_tick_under_pressure(scenario: &Scenario) -> u32 {
    let trace = run(scenario).trace;
    let held = |moments: &&[Moment]| moments.iter().all(|moment| moment.drive_on() && moment.rail_pa > 5.0e6);
    trace.windows(700).find(held).expect("a healthy pump holds 5 MPa for 700 ms")[100].tick
}

/// Whatever befalls the processor in the middle of a run: the outputs are at rest within the watchdog's
/// period, the operator reads why, the next run asks about it before anything else, and goes through.
#[test]
#[ignore = "needs the image"]
fn a_processor_that_falls_leaves_everything_at_rest_and_says_why() {
    let scenario = Scenario::healthy("acceptance", "heron", 7);
    let at_tick = a_tick_under_pressure(&scenario);
    for (what, held_ms_max, words) in [
        (UpsetKind::Hang, 50, "its watchdog found its program hung"),
        (UpsetKind::HardFault, 1, "a fault in its program"),
        (UpsetKind::StackOverflow, 1, "a fault in its program"),
        (UpsetKind::Panic, 1, "a fault in its program"),
        (UpsetKind::BrownOut, 1, "its own supply voltage dipped"),
    ] {
        let mut bench = bench(&scenario, Some(Upset { what, at_tick }));
        let fallen = run_on(&mut bench, |traced| traced, scenario.plan(), Operator::willing());
        let before = &fallen.trace[at_tick as usize - 2];
        assert!(before.outputs.energised() && before.rail_pa > 5.0e6, "{what:?}: not under pressure");
        let held_ms = bench.bench().rest_after_upset_ms();
        assert!(held_ms.is_some_and(|ms| ms <= held_ms_max), "{what:?}: at rest after {held_ms:?} ms");
        let lost = fallen.lost.unwrap_or_default();
        println!("{what:?}: at rest after {held_ms:?} ms; {lost}");
        assert!(lost.contains(words), "{what:?}: {lost}");
        assert!(
            fallen.trace[at_tick as usize..].iter().all(|moment| !moment.outputs.energised()),
            "{what:?}"
        );

        // A board that does not know how long the drive has been off waits for the shaft.
        bench.alone(10_000);
        let next = run_on(&mut bench, |traced| traced, scenario.plan(), Operator::willing());
        let asked = next.prompts.first().map(|prompt| prompt.text.clone()).unwrap_or_default();
        println!("{what:?}: {asked}");
        assert!(asked.contains(words), "{what:?}: {asked}");
        assert_eq!(next.outcome.verdict, Verdict::Pass, "{what:?}: {:?}\n{}", next.outcome, next.told());
    }
}

/// The host is gone in the middle of a dwell: by the board's own clock nothing but the relieving hold is driven
/// 500 ms after the last renewal, and that for as long as the pump coasts, 5 s at most.
#[test]
#[ignore = "needs the image"]
fn a_host_that_is_gone_leaves_the_image_at_rest_within_half_a_second() {
    let scenario = Scenario::healthy("acceptance", "heron", 7);
    let at_tick = a_tick_under_pressure(&scenario);
    let mut wire = Cut::new(bench(&scenario, None), at_tick);
    let gone = run_on(&mut wire, |wire| &wire.bench, scenario.plan(), Operator::willing());
    wire.bench.alone(6_000);
    let since = |moment: &&Moment| moment.tick >= at_tick;
    let worked = |moment: &&Moment| {
        let outputs = &moment.outputs;
        outputs.supply_on || outputs.drive_rpm > 0 || outputs.dump_closed
    };
    let ms = wire.bench.trace().iter().filter(since).take_while(worked).count();
    let held_ms =
        wire.bench.trace().iter().filter(since).take_while(|moment| moment.outputs.energised()).count();
    println!(
        "host gone at tick {at_tick}: stopped after {ms} ms, at rest after {held_ms} ms, {:?}",
        gone.lost
    );
    assert!((1..=500).contains(&ms), "{ms}");
    assert!(wire.bench.trace().iter().filter(since).skip(ms).all(|moment| !worked(&moment)));
    assert!((ms..=500 + 5_000).contains(&held_ms), "{held_ms}");
    assert!(wire.bench.trace().iter().filter(since).skip(held_ms).all(|moment| !moment.outputs.energised()));
}

/// The image's own count of the instructions of a tick, from its timer, beside a second one: the emulator's
/// log of every instruction it carries out, from the call of the tick to the return from it.
#[test]
#[ignore = "needs the image"]
fn instructions_are_counted_alike_by_the_timer_and_by_the_log() {
    let folder = tempfile::tempdir().expect("a folder for the log");
    let log = folder.path().join("instructions.log");
    let setup = Scenario::healthy("acceptance", "heron", 1).setup();
    let mut bench =
        EmulatedBench::start_logged(&image(), &setup, &log).unwrap_or_else(|error| panic!("{error}"));
    let mut by_timer = Vec::new();
    for tick in 0..200_u32 {
        if tick.is_multiple_of(50) {
            bench.receive(&framed(&ToBoard::Hello(Hello { protocol: PROTOCOL_VERSION, session: 1 })));
        }
        bench.tick().unwrap();
        by_timer.push(bench.latest_instructions());
    }
    drop(bench);
    let by_log = ticks_in_log(&log, stepwell_tests::budget::address_of(&image(), "5image4tick"));
    assert_eq!(by_log.len(), by_timer.len(), "ticks in the log");
    // The timer's reading also spans the call itself, the copying of what it returns, and the reading:
    // always the same instructions. It counts 1.6 for one of them, so it can be one off.
    let extra: Vec<_> = by_timer.iter().zip(&by_log).map(|(timer, log)| timer - log).collect();
    let (least, most) = (extra.iter().min().copied(), extra.iter().max().copied());
    println!("by the log {by_log:?}, by the timer {least:?} to {most:?} more");
    assert!(most <= least.map(|least| least + 1), "{extra:?}");
    assert!(by_log.iter().max() > by_log.iter().min(), "ticks differ in what they do");
}

/// Instructions from each call of the function at `entry` to its return.
fn ticks_in_log(log: &Path, entry: u64) -> Vec<u64> {
    let (mut counts, mut last, mut within) = (Vec::new(), 0, None);
    for line in BufReader::new(File::open(log).expect("a log")).lines() {
        let line = line.expect("a line");
        let Some(fields) = line.split_once('[').and_then(|(_, rest)| rest.split('/').nth(1)) else {
            continue;
        };
        let at = u64::from_str_radix(fields, 16).expect("an address");
        match &mut within {
            Some((back, count)) if at == *back => {
                counts.push(*count);
                within = None;
            }
            Some((_, count)) => *count += 1,
            // Called by an instruction of four bytes.
            None if at == entry => within = Some((last + 4, 1)),
            None => {}
        }
        last = at;
    }
    counts
}

/// A host of another version is refused by the image with the version that the image speaks. (UpsetKind the
/// host then says, with both versions, is checked where it is said: `host/session/src/link.rs`.)
#[test]
#[ignore = "needs the image"]
fn the_image_names_its_version_to_a_host_of_another() {
    let setup = Scenario::healthy("acceptance", "heron", 1).setup();
    let mut bench = EmulatedBench::start(&image(), &setup, None).unwrap_or_else(|error| panic!("{error}"));
    bench.receive(&framed(&ToBoard::Hello(Hello { protocol: PROTOCOL_VERSION + 1, session: 1 })));
    let mut said = Vec::new();
    for _ in 0..20 {
        bench.tick().unwrap();
        bench.transmit(&mut said);
    }
    let mut deframer = Deframer::new();
    let (mut left, mut versions) = (said.as_slice(), Vec::new());
    while let Some(body) = deframer.next_body(&mut left) {
        if let Ok(FromBoard::WrongVersion { protocol, firmware }) = body.and_then(decode) {
            versions.push((protocol, firmware.as_str().to_owned()));
        }
    }
    assert_eq!(versions, [(PROTOCOL_VERSION, env!("CARGO_PKG_VERSION").to_owned())]);
}
