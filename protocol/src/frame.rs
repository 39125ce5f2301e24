//! Messages to bytes and back: postcard body, CRC-32, COBS, a zero byte at the end.
//!
//! ```text
//!   body (postcard) │ CRC-32 of the body, low byte first │   ──COBS──►   no zero bytes │ 00
//! ```
//!
//! A zero byte is always a boundary, so a receiver that joins late or has lost bytes is in step
//! again at the next one. Empty frames (two boundaries in a row) mean nothing and cost nothing.
//! COBS: Cheshire and Baker, IEEE/ACM Transactions on Networking 7(2), 1999. CRC: the 32-bit CRC
//! of IEEE 802.3, catalogued as CRC-32/ISO-HDLC.

use serde::{Deserialize, Serialize};

/// Longest body, in bytes.
pub const BODY_MAX: usize = 400;

/// Longest frame on the wire, boundary included: body, checksum, COBS overhead, boundary.
pub const FRAME_MAX: usize = RAW_MAX + 2 + 1;

/// Longest body with its checksum, in bytes.
const RAW_MAX: usize = BODY_MAX + 4;

static CRC: crc::Crc<u32> = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC);

/// The checksum of every frame: CRC-32/ISO-HDLC.
#[must_use]
pub fn crc32(bytes: &[u8]) -> u32 {
    CRC.checksum(bytes)
}

/// Why bytes did not become a message, or a message did not become bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FrameError {
    /// More bytes between two boundaries, or a longer body, than any frame has.
    TooLong,
    /// Not COBS.
    BadStuffing,
    /// Too short to hold a checksum.
    TooShort,
    /// The checksum does not fit the body.
    BadChecksum,
    /// The body is not a message.
    BadBody,
}

/// Writes `message` as one frame, boundary included, and returns its length.
///
/// # Errors
/// [`FrameError::TooLong`] when the body exceeds [`BODY_MAX`] or the frame exceeds `out`.
pub fn encode<T: Serialize>(message: &T, out: &mut [u8]) -> Result<usize, FrameError> {
    let mut raw = [0_u8; RAW_MAX];
    let body_len = postcard::to_slice(message, raw.get_mut(..BODY_MAX).ok_or(FrameError::TooLong)?)
        .map_err(|_| FrameError::TooLong)?
        .len();
    let checksum = crc32(raw.get(..body_len).ok_or(FrameError::TooLong)?);
    raw.get_mut(body_len..body_len + 4).ok_or(FrameError::TooLong)?.copy_from_slice(&checksum.to_le_bytes());
    stuff(raw.get(..body_len + 4).ok_or(FrameError::TooLong)?, out).ok_or(FrameError::TooLong)
}

/// Writes `raw` without zero bytes and a boundary after it; `None` when `out` is too small. The board
/// does this for everything it says, so it is one plain pass.
fn stuff(raw: &[u8], out: &mut [u8]) -> Option<usize> {
    let (mut code_at, mut code, mut len) = (0, 1_u8, 1);
    for &byte in raw {
        if code == u8::MAX {
            // A full run: its code stands for no zero.
            *out.get_mut(code_at)? = code;
            (code_at, code) = (len, 1);
            len += 1;
        }
        if byte == 0 {
            *out.get_mut(code_at)? = code;
            (code_at, code) = (len, 1);
        } else {
            *out.get_mut(len)? = byte;
            code += 1;
        }
        len += 1;
    }
    *out.get_mut(code_at)? = code;
    *out.get_mut(len)? = 0;
    Some(len + 1)
}

/// Reads a body that a [`Deframer`] has checked.
///
/// # Errors
/// [`FrameError::BadBody`] when it is not a message of this version, or has bytes to spare.
pub fn decode<'a, T: Deserialize<'a>>(body: &'a [u8]) -> Result<T, FrameError> {
    match postcard::take_from_bytes(body) {
        Ok((message, [])) => Ok(message),
        _ => Err(FrameError::BadBody),
    }
}

/// Finds frames in a stream of bytes, in fixed memory, whatever the bytes are.
#[derive(Debug)]
pub struct Deframer {
    raw: [u8; RAW_MAX],
    /// Bytes of the frame so far, unstuffed; those that `raw` has no room for are counted only.
    raw_len: usize,
    /// Bytes of the frame so far, as they came.
    stuffed_len: usize,
    /// Bytes of the run that are still to come; after them comes a code.
    run_left: u8,
    /// Whether a zero byte stands between this run and the next.
    zero_follows: bool,
}

impl Default for Deframer {
    fn default() -> Self {
        Deframer::new()
    }
}

impl Deframer {
    /// A deframer that has seen nothing.
    #[must_use]
    pub const fn new() -> Deframer {
        Deframer { raw: [0; RAW_MAX], raw_len: 0, stuffed_len: 0, run_left: 0, zero_follows: false }
    }

    /// Takes bytes from the front of `input` up to and including the next boundary. Returns the body
    /// of the frame that ended there, or why it is none; `None` when `input` ran out first. Call
    /// again until `None`.
    pub fn next_body(&mut self, input: &mut &[u8]) -> Option<Result<&[u8], FrameError>> {
        let (mut raw_len, mut stuffed_len) = (self.raw_len, self.stuffed_len);
        while let Some((&byte, rest)) = input.split_first() {
            *input = rest;
            if byte == 0 {
                let cut_short = core::mem::take(&mut self.run_left) > 0;
                (self.raw_len, self.stuffed_len, self.zero_follows) = (0, 0, false);
                if stuffed_len == 0 {
                    continue;
                }
                return Some(match (stuffed_len, cut_short) {
                    (FRAME_MAX.., _) => Err(FrameError::TooLong),
                    (_, true) => Err(FrameError::BadStuffing),
                    _ => self.checked_body(raw_len),
                });
            }
            stuffed_len = stuffed_len.saturating_add(1);
            let unstuffed = if let Some(left) = self.run_left.checked_sub(1) {
                self.run_left = left;
                byte
            } else {
                self.run_left = byte - 1;
                if !core::mem::replace(&mut self.zero_follows, byte != u8::MAX) {
                    continue;
                }
                0
            };
            if let Some(slot) = self.raw.get_mut(raw_len) {
                *slot = unstuffed;
            }
            raw_len = raw_len.saturating_add(1);
        }
        (self.raw_len, self.stuffed_len) = (raw_len, stuffed_len);
        None
    }

    fn checked_body(&self, raw_len: usize) -> Result<&[u8], FrameError> {
        let raw = self.raw.get(..raw_len).ok_or(FrameError::TooLong)?;
        let (body, checksum) = raw.split_last_chunk::<4>().ok_or(FrameError::TooShort)?;
        if crc32(body) == u32::from_le_bytes(*checksum) { Ok(body) } else { Err(FrameError::BadChecksum) }
    }
}

#[cfg(test)]
mod tests {
    extern crate std;

    use super::{FRAME_MAX, RAW_MAX, stuff};
    use proptest::collection;
    use proptest::prelude::*;
    use std::vec;
    use std::vec::Vec;

    /// Stuffs, and has the library unstuff it.
    fn there_and_back(raw: &[u8]) -> Vec<u8> {
        let mut wire = [0xEE; FRAME_MAX];
        let len = stuff(raw, &mut wire).unwrap();
        let (boundary, stuffed) = wire[..len].split_last().unwrap();
        assert!(*boundary == 0 && !stuffed.contains(&0), "{raw:?}");
        let mut raw = stuffed.to_vec();
        let len = cobs::decode_in_place(&mut raw).unwrap();
        raw.truncate(len);
        raw
    }

    #[test]
    fn runs_of_every_length_come_back_with_a_zero_at_their_end_or_without() {
        for len in 0..=RAW_MAX {
            let mut raw = vec![7; len];
            assert_eq!(there_and_back(&raw), raw, "{len}");
            if let Some(last) = raw.last_mut() {
                *last = 0;
                assert_eq!(there_and_back(&raw), raw, "{len} with a zero");
            }
        }
    }

    #[test]
    fn what_does_not_fit_is_refused() {
        let mut wire = [0; 7];
        assert_eq!(stuff(&[1, 2, 0, 4, 5], &mut wire), Some(7));
        assert_eq!(stuff(&[1, 2, 0, 4, 5], &mut wire[..6]), None);
    }

    proptest! {
        #[test]
        fn anything_comes_back(raw in collection::vec(prop_oneof![Just(0), 1..=255_u8], 0..=RAW_MAX)) {
            prop_assert_eq!(there_and_back(&raw), raw);
        }
    }
}
