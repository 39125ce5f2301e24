//! The longest of everything, to the byte.

use serde::ser::{Serialize, SerializeTuple, Serializer};
use stepwell_protocol::channel::{CHANNELS, Sample};
use stepwell_protocol::frame::{BODY_MAX, Deframer, FRAME_MAX, FrameError, encode};
use stepwell_protocol::telemetry::{BadPacking, PACKED_MAX, TICKS_PER_FRAME, pack};

/// A body of these bytes.
struct Body<'a>(&'a [u8]);

impl Serialize for Body<'_> {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        let mut tuple = to.serialize_tuple(self.0.len())?;
        for byte in self.0 {
            tuple.serialize_element(byte)?;
        }
        tuple.end()
    }
}

#[test]
fn the_longest_body_makes_the_longest_frame_and_one_byte_more_none() {
    let mut room = [0; 2 * FRAME_MAX];
    let longest = [1; BODY_MAX];
    assert_eq!(encode(&Body(&longest), &mut room), Ok(FRAME_MAX));
    let mut input = &room[..FRAME_MAX];
    assert_eq!(Deframer::new().next_body(&mut input), Some(Ok(longest.as_slice())));
    assert_eq!(encode(&Body(&longest), &mut room[..FRAME_MAX - 1]), Err(FrameError::TooLong));
    assert_eq!(encode(&Body(&[1; BODY_MAX + 1]), &mut room), Err(FrameError::TooLong));
}

/// Steps of half the range need all sixteen bits.
#[test]
fn the_wildest_ticks_take_all_the_room_there_is() {
    let mut wild = [[0; CHANNELS]; TICKS_PER_FRAME];
    for row in wild.iter_mut().skip(1).step_by(2) {
        *row = [0x8000; CHANNELS];
    }
    let wild: &[Sample] = &wild;
    assert_eq!(pack(wild, &mut [0; PACKED_MAX]), Ok(PACKED_MAX));
    assert_eq!(pack(wild, &mut [0; PACKED_MAX - 1]), Err(BadPacking));
}
