//! How much room a run takes: six minutes of all columns, modelled with the noise and the edges that make
//! real ones hard to pack.

use crate::sample::*;
use stepwell_protocol::channel::{CHANNELS, Channel, Sample};
use stepwell_protocol::time::Tick;
use stepwell_store::Store;

const SECONDS: u32 = 360;

/// Standard deviation of the noise in counts of the analogue columns: sums of 16 conversions of 12 bits,
/// with 0.5 to 2 counts of noise in each conversion.
const NOISE_COUNTS: [f64; 7] = [8.0, 4.0, 6.0, 6.0, 2.0, 2.0, 2.0];

/// A standard normal number to a few per cent: the sum of twelve uniform ones. Knuth's generator for
/// 64-bit linear congruences (from memory); any with unrelated high bits will do.
fn normal(state: &mut u64) -> f64 {
    let mut uniform = || {
        *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (*state >> 40) as f64 / f64::from(1 << 24)
    };
    (0..12).map(|_| uniform()).sum::<f64>() - 6.0
}

/// One tick: levels that step with the work every 20 s, ripple of the pump at 40 Hz on the rail, pulses of
/// flow every 41 ms and of the shaft every 6 ms.
fn sample(tick: u32, random: &mut u64) -> Sample {
    let phase = tick / 20_000 % 5;
    let ripple = f64::from(tick % 25) * (std::f64::consts::TAU / 25.0);
    let levels = [
        9_000.0 + 8_000.0 * f64::from(phase) + 120.0 * ripple.sin(),
        21_000.0 + 15.0 * ripple.sin(),
        14_000.0 + 2_000.0 * f64::from(phase % 2),
        11_000.0 + 3_000.0 * f64::from(phase),
        48_000.0,
        30_000.0 + f64::from(tick) * 0.01,
        28_000.0 + f64::from(tick) * 0.005,
    ];
    let mut sample = [0; CHANNELS];
    for ((word, level), noise) in sample.iter_mut().zip(levels).zip(NOISE_COUNTS) {
        *word = (level + noise * normal(random)) as u16;
    }
    for (count, edge, period_us) in
        [(Channel::FlowCount, Channel::FlowEdge, 41_237), (Channel::SpeedCount, Channel::SpeedEdge, 6_011)]
    {
        let pulses = u64::from(tick) * 1_000 / period_us;
        sample[count.index()] = pulses as u16;
        sample[edge.index()] = (pulses * period_us) as u16;
    }
    sample[Channel::InletDuty.index()] = 2_500 + 500 * (phase % 2) as u16;
    sample[Channel::PressureDuty.index()] = 2_000 + 1_000 * phase as u16;
    sample[Channel::Status.index()] = 0x00c3 | (phase as u16) << 8;
    sample
}

#[test]
fn six_minutes_of_all_columns_stay_small() {
    let (_folder, path) = folder();
    let mut store = Store::open(&path).unwrap();
    let mut writer = store.begin(&head("a")).unwrap();
    let mut random = 7;
    for second in 0..SECONDS {
        let first = second * 1_000;
        let samples: Vec<Sample> = (first..first + 1_000).map(|tick| sample(tick, &mut random)).collect();
        writer.samples_at(Tick(first), u64::from(first) * 1_000, &samples);
        writer.commit().unwrap();
    }
    writer.seal(&outcome(), LINK_STATISTICS).unwrap();
    drop(store);

    let bytes = std::fs::metadata(&path).unwrap().len() as f64;
    let ticks = f64::from(SECONDS) * 1_000.0;
    let samples = ticks * CHANNELS as f64;
    println!("{bytes} bytes, {:.3} bytes per sample", bytes / samples);

    // What the noise cannot be packed below, log2(sigma sqrt(2 pi e)) bits per sample (the entropy of a
    // normal distribution), with half a bit more for taking differences of it. An edge column is known
    // from its period only to one who looks for it: a new 16-bit word per pulse. Ripple, steps and packing
    // itself are allowed a quarter on top.
    let noise_bits: f64 = NOISE_COUNTS
        .iter()
        .map(|sigma| (sigma * (std::f64::consts::TAU * std::f64::consts::E).sqrt()).log2() + 0.5)
        .sum();
    let edge_bits = 16.0 * (1.0 / 41.237 + 1.0 / 6.011);
    // And for each chunk: digest 32, column's name up to 17, numbers 25, row and page bookkeeping 16,
    // header and tables of the packed file 40.
    let per_chunk = 130.0;
    let bound =
        1.25 * ticks * (noise_bits + edge_bits) / 8.0 + per_chunk * f64::from(SECONDS) * CHANNELS as f64;
    assert!(bytes < bound, "{bytes} bytes, {bound} allowed");
}
