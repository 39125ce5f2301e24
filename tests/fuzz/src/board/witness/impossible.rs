//! Which commands are impossible, whatever the board is doing: those with a field outside the range that docs/protocol.md
//! prints for it (4.1). Only a dwell has such fields: what is wrong with guards has a refusal of its own (8).

use stepwell_protocol::dwell::{Dwell, Ramp};

/// A duty of 100 %, in 0.01 %.
const FULL_E4: u16 = 10_000;

/// The last of the columns that an end condition may watch.
const WATCHED_TAG_MAX: usize = 6;

/// Whether a field of it lies outside its own range. That of its duration ends at a ceiling, which has its own refusal.
pub(super) fn is_impossible(dwell: &Dwell) -> bool {
    let too_full = |ramp: Ramp| ramp.from_e4 > FULL_E4 || ramp.to_e4 > FULL_E4;
    let unwatchable =
        dwell.end_when.is_some_and(|end| end.channel.index() > WATCHED_TAG_MAX || end.for_ms == 0);
    dwell.duration_ms == 0 || too_full(dwell.inlet) || too_full(dwell.pressure) || unwatchable
}
