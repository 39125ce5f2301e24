//! What the board tells of itself all the time, and the burst that it keeps.

use crate::bench::{Bench, full_dwell, guards, quiet_dwell};
use stepwell_core::{BURST_SAMPLES, OUTBOX_BYTES, RESERVED_BYTES};
use stepwell_protocol::channel::{Channel, Coil};
use stepwell_protocol::dwell::Dwell;
use stepwell_protocol::message::{Action, BURST_PIECE, Refusal, Reply, ToBoard};
use stepwell_protocol::state::State;
use stepwell_protocol::telemetry::TICKS_PER_FRAME;
use stepwell_protocol::time::Tick;

#[test]
fn every_tick_is_told_from_the_first_one_on() {
    let mut bench = Bench::dwelling();
    bench.run(500);
    bench.rig.broken.guard_open = true;
    bench.run(500);
    let mut next = Tick(1);
    for (number, frame) in (0..).zip(&bench.heard.frames) {
        assert_eq!((frame.number, frame.first), (number, next));
        assert_eq!(frame.first_us, 1_000 * u64::from(next.0));
        assert_eq!(frame.rows.len(), TICKS_PER_FRAME);
        next = next.plus_ms(TICKS_PER_FRAME as u32);
    }
    // The last ten ticks may not be full, and the frame before may be a tick or two late.
    assert!(bench.board.now().ms_since(next) < 2 * TICKS_PER_FRAME as i32);
}

#[test]
fn a_row_carries_what_was_read_and_what_was_set_on_its_tick() {
    let mut bench = Bench::armed();
    let start = bench.board.now().plus_ms(5);
    let dwell = full_dwell(1, stepwell_protocol::dwell::Start::At(start), 100);
    assert_eq!(bench.ask(Action::Dwell(dwell)), Ok(Reply::Done));
    bench.run(300);
    let rows: Vec<_> = bench
        .heard
        .frames
        .iter()
        .flat_map(|frame| frame.rows.iter().zip(0..).map(|(row, ms)| (frame.first.plus_ms(ms), *row)))
        .collect();
    let statuses = bench.statuses();
    for ((tick, row), (_, status)) in rows.into_iter().zip(statuses) {
        let ms = tick.ms_since(start);
        let dwelling = (0..100).contains(&ms);
        assert_eq!(status.state == State::Dwelling, dwelling, "{ms}");
        assert_eq!(status.drive_on && status.supply_on && status.dump_closed, dwelling);
        assert_eq!(row[Channel::PressureDuty.index()], if dwelling { 4_000 } else { 0 });
        if (1..100).contains(&ms) {
            let current = row[Channel::PressureCurrent.index()];
            assert!((4_392..=4_408).contains(&current), "a tick after its duty: {current} at {ms}");
        }
    }
    let last = bench.statuses().last().unwrap().1;
    assert!(last.lease_alive && last.guards_set && last.stop_chain_closed && last.guard_closed);
    assert!(last.tank_level_ok && last.rail_proven_low && last.shaft_turning && !last.burst_ready);
}

#[test]
fn a_host_that_does_not_read_loses_whole_frames_of_telemetry_and_no_answer() {
    let mut bench = Bench::greeted();
    let mut heard_before = bench.heard.frames.len();
    // Ticks without listening: telemetry piles up to the reserve and no further.
    for dark in 0..2_000 {
        bench.tick_unheard(dark);
    }
    for _ in 0..4 {
        let command = bench.command(Action::ReadTrip);
        bench.board.receive(&crate::bench::framed(&ToBoard::Command(command)));
    }
    let acks_before = bench.heard.acks.len();
    bench.listen();
    assert_eq!(bench.heard.acks.len(), acks_before + 4);
    let piled: Vec<u32> = bench.heard.frames[heard_before..].iter().map(|frame| frame.number).collect();
    let room = OUTBOX_BYTES - RESERVED_BYTES;
    assert!(!piled.is_empty() && piled.len() < room / 20, "{piled:?}");
    heard_before = bench.heard.frames.len();
    bench.run(30);
    let after = bench.heard.frames[heard_before].number;
    // The last of them was full on the last dark tick and goes out two ticks later.
    assert_eq!(after, (1_000 + 2_000) / TICKS_PER_FRAME as u32 - 1, "the gap shows in the numbers");
}

#[test]
fn telemetry_leaves_the_reserve_free_and_a_full_ring_is_no_more_than_full() {
    let mut bench = Bench::greeted();
    let mut everything = [0; 2 * OUTBOX_BYTES];
    for reserve in [RESERVED_BYTES, 0] {
        for now_us in 0..2_000 {
            if reserve == 0 {
                // Answers may use the reserve too.
                bench.hello_unheard();
            }
            bench.tick_unheard(now_us);
        }
        let used = bench.board.transmit(&mut everything);
        assert!(used <= OUTBOX_BYTES - reserve, "{used}");
        // The largest frame that did not fit any more is far below 200 bytes on this quiet rig.
        assert!(used > OUTBOX_BYTES - reserve - 200, "{used}");
    }
}

/// Whatever room there is left, an answer is sent if it fits, to the last byte.
#[test]
fn an_answer_that_just_fits_is_sent() {
    let mut everything = [0; 2 * OUTBOX_BYTES];
    let used_with_one_more = |taken: usize| {
        let mut bench = Bench::greeted();
        for now_us in 0..200 {
            bench.hello_unheard();
            bench.tick_unheard(now_us);
        }
        let mut out = vec![0; taken];
        assert_eq!(bench.board.transmit(&mut out), taken);
        bench.hello_unheard();
        bench.board.transmit(&mut everything)
    };
    // An answer to a greeting is shorter than this, so one of these leaves exactly its length.
    let fullest = (0..150).map(used_with_one_more).max();
    assert_eq!(fullest, Some(OUTBOX_BYTES));
}

#[test]
fn ticks_that_answer_or_report_leave_telemetry_for_later_and_none_is_lost() {
    let mut bench = Bench::armed();
    // To the tick on which ten are full.
    bench.ms_until(10, |bench| bench.board.now().0.is_multiple_of(10));
    let start = bench.soon();
    assert_eq!(bench.ask(Action::Dwell(quiet_dwell(0, start, 1))), Ok(Reply::Done));
    for serial in 1..4 {
        let next = quiet_dwell(serial, stepwell_protocol::dwell::Start::AfterPrevious, 1);
        bench.ask(Action::Dwell(next)).unwrap();
    }
    let frames = bench.heard.frames.len();
    bench.run(5);
    assert_eq!(bench.heard.ended.len(), 4, "one a tick, from the second tick on");
    assert_eq!(bench.heard.frames.len(), frames, "put off, twice at most for a piece");
    bench.run(2);
    assert_eq!(bench.heard.frames.len(), frames + 1);
    bench.run(100);
    let numbers: Vec<u32> = bench.heard.frames.iter().map(|frame| frame.number).collect();
    assert!(numbers.windows(2).all(|pair| pair[1] == pair[0] + 1), "{numbers:?}");
}

fn burst_dwell(bench: &Bench, coil: Coil) -> Dwell {
    Dwell { burst: Some(coil), ..quiet_dwell(42, bench.soon(), 100) }
}

#[test]
fn a_burst_is_captured_from_the_first_tick_and_read_in_pieces() {
    let mut bench = Bench::armed();
    let dwell = burst_dwell(&bench, Coil::Pressure);
    assert_eq!(bench.ask(Action::Dwell(dwell)), Ok(Reply::Done));
    assert_eq!(bench.outputs.burst, None);
    bench.tick();
    assert_eq!(bench.outputs.burst, Some(Coil::Pressure));
    assert_eq!(bench.ask(Action::ReadBurst { offset: 0 }), Err(Refusal::NothingToRead));
    // 25 samples a tick.
    let ms = bench.ms_until(100, |bench| bench.outputs.burst.is_none());
    assert_eq!(ms, BURST_SAMPLES as u32 / 25);
    let mut samples = Vec::new();
    while samples.len() < BURST_SAMPLES {
        bench.tick();
        let offset = samples.len() as u16;
        let Ok(Reply::Burst(piece)) = bench.ask(Action::ReadBurst { offset }) else { panic!("a piece") };
        assert_eq!((piece.serial, piece.coil, piece.offset), (42, Coil::Pressure, offset));
        assert_eq!(usize::from(piece.total), BURST_SAMPLES);
        assert!(piece.counts.len() == BURST_PIECE);
        samples.extend(piece.counts);
    }
    // The rig's conversions: a tenth of the tick's sum, counted up through the tick.
    let expected: Vec<u16> = (0..BURST_SAMPLES as u16).map(|i| (400 + 4_000) / 10 + i % 25).collect();
    assert_eq!(samples, expected);
    assert_eq!(bench.ask(Action::ReadBurst { offset: 600 }), Err(Refusal::NothingToRead));
    assert_eq!(bench.ask(Action::ReadBurst { offset: u16::MAX }), Err(Refusal::NothingToRead));
    bench.run(20);
    assert!(bench.statuses().last().unwrap().1.burst_ready);
}

#[test]
fn a_burst_goes_on_through_a_trip_and_the_next_one_replaces_it() {
    let mut bench = Bench::armed();
    let dwell = burst_dwell(&bench, Coil::Inlet);
    assert_eq!(bench.ask(Action::Dwell(dwell)), Ok(Reply::Done));
    bench.run(5);
    bench.rig.broken.stop_chain_open = true;
    bench.run(100);
    let Ok(Reply::Burst(piece)) = bench.ask(Action::ReadBurst { offset: 590 }) else { panic!("a piece") };
    assert_eq!((piece.coil, piece.counts.len()), (Coil::Inlet, 10));
    bench.rig.broken.stop_chain_open = false;
    bench.run(6_000);
    assert_eq!(bench.ask(Action::ClearTrip), Ok(Reply::Done));
    assert_eq!(bench.arm(&guards()), Ok(Reply::Done));
    let dwell = burst_dwell(&bench, Coil::Pressure);
    assert_eq!(bench.ask(Action::Dwell(dwell)), Ok(Reply::Done));
    bench.run(20);
    assert_eq!(bench.ask(Action::ReadBurst { offset: 590 }), Err(Refusal::NothingToRead));
    bench.run(20);
    let Ok(Reply::Burst(piece)) = bench.ask(Action::ReadBurst { offset: 590 }) else { panic!("a piece") };
    assert_eq!((piece.coil, piece.total), (Coil::Pressure, BURST_SAMPLES as u16));
}
