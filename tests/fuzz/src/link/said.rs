//! What a board may say, true or not.

use arbitrary::Arbitrary;
use serde::ser::{Serialize, SerializeTuple, Serializer};
use stepwell_protocol::PROTOCOL_VERSION;
use stepwell_protocol::channel::{CHANNELS, Coil, Sample};
use stepwell_protocol::dwell::{DwellEnd, DwellReport};
use stepwell_protocol::frame::{FRAME_MAX, encode};
use stepwell_protocol::guards::Ceilings;
use stepwell_protocol::identity::{Identity, ResetCause};
use stepwell_protocol::message::{
    Ack, BURST_PIECE, BurstPiece, FromBoard, Limit, Refusal, Reply, TripCause, TripReport,
};
use stepwell_protocol::state::State;
use stepwell_protocol::telemetry::{PACKED_MAX, TICKS_PER_FRAME, TelemetryFrame, pack};
use stepwell_protocol::time::Tick;

#[derive(Arbitrary, Debug)]
pub(super) enum Said<'a> {
    Welcome { now: u32, conversions: u8, full_scale: u16, millivolts: u16, ceiling: u16, drive_left_ms: u32 },
    WrongVersion(u16),
    Busy,
    Ack { at: u32, result: Answer<'a> },
    Telemetry { first: u32, first_us: u64, ticks: u8, words: [u16; CHANNELS], moves: u16, state: u8 },
    Packed { first: u32, first_us: u64, ticks: u8, packed: &'a [u8] },
    DwellEnded { serial: u8, started: u32, ended: u32, end: u8 },
    Tripped { cause: u8, at: u32, later: u8 },
}

#[derive(Arbitrary, Debug)]
pub(super) enum Answer<'a> {
    Done,
    Trip(u8),
    Dwell(u8),
    Burst { serial: u8, offset: u16, total: u16, counts: &'a [u8] },
    Refused { which: u8, number: u16 },
}

impl Said<'_> {
    pub(super) fn frame(self, session: u32, id: u16) -> Vec<u8> {
        let mut buffer = [0; PACKED_MAX];
        let message = match self {
            Said::Welcome { now, conversions, full_scale, millivolts, ceiling, drive_left_ms } => {
                FromBoard::Welcome(Identity {
                    protocol: PROTOCOL_VERSION,
                    session,
                    board: Default::default(),
                    firmware: Default::default(),
                    serial: 1,
                    simulated: false,
                    reset: ResetCause::Pin,
                    now: Tick(now),
                    conversions_per_tick: conversions,
                    conversion_full_scale: full_scale,
                    full_scale_mv: millivolts,
                    burst_hz: drive_left_ms,
                    pwm_hz: [ceiling, full_scale],
                    ceilings: Ceilings {
                        rail_max: ceiling,
                        current_max: ceiling,
                        duty_max_e4: ceiling,
                        drive_rpm_max: ceiling,
                        drive_on_ms_max: ceiling.into(),
                        drive_rest_ms_min: ceiling.into(),
                        dwell_ms_max: ceiling.into(),
                    },
                    drive_left_ms,
                })
            }
            Said::WrongVersion(protocol) => {
                FromBoard::WrongVersion { protocol, firmware: Default::default() }
            }
            Said::Busy => FromBoard::Busy { session },
            Said::Ack { at, result } => {
                FromBoard::Ack(Ack { session, id, at: Tick(at), result: result.result() })
            }
            Said::Telemetry { first, first_us, ticks, words, moves, state } => {
                let ticks = usize::from(ticks) % TICKS_PER_FRAME + 1;
                let samples: Vec<Sample> =
                    (0..ticks).map(|tick| row(words, moves.wrapping_mul(tick as u16), state)).collect();
                let len = pack(&samples, &mut buffer).unwrap_or_default();
                telemetry(first, first_us, ticks as u8, &buffer[..len])
            }
            Said::Packed { first, first_us, ticks, packed } => {
                telemetry(first, first_us, ticks, &packed[..packed.len().min(PACKED_MAX)])
            }
            Said::DwellEnded { serial, started, ended, end } => {
                FromBoard::DwellEnded(report(serial, started, ended, end))
            }
            Said::Tripped { cause, at, later } => FromBoard::Tripped(trip(cause, at, later)),
        };
        framed(&message)
    }
}

impl Answer<'_> {
    fn result(self) -> Result<Reply, Refusal> {
        match self {
            Answer::Done => Ok(Reply::Done),
            Answer::Trip(cause) => Ok(Reply::Trip(trip(cause, 5, 0))),
            Answer::Dwell(serial) => Ok(Reply::Dwell(report(serial, 1, 2, 0))),
            Answer::Burst { serial, offset, total, counts } => Ok(Reply::Burst(BurstPiece {
                serial: serial.into(),
                coil: Coil::Inlet,
                offset,
                total,
                counts: counts.iter().take(BURST_PIECE).map(|&count| u16::from(count) * 16).collect(),
            })),
            Answer::Refused { which, number } => Err(refusal(which, number)),
        }
    }
}

fn refusal(which: u8, number: u16) -> Refusal {
    let (asked, limit) = (u32::from(number), Limit::RailMax);
    let cause = CAUSES[usize::from(number) % CAUSES.len()];
    match which % 14 {
        0 => Refusal::WrongSession,
        1 => Refusal::OutOfOrder { expected: number },
        2 => Refusal::Late { late_ms: asked },
        3 => Refusal::InState(State::Tripped),
        4 => Refusal::GuardsMissing,
        5 => Refusal::GuardsDiffer,
        6 => Refusal::AboveCeiling { limit, asked, ceiling: 1 },
        7 => Refusal::BeyondGuard { limit, asked, guard: 1 },
        8 => Refusal::NotReady(cause),
        9 => Refusal::Tripped(cause),
        10 => Refusal::CauseRemains(cause),
        11 => Refusal::DriveMustRest { rest_ms: asked },
        12 => Refusal::QueueFull,
        _ => Refusal::NothingToRead,
    }
}

const CAUSES: [TripCause; 8] = [
    TripCause::LeaseLost,
    TripCause::RailHigh,
    TripCause::NoFlow,
    TripCause::PressureTrapped,
    TripCause::CoilOpen(Coil::Inlet),
    TripCause::CurrentAtZeroDuty(Coil::Pressure),
    TripCause::Restarted(ResetCause::Watchdog),
    TripCause::ShaftStillTurning,
];

fn trip(cause: u8, at: u32, later: u8) -> TripReport {
    let cause = CAUSES[usize::from(cause) % CAUSES.len()];
    TripReport { cause, at: Tick(at), readings: [7; CHANNELS], later }
}

fn report(serial: u8, started: u32, ended: u32, end: u8) -> DwellReport {
    let end =
        [DwellEnd::Complete, DwellEnd::Condition, DwellEnd::Stopped, DwellEnd::Tripped][usize::from(end) % 4];
    DwellReport { serial: serial.into(), started: Tick(started), ended: Tick(ended), end }
}

fn telemetry(first: u32, first_us: u64, ticks: u8, packed: &[u8]) -> FromBoard<'_> {
    FromBoard::Telemetry(TelemetryFrame { number: first, first: Tick(first), first_us, ticks, packed })
}

fn row(words: [u16; CHANNELS], moves: u16, state: u8) -> Sample {
    let mut row = words.map(|word| word.wrapping_add(moves));
    if let Some(status) = row.last_mut() {
        *status = u16::from(state);
    }
    row
}

/// A body of these bytes, whether or not they are a message.
pub(super) struct Body<'a>(pub(super) &'a [u8]);

impl Serialize for Body<'_> {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        let mut tuple = to.serialize_tuple(self.0.len())?;
        self.0.iter().try_for_each(|byte| tuple.serialize_element(byte))?;
        tuple.end()
    }
}

pub(super) fn framed<T: Serialize>(message: &T) -> Vec<u8> {
    let mut frame = vec![0; FRAME_MAX];
    let len = encode(message, &mut frame).unwrap_or_else(|error| panic!("{error:?}"));
    frame.truncate(len);
    frame
}
