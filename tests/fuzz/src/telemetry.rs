//! Telemetry, packed and unpacked.

use stepwell_protocol::channel::{CHANNELS, Sample};
use stepwell_protocol::telemetry::{PACKED_MAX, TICKS_PER_FRAME, pack, unpack};

/// The first byte is a number of ticks; the rest is taken as packed ticks, and as ticks to pack.
pub fn check(data: &[u8]) {
    let Some((&ticks, bytes)) = data.split_first() else { return };
    if let Ok(samples) = unpack(bytes, ticks) {
        assert_eq!(samples.len(), usize::from(ticks));
        let packed = packed(&samples);
        assert!(packed.len() <= bytes.len(), "nothing packs tighter: {samples:?}");
    }
    let samples: Vec<Sample> = bytes.chunks(2 * CHANNELS).map(sample).collect();
    if (1..=TICKS_PER_FRAME).contains(&samples.len()) {
        packed(&samples);
    } else {
        assert!(pack(&samples, &mut [0; 2 * PACKED_MAX]).is_err());
    }
}

/// The samples packed; they come back, and a byte less is too little at both ends.
fn packed(samples: &[Sample]) -> Vec<u8> {
    let mut out = [0; PACKED_MAX];
    let len = pack(samples, &mut out).unwrap_or_else(|_| panic!("{samples:?} cannot be packed"));
    let packed = &out[..len];
    let ticks = samples.len() as u8;
    assert_eq!(unpack(packed, ticks).as_deref(), Ok(samples));
    assert!(unpack(&packed[..len - 1], ticks).is_err(), "a byte less");
    assert!(unpack(&[packed, &[0]].concat(), ticks).is_err(), "a byte more");
    assert!(pack(samples, &mut vec![0; len - 1]).is_err(), "no room for the last byte");
    packed.to_vec()
}

fn sample(words: &[u8]) -> Sample {
    let mut sample = [0; CHANNELS];
    for (word, bytes) in sample.iter_mut().zip(words.chunks(2)) {
        *word = bytes.iter().rev().fold(0, |word, byte| word << 8 | u16::from(*byte));
    }
    sample
}
