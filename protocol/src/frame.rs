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
    buffer: [u8; FRAME_MAX - 1],
    len: usize,
    overrun: bool,
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
        Deframer { buffer: [0; FRAME_MAX - 1], len: 0, overrun: false }
    }

    /// Takes bytes from the front of `input` up to and including the next boundary. Returns the body
    /// of the frame that ended there, or why it is none; `None` when `input` ran out first. Call
    /// again until `None`.
    pub fn next_body(&mut self, input: &mut &[u8]) -> Option<Result<&[u8], FrameError>> {
        loop {
            let (&byte, rest) = input.split_first()?;
            *input = rest;
            if byte != 0 {
                match self.buffer.get_mut(self.len) {
                    Some(slot) => {
                        *slot = byte;
                        self.len += 1;
                    }
                    None => self.overrun = true,
                }
                continue;
            }
            let len = core::mem::take(&mut self.len);
            if core::mem::take(&mut self.overrun) {
                return Some(Err(FrameError::TooLong));
            }
            if len > 0 {
                return Some(self.checked_body(len));
            }
        }
    }

    fn checked_body(&mut self, len: usize) -> Result<&[u8], FrameError> {
        let stuffed = self.buffer.get_mut(..len).ok_or(FrameError::TooLong)?;
        let raw_len = cobs::decode_in_place(stuffed).map_err(|_| FrameError::BadStuffing)?;
        let raw = self.buffer.get(..raw_len).ok_or(FrameError::BadStuffing)?;
        let (body, checksum) = raw.split_last_chunk::<4>().ok_or(FrameError::TooShort)?;
        if body.len() > BODY_MAX {
            return Err(FrameError::TooLong);
        }
        if crc32(body) == u32::from_le_bytes(*checksum) { Ok(body) } else { Err(FrameError::BadChecksum) }
    }
}
