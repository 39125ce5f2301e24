//! What the small words of the protocol mean, each asked on both sides of where it changes.

use postcard::to_allocvec;
use stepwell_protocol::channel::Coil;
use stepwell_protocol::dwell::Ramp;
use stepwell_protocol::guards::Band;
use stepwell_protocol::identity::ResetCause;
use stepwell_protocol::message::{BURST_PIECE, BurstPiece};
use stepwell_protocol::time::Tick;

#[test]
fn a_band_holds_its_ends_and_is_ordered_when_it_holds_anything() {
    let band = Band { low: 3, high: 5 };
    assert_eq!([2, 3, 4, 5, 6].map(|counts| band.contains(counts)), [false, true, true, true, false]);
    let ordered = |low, high| Band { low, high }.is_ordered();
    assert_eq!([ordered(3, 4), ordered(3, 3), ordered(4, 3)], [true, true, false]);
}

#[test]
fn a_ramp_goes_as_high_as_its_higher_end() {
    let highest = |from_e4, to_e4| Ramp { from_e4, to_e4 }.max_e4();
    assert_eq!([highest(2_000, 3_000), highest(3_000, 2_000), highest(2_500, 2_500)], [3_000, 3_000, 2_500]);
}

#[test]
fn a_tick_is_after_another_from_the_next_one_on_and_round_the_end() {
    let after = |tick, other| Tick(tick).is_after(Tick(other));
    assert_eq!([after(4, 5), after(5, 5), after(6, 5), after(0, u32::MAX)], [false, false, true, true]);
}

#[test]
fn a_coil_stands_where_the_wire_has_it() {
    assert_eq!(Coil::BOTH.map(Coil::index), [0, 1]);
}

#[test]
fn a_board_fell_over_when_nobody_asked_for_its_start() {
    use ResetCause::{BrownOut, Fault, Pin, PowerOn, Watchdog};
    assert_eq!([PowerOn, Pin].map(ResetCause::is_fall), [false; 2]);
    assert_eq!([Watchdog, BrownOut, Fault].map(ResetCause::is_fall), [true; 3]);
}

/// The fields of a [`BurstPiece`] in their order, with any bytes for its samples.
fn piece(samples: &[u8]) -> Vec<u8> {
    to_allocvec(&(1_u16, Coil::Pressure, 0_u16, 60_u16, samples)).expect("an allocation holds it")
}

#[test]
fn a_piece_of_a_burst_is_a_row_of_words_and_no_longer_than_one_may_be() {
    let read = |samples: &[u8]| postcard::from_bytes::<BurstPiece>(&piece(samples)).map(|piece| piece.counts);
    let bytes = [7; 2 * BURST_PIECE + 2];
    assert_eq!(read(&bytes[..2 * BURST_PIECE]).expect("full").as_slice(), [0x0707; BURST_PIECE]);
    assert!(read(&bytes).is_err(), "one more");
    assert!(read(&bytes[..3]).is_err(), "half a word");
}
