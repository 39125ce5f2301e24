//! Telemetry packing: several ticks of all columns in few bytes, each frame complete in itself.
//!
//! Per column: the first tick's word in 16 bits, a width in 5 bits, then one difference to the tick
//! before for each further tick, zigzag-coded in `width` bits. Bits fill bytes from the lowest bit
//! up. A quiet column costs 21 bits a frame. No frame needs another one to be read, so a lost
//! frame is a gap and nothing else; frames are numbered, so the gap shows.

use crate::channel::{CHANNELS, Sample};
use crate::time::Tick;
use heapless::Vec;
use serde::{Deserialize, Serialize};

/// Ticks in a full frame: ten milliseconds of telemetry.
pub const TICKS_PER_FRAME: usize = 10;

/// The most bytes a full frame's ticks can take: every difference 16 bits wide.
pub const PACKED_MAX: usize = (CHANNELS * (16 + 5 + (TICKS_PER_FRAME - 1) * 16)).div_ceil(8);

/// Some ticks of telemetry.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TelemetryFrame<'a> {
    /// Number of the frame since the board started.
    pub number: u32,
    /// The first tick in it.
    pub first: Tick,
    /// Board time at which the first tick was sampled, in microseconds since start.
    pub first_us: u64,
    /// How many ticks are in it, 1 to [`TICKS_PER_FRAME`].
    pub ticks: u8,
    /// The ticks, packed.
    #[serde(borrow)]
    pub packed: &'a [u8],
}

/// The packed ticks are not what their number and width say.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BadPacking;

/// Packs `samples` (1 to [`TICKS_PER_FRAME`] of them) and returns how many bytes of `out` were used.
///
/// # Errors
/// [`BadPacking`] when there are no samples or too many, or `out` is too small.
pub fn pack(samples: &[Sample], out: &mut [u8]) -> Result<usize, BadPacking> {
    let (first, rest) = samples.split_first().ok_or(BadPacking)?;
    if samples.len() > TICKS_PER_FRAME {
        return Err(BadPacking);
    }
    let mut bits = BitWriter { out, used: 0, pending: 0, pending_bits: 0 };
    for (column, &start) in first.iter().enumerate() {
        let mut differences = [0_u16; TICKS_PER_FRAME];
        let mut all = 0;
        let mut last = start;
        for (sample, slot) in rest.iter().zip(&mut differences) {
            let word = *sample.get(column).ok_or(BadPacking)?;
            *slot = zigzag(word.wrapping_sub(last));
            all |= *slot;
            last = word;
        }
        let width = u16::BITS - all.leading_zeros();
        bits.put(start, 16)?;
        bits.put(width as u16, 5)?;
        for &difference in differences.iter().take(rest.len()) {
            bits.put(difference, width)?;
        }
    }
    bits.finish()
}

/// Unpacks `ticks` samples.
///
/// # Errors
/// [`BadPacking`] when the bytes do not hold exactly that many.
pub fn unpack(packed: &[u8], ticks: u8) -> Result<Vec<Sample, TICKS_PER_FRAME>, BadPacking> {
    let mut samples: Vec<Sample, TICKS_PER_FRAME> = Vec::new();
    samples.resize(usize::from(ticks), [0; CHANNELS]).map_err(|_| BadPacking)?;
    if samples.is_empty() {
        return Err(BadPacking);
    }
    let mut bits = BitReader { bytes: packed, pending: 0, pending_bits: 0 };
    for column in 0..CHANNELS {
        let mut word = bits.take(16)?;
        let width = u32::from(bits.take(5)?);
        if width > 16 {
            return Err(BadPacking);
        }
        for (index, sample) in samples.iter_mut().enumerate() {
            if index > 0 {
                word = word.wrapping_add(unzigzag(bits.take(width)?));
            }
            *sample.get_mut(column).ok_or(BadPacking)? = word;
        }
    }
    if bits.bytes.is_empty() && bits.pending == 0 { Ok(samples) } else { Err(BadPacking) }
}

/// Small differences of either sign become small numbers: 0, -1, 1, -2, … become 0, 1, 2, 3, …
const fn zigzag(difference: u16) -> u16 {
    (difference << 1) ^ (((difference as i16) >> 15) as u16)
}

const fn unzigzag(coded: u16) -> u16 {
    (coded >> 1) ^ (coded & 1).wrapping_neg()
}

struct BitWriter<'a> {
    out: &'a mut [u8],
    used: usize,
    pending: u32,
    pending_bits: u32,
}

impl BitWriter<'_> {
    fn put(&mut self, value: u16, bits: u32) -> Result<(), BadPacking> {
        self.pending |= u32::from(value) << self.pending_bits;
        self.pending_bits += bits;
        while self.pending_bits >= 8 {
            self.push()?;
            self.pending_bits -= 8;
        }
        Ok(())
    }

    fn push(&mut self) -> Result<(), BadPacking> {
        *self.out.get_mut(self.used).ok_or(BadPacking)? = self.pending as u8;
        self.used += 1;
        self.pending >>= 8;
        Ok(())
    }

    fn finish(mut self) -> Result<usize, BadPacking> {
        if self.pending_bits > 0 {
            self.push()?;
        }
        Ok(self.used)
    }
}

struct BitReader<'a> {
    bytes: &'a [u8],
    pending: u32,
    pending_bits: u32,
}

impl BitReader<'_> {
    fn take(&mut self, bits: u32) -> Result<u16, BadPacking> {
        while self.pending_bits < bits {
            let (&byte, rest) = self.bytes.split_first().ok_or(BadPacking)?;
            self.bytes = rest;
            self.pending |= u32::from(byte) << self.pending_bits;
            self.pending_bits += 8;
        }
        let value = self.pending & ((1 << bits) - 1);
        self.pending >>= bits;
        self.pending_bits -= bits;
        Ok(value as u16)
    }
}

#[cfg(test)]
mod tests {
    use super::{unzigzag, zigzag};

    #[test]
    fn zigzag_is_its_own_way_back_for_every_word() {
        for word in 0..=u16::MAX {
            assert_eq!(unzigzag(zigzag(word)), word);
        }
        assert_eq!(zigzag(0xFFFF), 1);
        assert_eq!(zigzag(1), 2);
    }
}
