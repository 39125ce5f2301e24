//! What reached the program: told from the bytes that came out of its end of the line.

use stepwell_protocol::dwell::DwellReport;
use stepwell_protocol::frame::{Deframer, decode};
use stepwell_protocol::message::{FromBoard, Reply, TripCause};
use stepwell_protocol::telemetry::unpack;

/// A frame of telemetry that reached the program.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Arrived {
    /// When, ms of rig time.
    pub ms: usize,
    /// Its first tick.
    pub first: u32,
    /// How many ticks it tells of.
    pub ticks: u32,
}

/// The ear of one life of the program.
#[derive(Debug, Default)]
pub struct Ear {
    /// Number of its session.
    pub session: u32,
    /// Telemetry that came after the greeting was answered, until the board started anew; what the line doubled or let
    /// be overtaken is not among it.
    pub telemetry: Vec<Arrived>,
    /// Ends of dwells that it was told of without asking.
    pub told: Vec<DwellReport>,
    /// Ends of dwells that it was told of because it asked.
    pub answered: Vec<DwellReport>,
    /// Trips that it was told of, but for those that mean that the board is another one now.
    pub trips: Vec<TripCause>,
    from_board: Deframer,
    welcome: bool,
    /// Whether the board has started anew since this ear began to listen.
    restarted: bool,
    over: bool,
}

impl Ear {
    /// An ear of the program whose session has this number.
    #[must_use]
    pub fn new(session: u32) -> Ear {
        Ear { session, ..Ear::default() }
    }

    /// The board starts anew.
    pub fn board_restarted(&mut self) {
        self.restarted = true;
    }

    /// Bytes come out of the line at `ms` of rig time.
    pub fn hear(&mut self, ms: usize, bytes: &[u8]) {
        let mut rest = bytes;
        let mut from_board = std::mem::take(&mut self.from_board);
        while let Some(body) = from_board.next_body(&mut rest) {
            let Ok(message) = body.and_then(decode::<FromBoard<'_>>) else { continue };
            match message {
                FromBoard::Welcome(identity) => self.welcome |= identity.session == self.session,
                _ if !self.welcome => {}
                FromBoard::Telemetry(frame) => {
                    let due = self.telemetry.last().map_or(0, |last| last.first + last.ticks);
                    let past = frame.first.0 < due;
                    // Of a board that has started anew: nothing of the run is left.
                    self.over |= past && self.restarted;
                    if let Ok(samples) = unpack(frame.packed, frame.ticks)
                        && !past
                        && !self.over
                    {
                        let (first, ticks) = (frame.first.0, samples.len() as u32);
                        self.telemetry.push(Arrived { ms, first, ticks });
                    }
                }
                FromBoard::DwellEnded(report) => self.told.push(report),
                FromBoard::Tripped(report) if !matches!(report.cause, TripCause::Restarted(_)) => {
                    self.trips.push(report.cause);
                }
                FromBoard::Ack(ack) if ack.session == self.session => {
                    if let Ok(Reply::Dwell(report)) = ack.result {
                        self.answered.push(report);
                    }
                }
                _ => {}
            }
        }
        self.from_board = from_board;
    }
}
