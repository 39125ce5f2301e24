//! The receiving side against everything a line can do: any bytes, any pieces, flipped bits,
//! rubbish, endless runs without a boundary.

mod page;

use page::printed_frames;
use proptest::collection::vec;
use proptest::prelude::*;
use stepwell_protocol::frame::{BODY_MAX, Deframer, FRAME_MAX, FrameError, crc32, decode};
use stepwell_protocol::message::{FromBoard, ToBoard};

type Frames = Vec<Result<Vec<u8>, FrameError>>;

/// Everything a deframer makes of bytes that arrive in these pieces.
fn deframed<'a>(pieces: impl IntoIterator<Item = &'a [u8]>) -> Frames {
    let mut deframer = Deframer::new();
    let mut frames = Vec::new();
    for piece in pieces {
        let mut input = piece;
        while let Some(frame) = deframer.next_body(&mut input) {
            frames.push(frame.map(<[u8]>::to_vec));
        }
        assert!(input.is_empty(), "a piece is used up");
    }
    frames
}

/// The page's rules for reading, with no bound on memory and no state: what a deframer must find.
fn by_the_page(bytes: &[u8]) -> Frames {
    let Some(end) = bytes.iter().rposition(|&byte| byte == 0) else { return vec![] };
    let between = bytes[..end].split(|&byte| byte == 0);
    between.filter(|stuffed| !stuffed.is_empty()).map(read_one).collect()
}

fn read_one(stuffed: &[u8]) -> Result<Vec<u8>, FrameError> {
    if stuffed.len() > FRAME_MAX - 1 {
        return Err(FrameError::TooLong);
    }
    let mut raw = Vec::new();
    let mut rest = stuffed;
    while let Some((&code, after)) = rest.split_first() {
        let (group, after) = after.split_at_checked(usize::from(code) - 1).ok_or(FrameError::BadStuffing)?;
        raw.extend(group);
        if code != 0xFF && !after.is_empty() {
            raw.push(0);
        }
        rest = after;
    }
    let (body, checksum) = raw.split_last_chunk::<4>().ok_or(FrameError::TooShort)?;
    if body.len() > BODY_MAX {
        return Err(FrameError::TooLong);
    }
    if crc32(body) == u32::from_le_bytes(*checksum) {
        Ok(body.to_vec())
    } else {
        Err(FrameError::BadChecksum)
    }
}

/// All printed frames, one after the other.
fn stream() -> (Vec<u8>, Frames) {
    let frames = printed_frames();
    let bytes = frames.iter().flat_map(|frame| frame.wire.iter().copied()).collect();
    (bytes, frames.into_iter().map(|frame| Ok(frame.body)).collect())
}

fn boundaries(bytes: &[u8]) -> usize {
    bytes.split(|&byte| byte == 0).count() - 1
}

/// Short runs between boundaries, long ones, and codes that promise more than comes.
fn line_bytes() -> impl Strategy<Value = Vec<u8>> {
    let run = prop_oneof![
        4 => vec(any::<u8>(), 0..40),
        1 => vec(1..=255_u8, 380..430),
        1 => vec(1..=3_u8, 0..40),
        1 => (0..printed_frames().len()).prop_map(|index| printed_frames().swap_remove(index).wire),
    ];
    vec((run, any::<bool>()), 0..12).prop_map(|runs| {
        let ended = |(mut run, boundary): (Vec<u8>, bool)| {
            run.extend(boundary.then_some(0));
            run
        };
        runs.into_iter().flat_map(ended).collect()
    })
}

proptest! {
    #[test]
    fn any_bytes_in_any_pieces_give_what_the_page_says(bytes in line_bytes(), piece in 1..64_usize) {
        let found = deframed(bytes.chunks(piece));
        prop_assert_eq!(found, by_the_page(&bytes));
    }

    #[test]
    fn no_message_is_the_beginning_of_another(
        which in 0..printed_frames().len(),
        damage in vec((any::<prop::sample::Index>(), any::<u8>()), 0..4),
    ) {
        // Damaged bodies stand for those that a buggy peer sends with a good checksum.
        let mut body = printed_frames().swap_remove(which).body;
        for (at, byte) in damage {
            let at = at.index(body.len());
            body[at] = byte;
        }
        let longest = [body.as_slice(), &[0; 8]].concat();
        let messages = |read: fn(&[u8]) -> bool| (0..=longest.len()).filter(|&len| read(&longest[..len])).count();
        prop_assert!(messages(|body| decode::<ToBoard>(body).is_ok()) <= 1);
        prop_assert!(messages(|body| decode::<FromBoard<'_>>(body).is_ok()) <= 1);
    }

    #[test]
    fn any_body_at_all_is_read_to_an_end(body in vec(any::<u8>(), 0..=BODY_MAX)) {
        // Either answer is right; what is checked is that there is one, and no panic on the way.
        for refused in [decode::<ToBoard>(&body).err(), decode::<FromBoard<'_>>(&body).err()] {
            prop_assert!(matches!(refused, None | Some(FrameError::BadBody)));
        }
    }

    #[test]
    fn a_frame_after_rubbish_and_a_boundary_is_found(rubbish in vec(any::<u8>(), 0..2_000)) {
        let (frames, bodies) = stream();
        let bytes = [rubbish.as_slice(), &[0], &frames].concat();
        let found = deframed([bytes.as_slice()]);
        prop_assert!(found.ends_with(&bodies));
    }
}

#[test]
fn a_stream_cut_in_two_anywhere_gives_the_same_frames() {
    let (bytes, bodies) = stream();
    for at in 0..=bytes.len() {
        let (head, tail) = bytes.split_at(at);
        assert_eq!(deframed([head, tail]), bodies, "cut at {at}");
    }
    assert_eq!(deframed(bytes.chunks(1)), bodies, "byte by byte");
}

#[test]
fn a_receiver_that_joins_anywhere_loses_one_frame_at_most() {
    let (bytes, bodies) = stream();
    for at in 0..bytes.len() {
        let begun = boundaries(&bytes[..at]);
        let whole = at == 0 || bytes[at - 1] == 0;
        let found = deframed([&bytes[at..]]);
        let expected = &bodies[begun + usize::from(!whole)..];
        assert!(found.ends_with(expected), "joined at {at}");
        assert!(found.len() <= expected.len() + 1);
        let extra = &found[..found.len() - expected.len()];
        assert!(extra.iter().all(Result::is_err), "half a frame at {at} is no frame");
    }
}

/// A CRC finds every single flipped bit of what it covers. That is exact for flips of body and
/// checksum.
#[test]
fn every_flipped_bit_under_the_stuffing_is_found() {
    for frame in printed_frames() {
        let raw = [frame.body, frame.checksum].concat();
        for bit in 0..8 * raw.len() {
            let mut flipped = raw.clone();
            flipped[bit / 8] ^= 1 << (bit % 8);
            let mut wire = [0; FRAME_MAX + 1];
            let len = cobs::try_encode(&flipped, &mut wire).unwrap();
            assert_eq!(deframed([&wire[..=len]]), [Err(FrameError::BadChecksum)], "{} {bit}", frame.name);
        }
    }
}

/// On the wire a flip may also hit a code byte, or make or remove a boundary. Then more than one bit
/// changes under the stuffing and the CRC gives no certainty, only one chance in 2³² of being
/// fooled; for these frames it is not. Each flip shows as at least one error and no frame.
#[test]
fn every_flipped_bit_on_the_wire_is_found_and_counted() {
    for frame in printed_frames() {
        for bit in 0..8 * frame.wire.len() {
            let mut flipped = frame.wire.clone();
            flipped[bit / 8] ^= 1 << (bit % 8);
            // The boundary may be what was hit: the line goes on with the next one.
            flipped.push(0);
            let found = deframed([flipped.as_slice()]);
            assert!(!found.is_empty(), "{} {bit}: counted", frame.name);
            assert!(found.iter().all(Result::is_err), "{} {bit}: {found:?}", frame.name);
        }
    }
}

#[test]
fn a_damaged_frame_costs_itself_and_no_other() {
    let (bytes, bodies) = stream();
    for at in 0..bytes.len() {
        // Boundaries stay, and none is made: those two are the business of the test above.
        if bytes[at] == 0 || bytes[at] == 0xA5 {
            continue;
        }
        let mut damaged = bytes.clone();
        damaged[at] ^= 0xA5;
        let hit = boundaries(&bytes[..at]);
        let found: Vec<_> = deframed([damaged.as_slice()]).into_iter().flatten().collect();
        let mut others: Vec<_> = bodies.iter().flatten().cloned().collect();
        others.remove(hit);
        assert_eq!(found, others, "byte {at}");
    }
}

#[test]
fn runs_without_a_boundary_are_too_long_once_and_then_over() {
    let (frames, bodies) = stream();
    for len in [FRAME_MAX - 1, FRAME_MAX, FRAME_MAX + 1, 100_000] {
        let bytes = [&vec![0x55; len], [0].as_slice(), &frames].concat();
        let found = deframed([bytes.as_slice()]);
        let (first, rest) = found.split_first().unwrap();
        let expected = if len < FRAME_MAX { FrameError::BadStuffing } else { FrameError::TooLong };
        assert_eq!(first, &Err(expected), "{len}");
        assert_eq!(rest, bodies);
    }
}

/// A longer body fits the longest frame when it has a zero byte in every group. It is refused.
#[test]
fn a_body_longer_than_any_is_too_long_even_with_a_good_checksum() {
    let mut body = [1; BODY_MAX + 1];
    body[200] = 0;
    let raw = [body.as_slice(), &crc32(&body).to_le_bytes()].concat();
    let mut wire = [0; FRAME_MAX];
    let len = cobs::try_encode(&raw, &mut wire).unwrap();
    assert_eq!(len, FRAME_MAX - 1, "as long as the longest frame");
    assert_eq!(deframed([wire.as_slice()]), [Err(FrameError::TooLong)]);
}

#[test]
fn boundaries_alone_are_nothing() {
    assert_eq!(deframed([[0; 1_000].as_slice()]), []);
}

/// The deframer is one buffer of one frame and a few words, wherever it is put.
#[test]
fn a_deframer_has_a_fixed_size() {
    assert!(size_of::<Deframer>() <= FRAME_MAX + 3 * size_of::<usize>());
}
