//! Telemetry packing: there and back for any words, what it costs, and whether the line can carry it.
#![expect(clippy::unwrap_used, reason = "a check stops at the first surprise, in its helpers too")]

use proptest::collection::vec;
use proptest::prelude::*;
use proptest::strategy::ValueTree;
use proptest::test_runner::TestRunner;
use stepwell_protocol::channel::{CHANNELS, Channel, Sample};
use stepwell_protocol::frame::{FRAME_MAX, encode};
use stepwell_protocol::message::FromBoard;
use stepwell_protocol::telemetry::{BadPacking, PACKED_MAX, TICKS_PER_FRAME, TelemetryFrame, pack, unpack};
use stepwell_protocol::time::Tick;

/// What the line carries: 921 600 baud, ten bits a byte.
const LINE_BYTES_PER_S: usize = 921_600 / 10;
const TICKS_PER_S: usize = 1_000;

fn packed(samples: &[Sample]) -> Vec<u8> {
    let mut out = [0; PACKED_MAX];
    let len = pack(samples, &mut out).unwrap();
    out[..len].to_vec()
}

/// Length of a whole frame on the wire. Number and times are as long as they ever get.
fn wire_len(samples: &[Sample]) -> usize {
    let packed = packed(samples);
    let frame = TelemetryFrame {
        number: u32::MAX,
        first: Tick(u32::MAX),
        first_us: u64::MAX,
        ticks: samples.len() as u8,
        packed: &packed,
    };
    encode(&FromBoard::Telemetry(frame), &mut [0; FRAME_MAX]).unwrap()
}

/// Words of every kind: anything, small steps around a value, and the ends of the range.
fn ticks() -> impl Strategy<Value = Vec<Sample>> {
    let word = prop_oneof![any::<u16>(), 30_000..30_010_u16, Just(0), Just(u16::MAX), Just(0x8000)];
    let row = vec(word, CHANNELS).prop_map(|words| Sample::try_from(words).unwrap());
    vec(row, 1..=TICKS_PER_FRAME)
}

/// Bits by the rules of the page: first word, width, and the widest zigzag difference for each
/// further tick.
fn bits_by_the_page(samples: &[Sample]) -> usize {
    let column_bits = |column: usize| {
        let step = |pair: &[Sample]| {
            let d = i32::from(pair[1][column].wrapping_sub(pair[0][column]) as i16);
            if d >= 0 { 2 * d } else { -2 * d - 1 }
        };
        let widest = samples.windows(2).map(step).max().unwrap_or(0);
        16 + 5 + (samples.len() - 1) * (32 - widest.leading_zeros() as usize)
    };
    (0..CHANNELS).map(column_bits).sum()
}

proptest! {
    #[test]
    fn any_ticks_come_back(samples in ticks()) {
        let packed = packed(&samples);
        prop_assert_eq!(packed.len(), bits_by_the_page(&samples).div_ceil(8));
        let unpacked = unpack(&packed, samples.len() as u8).unwrap();
        prop_assert_eq!(unpacked.as_slice(), samples);
    }

    #[test]
    fn damaged_bytes_unpack_or_are_refused(
        samples in ticks(),
        damage in vec((any::<prop::sample::Index>(), any::<u8>()), 0..4),
        claimed in any::<u8>(),
    ) {
        let mut bytes = packed(&samples);
        for (at, byte) in damage {
            let at = at.index(bytes.len());
            bytes[at] = byte;
        }
        for ticks in [samples.len() as u8, claimed] {
            if let Ok(samples) = unpack(&bytes, ticks) {
                prop_assert_eq!(samples.len(), usize::from(ticks));
                prop_assert!(packed(&samples).len() <= bytes.len(), "never longer than what it came from");
            }
        }
    }

    #[test]
    fn cut_short_or_drawn_out_is_refused(samples in ticks(), extra in any::<u8>()) {
        let packed = packed(&samples);
        for len in 0..packed.len() {
            prop_assert_eq!(unpack(&packed[..len], samples.len() as u8), Err(BadPacking));
        }
        let longer = [packed.as_slice(), &[extra]].concat();
        prop_assert_eq!(unpack(&longer, samples.len() as u8), Err(BadPacking));
    }
}

#[test]
fn fill_bits_must_be_zero_and_widths_sixteen_at_most() {
    let mut bytes = packed(&[[0; CHANNELS]]);
    // 14 columns of 21 bits leave two bits of the last byte unused.
    assert_eq!((14 * 21) % 8, 6);
    *bytes.last_mut().unwrap() = 0x40;
    assert_eq!(unpack(&bytes, 1), Err(BadPacking));
    let mut bytes = packed(&[[0; CHANNELS]]);
    bytes[2] = 17;
    assert_eq!(unpack(&bytes, 1), Err(BadPacking));
    bytes[2] = 16;
    assert_eq!(unpack(&bytes, 1).unwrap().as_slice(), [[0; CHANNELS]], "one tick has no differences");
}

#[test]
fn no_ticks_too_many_and_too_little_room_are_refused() {
    let mut out = [0; 2 * PACKED_MAX];
    assert_eq!(pack(&[], &mut out), Err(BadPacking));
    assert_eq!(pack(&[[0; CHANNELS]; TICKS_PER_FRAME + 1], &mut out), Err(BadPacking));
    assert_eq!(unpack(&[0; 37], 0), Err(BadPacking));
    assert_eq!(unpack(&[0; 37], TICKS_PER_FRAME as u8 + 1), Err(BadPacking));
    let samples = [[1; CHANNELS], [3; CHANNELS]];
    let len = packed(&samples).len();
    for room in 0..len {
        assert_eq!(pack(&samples, &mut out[..room]), Err(BadPacking));
    }
    assert_eq!(pack(&samples, &mut out[..len]), Ok(len));
}

#[test]
fn a_quiet_column_costs_twenty_one_bits() {
    for ticks in 1..=TICKS_PER_FRAME {
        let quiet = vec![[0xABCD; CHANNELS]; ticks];
        assert_eq!(packed(&quiet).len(), (CHANNELS * 21).div_ceil(8), "{ticks} ticks");
    }
    // One column that steps by one costs two bits more for each further tick, the others nothing.
    let mut stepping = [[500; CHANNELS]; TICKS_PER_FRAME];
    for (tick, row) in stepping.iter_mut().enumerate() {
        row[Channel::FlowCount.index()] = tick as u16;
    }
    assert_eq!(packed(&stepping).len(), (CHANNELS * 21 + 2 * 9_usize).div_ceil(8));
}

/// Every word jumps by half the range on every tick, which is the largest difference there is.
fn worst() -> [Sample; TICKS_PER_FRAME] {
    core::array::from_fn(|tick| [if tick % 2 == 0 { 0x7FFF } else { 0xFFFF }; CHANNELS])
}

#[test]
fn the_packed_maximum_is_reached_and_never_exceeded() {
    assert_eq!(packed(&worst()).len(), PACKED_MAX);
    // 1 tag, number 5, tick 5, microseconds 10, ticks 1, length 2; checksum 4; COBS one byte per
    // 254 begun; boundary 1.
    let body_max = 1 + 5 + 5 + 10 + 1 + 2 + PACKED_MAX;
    let wire_max = body_max + 4 + (body_max + 4).div_ceil(254) + 1;
    assert!(wire_len(&worst()) <= wire_max);
    assert_eq!(wire_max, 320, "as the page says");
    assert!(wire_max <= FRAME_MAX);
}

/// One second of a rig at work, tick by tick.
///
/// Sixteen 12-bit conversions a tick. Sensors and supply: one conversion carries a noise of 2 counts
/// rms, an assumption on the cautious side of converters with 1 count; sixteen add up to 8. Coil
/// currents: the exponential ripple of a 200 Hz PWM at 35 % through a coil of 5 ms time constant,
/// which a 1 kHz tick sees in full, and the same noise. Flow 40 pulses, speed 300 pulses a second.
fn a_second_at_work() -> Vec<Sample> {
    let mut runner = TestRunner::deterministic();
    // Twelve uniform numbers add up to a normal one of variance 1, near enough for a noise.
    let uniforms = vec(-0.5..0.5_f64, 12);
    let mut noise = || uniforms.new_tree(&mut runner).unwrap().current().iter().sum::<f64>();
    let mut sum_noise = |rms: f64| (rms * noise()).round() as i32;
    let pulses = |tick: usize, per_s: usize| {
        let count = tick * per_s / TICKS_PER_S;
        let edge_us = count * 1_000_000 / per_s;
        (count as u16, edge_us as u16)
    };
    let mut current = 0.0_f64;
    let second = 0..2 * TICKS_PER_S;
    let rows = second.map(|tick| {
        // Twenty steps of 50 µs; the word is their mean.
        let mut sum = 0.0;
        for step in 0..20 {
            let on = (tick * 20 + step) % 100 < 35;
            current += (if on { 40_000.0 } else { 0.0 } - current) * (50e-6 / 5e-3);
            sum += current;
        }
        let coil = (sum / 20.0) as i32;
        let (flow_count, flow_edge) = pulses(tick, 40);
        let (speed_count, speed_edge) = pulses(tick, 300);
        let rail = 30_000 + (tick % 100) as i32;
        let analog = [rail, 6_600, coil, coil, 24_000, 30_500, 29_999];
        let [a, b, c, d, e, f, g] = analog.map(|level| (level + sum_noise(8.0)) as u16);
        [a, b, c, d, e, f, g, flow_count, flow_edge, speed_count, speed_edge, 3_500, 3_500, 0x27EA]
    });
    // The first second lets the current settle.
    rows.skip(TICKS_PER_S).collect()
}

#[test]
fn all_columns_at_1_khz_take_less_than_half_of_the_line() {
    let per_tick = |frames: &[&[Sample]]| {
        let bytes: usize = frames.iter().map(|frame| wire_len(frame)).sum();
        let ticks: usize = frames.iter().map(|frame| frame.len()).sum();
        bytes as f64 / ticks as f64
    };
    let share = |per_tick: f64| per_tick * TICKS_PER_S as f64 / LINE_BYTES_PER_S as f64;
    let rows = a_second_at_work();
    let at_work = per_tick(&rows.chunks(TICKS_PER_FRAME).collect::<Vec<_>>());
    let quiet = per_tick(&[&[[0; CHANNELS]; TICKS_PER_FRAME]]);
    let worst = per_tick(&[&worst()]);
    for (name, bytes) in [("quiet", quiet), ("at work", at_work), ("worst", worst)] {
        println!("{name}: {bytes:.1} bytes a tick, {:.1} % of the line", 100.0 * share(bytes));
    }
    assert!(quiet < at_work && at_work < worst);
    assert!(share(worst) < 0.5);
}
