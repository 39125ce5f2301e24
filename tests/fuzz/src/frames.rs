//! Frames of a line, host's side and board's: any bytes in any pieces.

use arbitrary::{Arbitrary, Unstructured};
use serde::ser::{Serialize, SerializeTuple, Serializer};
use std::fmt::Debug;
use stepwell_protocol::frame::{BODY_MAX, Deframer, FRAME_MAX, FrameError, decode, encode};
use stepwell_protocol::message::{FromBoard, ToBoard};

/// Something on the line.
#[derive(Arbitrary, Debug)]
enum Piece<'a> {
    /// As it is.
    Raw(&'a [u8]),
    /// Between two boundaries, with a good checksum: what a broken peer sends.
    Body(&'a [u8]),
    Boundary,
}

/// A body of these bytes, whether or not they are a message.
struct Body<'a>(&'a [u8]);

impl Serialize for Body<'_> {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        let mut tuple = to.serialize_tuple(self.0.len())?;
        self.0.iter().try_for_each(|byte| tuple.serialize_element(byte))?;
        tuple.end()
    }
}

/// The line, pieces of what length it arrives in, and nothing panics or depends on them.
pub fn check(data: &[u8]) {
    let mut input = Unstructured::new(data);
    let lengths: [u8; 3] = input.arbitrary().unwrap_or_default();
    let mut line = Vec::new();
    let mut bodies = Vec::new();
    while !input.is_empty() {
        match input.arbitrary() {
            Ok(Piece::Raw(bytes)) => line.extend_from_slice(bytes),
            Ok(Piece::Boundary) => line.push(0),
            Ok(Piece::Body(body)) => {
                let mut frame = [0; FRAME_MAX];
                match encode(&Body(body), &mut frame) {
                    Ok(len) => {
                        messages(body);
                        line.push(0);
                        line.extend_from_slice(&frame[..len]);
                        bodies.push(body.to_vec());
                    }
                    Err(error) => {
                        assert_eq!(error, FrameError::TooLong);
                        assert!(body.len() > BODY_MAX, "{} bytes are refused", body.len());
                    }
                }
            }
            Err(_) => break,
        }
    }
    let whole = deframed([line.as_slice()]);
    assert_eq!(whole, deframed(line.chunks(1)), "byte by byte");
    assert_eq!(whole, deframed(cut(&line, lengths)), "cut into pieces of {lengths:?}");
    let mut found = whole.iter().flatten();
    for body in bodies {
        assert!(found.any(|found| *found == body), "a good frame got lost: {body:02x?}");
    }
    whole.iter().flatten().for_each(|body| messages(body));
}

/// Pieces of these lengths, over and over; a length of 0 is an empty piece.
fn cut(line: &[u8], lengths: [u8; 3]) -> impl Iterator<Item = &[u8]> {
    let mut rest = line;
    let mut lengths = lengths.into_iter().cycle();
    let all_empty = lengths.clone().take(3).all(|length| length == 0);
    std::iter::from_fn(move || {
        let length = if all_empty { rest.len() } else { usize::from(lengths.next()?) };
        let (piece, after) = rest.split_at(length.min(rest.len()));
        let done = rest.is_empty();
        rest = after;
        (!done).then_some(piece)
    })
}

fn deframed<'a>(pieces: impl IntoIterator<Item = &'a [u8]>) -> Vec<Result<Vec<u8>, FrameError>> {
    let mut deframer = Deframer::new();
    let mut frames = Vec::new();
    for mut piece in pieces {
        while let Some(frame) = deframer.next_body(&mut piece) {
            frames.push(frame.map(<[u8]>::to_vec));
        }
        assert!(piece.is_empty(), "bytes are left over");
    }
    frames
}

/// What decodes says the same after it was written anew.
fn messages(body: &[u8]) {
    if let Ok(message) = decode::<ToBoard>(body) {
        same(&message, |body| decode::<ToBoard>(body).ok().as_ref() == Some(&message));
    }
    if let Ok(message) = decode::<FromBoard<'_>>(body) {
        same(&message, |body| decode::<FromBoard<'_>>(body).ok().as_ref() == Some(&message));
    }
}

fn same<T: Serialize + Debug>(message: &T, reads_the_same: impl Fn(&[u8]) -> bool) {
    let mut frame = [0; FRAME_MAX];
    let len = encode(message, &mut frame).unwrap_or_else(|error| panic!("{message:?}: {error:?}"));
    let bodies = deframed([&frame[..len]]);
    let [Ok(body)] = bodies.as_slice() else { panic!("{message:?} became {bodies:?}") };
    assert!(reads_the_same(body), "{message:?} reads differently");
}
