//! Checksum and stuffing against published values, and both forms of a group of 254.
//!
//! Sources stand in the data files, `tests/data/protocol/crc32.csv` and `cobs.csv`.
#![expect(clippy::unwrap_used, reason = "a check stops at the first surprise, in its helpers too")]

use serde::Serialize;
use serde::ser::{SerializeTuple, Serializer};
use stepwell_protocol::frame::{BODY_MAX, Deframer, FRAME_MAX, FrameError, crc32, encode};

const CRC32: &str = include_str!("../../tests/data/protocol/crc32.csv");
const COBS: &str = include_str!("../../tests/data/protocol/cobs.csv");

/// A body of exactly these bytes.
struct Raw<'a>(&'a [u8]);

impl Serialize for Raw<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut tuple = serializer.serialize_tuple(self.0.len())?;
        for byte in self.0 {
            tuple.serialize_element(byte)?;
        }
        tuple.end()
    }
}

fn rows(file: &'static str) -> Vec<(&'static str, &'static str)> {
    let rows = file.lines().filter(|line| !line.starts_with('#')).skip(1);
    rows.map(|line| line.split_once(',').expect(line)).collect()
}

fn bytes(hex: &str) -> Vec<u8> {
    let digit = |c: u8| char::from(c).to_digit(16).expect(hex) as u8;
    hex.as_bytes().chunks(2).map(|pair| digit(pair[0]) << 4 | digit(pair[1])).collect()
}

/// The method of the paper, written from its description: an imaginary zero at the end, cut after
/// each zero and after each 254 bytes without one.
fn stuffed_by_the_paper(data: &[u8]) -> Vec<u8> {
    let mut out = Vec::new();
    let mut groups = data.split(|&byte| byte == 0).peekable();
    while let Some(group) = groups.next() {
        let last = groups.peek().is_none();
        let mut rest = group;
        while let Some((full, after)) = rest.split_at_checked(254) {
            out.push(0xFF);
            out.extend(full);
            rest = after;
            if last && rest.is_empty() {
                return out;
            }
        }
        out.push(rest.len() as u8 + 1);
        out.extend(rest);
    }
    out
}

fn frame(body: &[u8]) -> Vec<u8> {
    let mut out = [0; FRAME_MAX];
    let len = encode(&Raw(body), &mut out).unwrap();
    out[..len].to_vec()
}

fn with_checksum(body: &[u8]) -> Vec<u8> {
    [body, &crc32(body).to_le_bytes()].concat()
}

#[test]
fn the_checksum_has_its_published_values() {
    assert_eq!(rows(CRC32).len(), 4);
    for (message, published) in rows(CRC32) {
        let published = u32::from_str_radix(published, 16).unwrap();
        assert_eq!(crc32(&bytes(message)), published, "{message}");
    }
}

/// A message with its checksum behind it, low byte first, leaves the catalogue's residue
/// DEBB20E3, shown after the final exclusive-or.
#[test]
fn message_and_checksum_leave_the_published_residue() {
    for (message, _) in rows(CRC32) {
        assert_eq!(crc32(&with_checksum(&bytes(message))), 0xDEBB_20E3 ^ 0xFFFF_FFFF, "{message}");
    }
}

/// Three ways meet in the published values: the paper's method as written here, the crate that
/// frames are stuffed with, and that crate's way back.
#[test]
fn stuffing_has_its_published_values() {
    assert_eq!(rows(COBS).len(), 13);
    for (raw, published) in rows(COBS) {
        let (raw, published) = (bytes(raw), bytes(published));
        assert_eq!(stuffed_by_the_paper(&raw), published);
        let mut out = [0; FRAME_MAX];
        let len = cobs::try_encode(&raw, &mut out).unwrap();
        assert_eq!(&out[..len], published);
        let len = cobs::decode_in_place(&mut out[..len]).unwrap();
        assert_eq!(&out[..len], raw);
    }
}

#[test]
fn whole_frames_of_the_published_data_are_stuffed_by_the_paper() {
    for (raw, _) in rows(COBS) {
        let raw = bytes(raw);
        let wire = frame(&raw);
        assert_eq!(wire, [stuffed_by_the_paper(&with_checksum(&raw)), vec![0]].concat());
        assert_eq!(Deframer::new().next_body(&mut wire.as_slice()), Some(Ok(raw.as_slice())));
    }
}

/// Body and checksum of 254 bytes together, none of them zero: written without an empty last group,
/// read with and without.
#[test]
fn a_full_last_group_is_read_in_both_forms() {
    let filler: Vec<u8> = (0..250_u16).map(|i| (i % 255) as u8 + 1).collect();
    // The checksum may not have a zero byte either, or the group would be shorter.
    let body = (1..=255_u8)
        .map(|first| [&[first], &filler[1..]].concat())
        .find(|body| !with_checksum(body).contains(&0))
        .expect("one checksum in sixty-four has a zero byte, not all of 255");
    let short = frame(&body);
    assert_eq!((short.len(), short[0]), (256, 0xFF));
    let long = [&short[..255], &[1, 0]].concat();
    for wire in [short, long] {
        let mut deframer = Deframer::new();
        let mut input = wire.as_slice();
        assert_eq!(deframer.next_body(&mut input), Some(Ok(body.as_slice())));
        assert_eq!(deframer.next_body(&mut input), None);
    }
}

/// Every length there is, with the bytes that need the most stuffing (none zero) and the least.
#[test]
fn every_length_fits_and_reads_back() {
    let mut longest = 0;
    for len in 0..=BODY_MAX {
        for byte in [0, 1, 0xFF] {
            let body = vec![byte; len];
            let wire = frame(&body);
            assert_eq!(wire.iter().position(|&byte| byte == 0), Some(wire.len() - 1));
            assert_eq!(Deframer::new().next_body(&mut wire.as_slice()), Some(Ok(body.as_slice())));
            longest = longest.max(wire.len());
        }
    }
    assert_eq!(longest, FRAME_MAX, "the longest frame is as long as it is said to be, no longer");
    let mut out = [0; 2 * FRAME_MAX];
    assert_eq!(encode(&Raw(&[1; BODY_MAX + 1]), &mut out), Err(FrameError::TooLong));
}

#[test]
fn a_frame_that_does_not_fit_its_buffer_is_refused() {
    let body = [7; 20];
    let len = frame(&body).len();
    for room in 0..len {
        assert_eq!(encode(&Raw(&body), &mut vec![0; room]), Err(FrameError::TooLong));
    }
    assert_eq!(encode(&Raw(&body), &mut vec![0; len]), Ok(len));
}
