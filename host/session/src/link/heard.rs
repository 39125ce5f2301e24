//! What a board says over the link, as the program hears it.

use stepwell_protocol::channel::Sample;
use stepwell_protocol::dwell::DwellReport;
use stepwell_protocol::identity::Identity;
use stepwell_protocol::message::{Refusal, Reply, TripReport};
use stepwell_protocol::time::Tick;

/// What came over the link.
#[derive(Clone, Debug, PartialEq)]
pub enum Heard {
    /// The board has opened the session.
    Welcome(Box<Identity>),
    /// The board will not talk to us.
    Refused(Unwelcome),
    /// The board has answered the command under way.
    Answered {
        /// The tick at which it was handled.
        at: Tick,
        /// What came of it.
        result: Result<Reply, Refusal>,
    },
    /// Telemetry.
    Telemetry {
        /// The first tick.
        first: Tick,
        /// Board time of the first tick in microseconds.
        first_us: u64,
        /// The samples.
        samples: Vec<Sample>,
    },
    /// A dwell has ended.
    DwellEnded(DwellReport),
    /// The board has tripped.
    Tripped(TripReport),
    /// The link is lost: why, in words.
    Lost(String),
    /// A board answers again on a link that was lost, for watching only.
    Back(Box<Identity>),
    /// Telemetry of a board that is only watched.
    Watched {
        /// The samples.
        samples: Vec<Sample>,
    },
}

/// Why the board will not talk to us.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Unwelcome {
    /// It speaks another version.
    #[error(
        "the board speaks protocol version {board} (firmware {firmware}), this program speaks version {ours}; \
         flash the firmware that came with this program, or use the program that came with the firmware"
    )]
    WrongVersion {
        /// Version of the board.
        board: u16,
        /// Its firmware.
        firmware: String,
        /// Our version.
        ours: u16,
    },
    /// Another program is using it.
    #[error("another program is using the bench; close it and wait half a second")]
    Busy,
}
