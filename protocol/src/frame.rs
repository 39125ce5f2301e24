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

use cobs::{DecodeResult, DecoderState};
use serde::{Deserialize, Serialize};

/// Longest body, in bytes.
pub const BODY_MAX: usize = 400;

/// Longest frame on the wire, boundary included: body, checksum, COBS overhead, boundary.
pub const FRAME_MAX: usize = BODY_MAX + 4 + 2 + 1;

const CRC: crc::Crc<u32> = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC);

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
    let mut raw = [0_u8; BODY_MAX + 4];
    let body_len = postcard::to_slice(message, raw.get_mut(..BODY_MAX).ok_or(FrameError::TooLong)?)
        .map_err(|_| FrameError::TooLong)?
        .len();
    let checksum = crc32(raw.get(..body_len).ok_or(FrameError::TooLong)?);
    raw.get_mut(body_len..body_len + 4).ok_or(FrameError::TooLong)?.copy_from_slice(&checksum.to_le_bytes());
    let stuffed = cobs::try_encode(raw.get(..body_len + 4).ok_or(FrameError::TooLong)?, out)
        .map_err(|_| FrameError::TooLong)?;
    *out.get_mut(stuffed).ok_or(FrameError::TooLong)? = 0;
    Ok(stuffed + 1)
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
    raw: [u8; BODY_MAX + 4],
    /// Bytes of the frame so far, unstuffed; those that `raw` has no room for are counted only.
    raw_len: usize,
    /// Bytes of the frame so far, as they came.
    stuffed_len: usize,
    stuffing: DecoderState,
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
        Deframer { raw: [0; BODY_MAX + 4], raw_len: 0, stuffed_len: 0, stuffing: DecoderState::Idle }
    }

    /// Takes bytes from the front of `input` up to and including the next boundary. Returns the body
    /// of the frame that ended there, or why it is none; `None` when `input` ran out first. Call
    /// again until `None`.
    pub fn next_body(&mut self, input: &mut &[u8]) -> Option<Result<&[u8], FrameError>> {
        loop {
            let (&byte, rest) = input.split_first()?;
            *input = rest;
            match self.stuffing.feed(byte) {
                Ok(DecodeResult::DataStart) => (self.raw_len, self.stuffed_len) = (0, 1),
                Ok(DecodeResult::DataContinue(raw)) => {
                    if let Some(slot) = self.raw.get_mut(self.raw_len) {
                        *slot = raw;
                    }
                    self.raw_len = self.raw_len.saturating_add(1);
                    self.stuffed_len = self.stuffed_len.saturating_add(1);
                }
                Ok(DecodeResult::NoData) => self.stuffed_len = self.stuffed_len.saturating_add(1),
                Ok(DecodeResult::DataComplete) => return Some(self.checked_body()),
                Err(_) if self.stuffed_len >= FRAME_MAX => return Some(Err(FrameError::TooLong)),
                Err(_) => return Some(Err(FrameError::BadStuffing)),
            }
        }
    }

    fn checked_body(&self) -> Result<&[u8], FrameError> {
        if self.stuffed_len >= FRAME_MAX {
            return Err(FrameError::TooLong);
        }
        let raw = self.raw.get(..self.raw_len).ok_or(FrameError::TooLong)?;
        let (body, checksum) = raw.split_last_chunk::<4>().ok_or(FrameError::TooShort)?;
        if crc32(body) == u32::from_le_bytes(*checksum) { Ok(body) } else { Err(FrameError::BadChecksum) }
    }
}
