//! What a program sends that has gone mad.

use crate::world::played::line::framed;
use stepwell_protocol::dwell::{Dwell, Ramp, Start};
use stepwell_protocol::message::{Action, Command, ToBoard};
use stepwell_protocol::time::Tick;

/// A command that is well framed, in time, and means nothing.
pub(super) fn nonsense(session: u32, id: u16, board_now: Tick) -> Vec<u8> {
    let dwell = Dwell {
        serial: u16::MAX,
        start: Start::AfterPrevious,
        duration_ms: 1_000,
        inlet: Ramp::constant(u16::MAX),
        pressure: Ramp::constant(u16::MAX),
        supply_on: true,
        drive_rpm: u16::MAX,
        dump_closed: true,
        expect_flow: false,
        end_when: None,
        burst: None,
    };
    let valid_until = board_now.plus_ms(250);
    framed(&ToBoard::Command(Command { session, id, valid_until, action: Action::Dwell(dwell) }))
}
