//! One column's samples as bytes, and back.
//!
//! A codec byte stands beside every chunk so that another codec can be added without touching what
//! is already stored.

use pco::ChunkConfig;
use pco::standalone::{simple_compress, simple_decompress_into};

/// The most ticks in a chunk. A commit comes after 1000 ticks at the most; telemetry
/// frames of ten ticks make it 990 to 1010 now and then, and those should not leave a second, tiny chunk.
pub(crate) const CHUNK_TICKS_MAX: usize = 1_024;

/// The codec in use: a stand-alone pco file of 16-bit unsigned integers.
pub(crate) const PCO_U16: u8 = 1;

/// Weighed on modelled 12-bit columns: level 8 gains less than 1 % at this length and takes longer.
const PCO_LEVEL: usize = 4;

/// Packs 1 to [`CHUNK_TICKS_MAX`] counts with [`PCO_U16`].
///
/// # Panics
/// Never for a length in that range: pco only refuses bad settings and more than 2^24 numbers.
pub(crate) fn encode(counts: &[u16]) -> Vec<u8> {
    let config = ChunkConfig::default().with_compression_level(PCO_LEVEL);
    simple_compress(counts, &config).expect("a valid level and at most 1024 numbers")
}

/// Unpacks `count` counts.
///
/// # Errors
/// What is wrong with the chunk, in words.
pub(crate) fn decode(codec: u8, count: u32, blob: &[u8]) -> Result<Vec<u16>, String> {
    if codec != PCO_U16 {
        return Err(format!("codec {codec} is not known here, {PCO_U16} is"));
    }
    let count = count as usize;
    if !(1..=CHUNK_TICKS_MAX).contains(&count) {
        return Err(format!("{count} samples in a chunk, 1 to {CHUNK_TICKS_MAX} are possible"));
    }
    // One more than wanted, so that too many are noticed.
    let mut counts = vec![0_u16; count + 1];
    let progress = simple_decompress_into(blob, &mut counts).map_err(|error| error.to_string())?;
    if progress.n_processed != count || !progress.finished {
        return Err(format!("{count} samples expected, another number found"));
    }
    counts.truncate(count);
    Ok(counts)
}

#[cfg(test)]
mod tests {
    use super::{CHUNK_TICKS_MAX, PCO_U16, decode, encode};

    #[test]
    fn every_length_and_the_whole_range_come_back() {
        let counts: Vec<u16> = (0..CHUNK_TICKS_MAX as u32).map(|n| (n * 40_503) as u16).collect();
        for length in (1..=CHUNK_TICKS_MAX).step_by(31).chain([2, 255, 256, 257, 1_000, 1_023, 1_024]) {
            let blob = encode(&counts[..length]);
            assert_eq!(decode(PCO_U16, length as u32, &blob).unwrap(), counts[..length]);
            assert!(decode(PCO_U16, length as u32 + 1, &blob).is_err(), "{length}");
            assert!(decode(PCO_U16, length as u32 - 1, &blob).is_err(), "{length}");
        }
        for constant in [0, 1, u16::MAX] {
            let blob = encode(&[constant; 1_000]);
            assert_eq!(decode(PCO_U16, 1_000, &blob).unwrap(), [constant; 1_000]);
        }
    }

    #[test]
    fn rubbish_is_refused_or_read_but_never_panics() {
        let counts: Vec<u16> = (0..300_u16).map(|n| n % 7 + n / 10).collect();
        let blob = encode(&counts);
        for cut in 0..blob.len() {
            assert!(decode(PCO_U16, 300, &blob[..cut]).is_err(), "{cut}");
        }
        for bit in 0..blob.len() * 8 {
            let mut flipped = blob.clone();
            flipped[bit / 8] ^= 1 << (bit % 8);
            let _whatever_it_says = decode(PCO_U16, 300, &flipped);
        }
        assert!(decode(2, 300, &blob).unwrap_err().contains("codec 2"));
    }
}
