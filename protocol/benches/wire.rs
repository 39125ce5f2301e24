//! What one telemetry frame costs on a computer: packing and unpacking its ten ticks, writing it as
//! a frame, finding it in the stream and reading it. One frame is ten milliseconds of telemetry.
#![expect(clippy::unwrap_used, reason = "a bench stops at the first surprise")]

use divan::{Bencher, black_box};
use stepwell_protocol::channel::{CHANNELS, Sample};
use stepwell_protocol::frame::{Deframer, FRAME_MAX, decode, encode};
use stepwell_protocol::message::FromBoard;
use stepwell_protocol::telemetry::{PACKED_MAX, TICKS_PER_FRAME, TelemetryFrame, pack, unpack};
use stepwell_protocol::time::Tick;

fn main() {
    divan::main();
}

/// Ten ticks of differences of up to eight bits in every column: as much as a rig at work.
fn samples() -> [Sample; TICKS_PER_FRAME] {
    core::array::from_fn(|tick| {
        core::array::from_fn(|column| 30_000 + (tick * 37 + column * 11) as u16 % 61 * 2)
    })
}

fn packed() -> Vec<u8> {
    let mut out = [0; PACKED_MAX];
    let len = pack(&samples(), &mut out).unwrap();
    out[..len].to_vec()
}

fn message(packed: &[u8]) -> FromBoard<'_> {
    let ticks = TICKS_PER_FRAME as u8;
    let (first, first_us) = (Tick(3_600_000), 3_600_000_000);
    FromBoard::Telemetry(TelemetryFrame { number: 360_000, first, first_us, ticks, packed })
}

#[divan::bench]
fn pack_a_frame(bencher: Bencher<'_, '_>) {
    let samples = samples();
    let mut out = [0; PACKED_MAX];
    bencher.bench_local(|| pack(black_box(&samples), &mut out));
}

#[divan::bench]
fn unpack_a_frame(bencher: Bencher<'_, '_>) {
    let packed = packed();
    bencher.bench(|| unpack(black_box(&packed), TICKS_PER_FRAME as u8));
}

#[divan::bench]
fn encode_a_frame(bencher: Bencher<'_, '_>) {
    let packed = packed();
    let message = message(&packed);
    let mut out = [0; FRAME_MAX];
    bencher.bench_local(|| encode(black_box(&message), &mut out));
}

#[divan::bench]
fn deframe_and_decode_a_frame(bencher: Bencher<'_, '_>) {
    let packed = packed();
    let mut out = [0; FRAME_MAX];
    let len = encode(&message(&packed), &mut out).unwrap();
    let mut deframer = Deframer::new();
    bencher.bench_local(|| {
        let mut wire = black_box(&out[..len]);
        let body = deframer.next_body(&mut wire).unwrap().unwrap();
        let FromBoard::Telemetry(TelemetryFrame { number, .. }) = decode(body).unwrap() else { panic!() };
        number
    });
}

/// The least a host does with a byte of telemetry: from the line to fourteen columns.
#[divan::bench]
fn from_the_line_to_columns(bencher: Bencher<'_, '_>) {
    let packed = packed();
    let mut out = [0; FRAME_MAX];
    let len = encode(&message(&packed), &mut out).unwrap();
    let mut deframer = Deframer::new();
    bencher.counter(divan::counter::BytesCount::new(len)).bench_local(|| {
        let mut wire = black_box(&out[..len]);
        let body = deframer.next_body(&mut wire).unwrap().unwrap();
        let FromBoard::Telemetry(frame) = decode(body).unwrap() else { panic!() };
        let samples = unpack(frame.packed, frame.ticks).unwrap();
        samples.iter().fold([0_u16; CHANNELS], |_, sample| *sample)
    });
}
