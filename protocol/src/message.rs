//! The whole conversation: everything either side can say.
//!
//! The order of variants is the order on the wire and part of the protocol version. `Hello`, `Stop`
//! and `WrongVersion` never change at all (a reader takes no body with bytes to spare), `Welcome`
//! keeps its tag and its first field, so that any two versions can still refuse each other by name.

use crate::channel::{Coil, Sample};
use crate::dwell::{Dwell, DwellReport};
use crate::guards::Guards;
use crate::identity::{Identity, ResetCause};
use crate::state::State;
use crate::telemetry::TelemetryFrame;
use crate::time::Tick;
use heapless::{String, Vec};
use serde::{Deserialize, Serialize};

/// From host to board.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum ToBoard {
    /// Opens a session. Understood by every version.
    Hello(Hello),
    /// Asks for the staged stop. Understood by every version, in any session, at any time.
    Stop,
    /// Renews the lease. Not acknowledged.
    Renew(Renew),
    /// Asks for something, once.
    Command(Command),
}

/// Opens a session.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Hello {
    /// Version of the conversation that the host speaks.
    pub protocol: u16,
    /// A number for the session, chosen by the host at random; later frames carry it.
    pub session: u32,
}

/// Renews the lease.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Renew {
    /// The session.
    pub session: u32,
    /// The renewal counts for nothing after this tick: it has waited in a buffer for too long.
    pub valid_until: Tick,
}

/// Asks for something, once.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Command {
    /// The session.
    pub session: u32,
    /// Number of the command in the session: 1 for the first, then one more each time. A repeated
    /// number is answered again and not applied again.
    pub id: u16,
    /// The command is refused as late after this tick.
    pub valid_until: Tick,
    /// What is asked.
    pub action: Action,
}

/// What a command asks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Action {
    /// Sets the guards. Allowed at rest only.
    SetGuards(Guards),
    /// Arms, if every check passes and the guards' checksum is the quoted one.
    Arm {
        /// [`Guards::checksum`] of what the host believes is set.
        guards_checksum: u32,
    },
    /// Goes back to rest.
    Disarm,
    /// Runs or queues a dwell.
    Dwell(Dwell),
    /// Clears a latched trip whose cause is gone. Never energises anything.
    ClearTrip,
    /// Asks for the latched trip again.
    ReadTrip,
    /// Asks what became of a dwell, one of the latest eight.
    ReadDwell {
        /// The host's number for the dwell.
        serial: u16,
    },
    /// Asks for a piece of the captured burst.
    ReadBurst {
        /// Index of the first sample wanted.
        offset: u16,
    },
    /// Tells the board what the operator has just done by hand. A real board takes note and no
    /// action; a simulated rig moves what the hand moved.
    HandWork {
        /// The tick at which a simulated rig shall move.
        at: Tick,
        /// What was done.
        work: HandWork,
    },
}

/// What an operator does at the rig by hand.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum HandWork {
    /// Cracked the union at the rail open.
    UnionCracked,
    /// Closed the union.
    UnionClosed,
    /// Gave the hand primer one stroke.
    PrimerStroke,
}

/// From board to host.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum FromBoard<'a> {
    /// Answers a greeting in the board's version. Understood by every version as far as its first
    /// field.
    Welcome(Identity),
    /// Refuses a greeting in another version. Understood by every version.
    WrongVersion {
        /// The version that the board speaks.
        protocol: u16,
        /// Version of the firmware, for people.
        firmware: String<16>,
    },
    /// Refuses a greeting because another session is using the bench.
    Busy {
        /// The session that was proposed.
        session: u32,
    },
    /// Answers a command.
    Ack(Ack),
    /// Some ticks of telemetry.
    #[serde(borrow)]
    Telemetry(TelemetryFrame<'a>),
    /// A dwell has ended.
    DwellEnded(DwellReport),
    /// The board has tripped.
    Tripped(TripReport),
}

/// Answers a command.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Ack {
    /// The session.
    pub session: u32,
    /// Number of the command.
    pub id: u16,
    /// The tick at which the command was first handled.
    pub at: Tick,
    /// What came of it.
    pub result: Result<Reply, Refusal>,
}

/// How many burst samples one piece carries.
pub const BURST_PIECE: usize = 60;

/// What a command that was carried out brings back.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Reply {
    /// Done.
    Done,
    /// The latched trip.
    Trip(TripReport),
    /// What became of a dwell.
    Dwell(DwellReport),
    /// A piece of the burst.
    Burst(BurstPiece),
}

/// A piece of the captured burst: one coil's current at the burst rate, single conversions.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct BurstPiece {
    /// The dwell at whose first tick the burst begins.
    pub serial: u16,
    /// The coil.
    pub coil: Coil,
    /// Index of the first sample of this piece.
    pub offset: u16,
    /// Number of samples in the whole burst.
    pub total: u16,
    /// The samples, in counts of one conversion. On the wire two bytes each, low byte first: a
    /// varint each would take the board's processor a third longer to write.
    #[serde(with = "low_byte_first")]
    pub counts: Vec<u16, BURST_PIECE>,
}

mod low_byte_first {
    //! Words as a string of bytes.

    use super::BURST_PIECE;
    use heapless::Vec;
    use serde::de::Error;
    use serde::{Deserialize, Deserializer, Serializer};

    pub(super) fn serialize<S: Serializer>(counts: &Vec<u16, BURST_PIECE>, to: S) -> Result<S::Ok, S::Error> {
        let mut bytes = [[0; 2]; BURST_PIECE];
        for (pair, count) in bytes.iter_mut().zip(counts) {
            *pair = count.to_le_bytes();
        }
        to.serialize_bytes(bytes.as_flattened().get(..2 * counts.len()).unwrap_or_default())
    }

    pub(super) fn deserialize<'a, D: Deserializer<'a>>(from: D) -> Result<Vec<u16, BURST_PIECE>, D::Error> {
        let bytes = <&[u8]>::deserialize(from)?;
        match bytes.as_chunks::<2>() {
            (pairs, []) if pairs.len() <= BURST_PIECE => {
                Ok(pairs.iter().map(|&pair| u16::from_le_bytes(pair)).collect())
            }
            _ => Err(D::Error::custom("a burst piece that is no row of words")),
        }
    }
}

/// Why the board tripped.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum TripCause {
    /// The host fell silent while outputs were energised.
    LeaseLost,
    /// Too many broken frames arrived.
    LinkNoise,
    /// Well-formed frames of another session arrived while outputs were energised.
    ForeignSession,
    /// A command asked for something impossible.
    BadCommand,
    /// The hardware stop chain is open.
    StopChainOpen,
    /// The guard over the drive is open.
    GuardOpen,
    /// The tank is low.
    TankLow,
    /// Rail pressure above the guard.
    RailHigh,
    /// The rail sensor reads what no healthy sensor reads: open or short.
    RailSensorDead,
    /// The rail sensor has stopped moving at all.
    RailSensorFrozen,
    /// The rail sensor does not read zero at rest.
    RailNotZero,
    /// The feed sensor reads what no healthy sensor reads.
    FeedSensorDead,
    /// Fluid too hot, too cold, or its sensor open or short.
    FluidTemperature,
    /// Supply voltage below the guard.
    SupplyLow,
    /// Supply voltage above the guard.
    SupplyHigh,
    /// No current although the coil is driven.
    CoilOpen(Coil),
    /// Too much current.
    OverCurrent(Coil),
    /// Current although the coil is not driven.
    CurrentAtZeroDuty(Coil),
    /// The ADC has stopped delivering.
    AdcFrozen,
    /// No flow although flow was expected: a dry run.
    NoFlow,
    /// The drive has used up its budget.
    DriveBudget,
    /// The shaft turns although the drive has long been off.
    ShaftStillTurning,
    /// Pressure stays in the rail long after everything went to rest.
    PressureTrapped,
    /// The board has started again by itself: outputs dropped at once, without a staged stop.
    Restarted(ResetCause),
}

/// The latched trip: the first cause and what the board read at that moment.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TripReport {
    /// The first cause.
    pub cause: TripCause,
    /// When it tripped.
    pub at: Tick,
    /// All columns at that tick.
    pub readings: Sample,
    /// How many further causes came after the first.
    pub later: u8,
}

/// A limit, named for a refusal.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Limit {
    /// Rail pressure, in counts.
    RailMax,
    /// Coil current, in counts.
    CurrentMax,
    /// Duty of a coil, in 0.01 %.
    Duty(Coil),
    /// Drive speed, in revolutions per minute.
    DriveRpm,
    /// Drive-on time, in milliseconds.
    DriveOn,
    /// Rest that refills the drive budget, in milliseconds.
    DriveRest,
    /// Length of a dwell, in milliseconds.
    DwellLength,
}

/// Why the board would not.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Refusal {
    /// The command belongs to another session.
    WrongSession,
    /// The command skipped a number or came back from the past.
    OutOfOrder {
        /// The number that was due.
        expected: u16,
    },
    /// The command, or the start of its dwell, came too late.
    Late {
        /// By how much, in milliseconds.
        late_ms: u32,
    },
    /// Not in this state.
    InState(State),
    /// Guards must be set first.
    GuardsMissing,
    /// The board's guards are not the ones the host means.
    GuardsDiffer,
    /// A guard is upside down or makes no sense.
    GuardsInvalid,
    /// Above a ceiling of the board.
    AboveCeiling {
        /// Which.
        limit: Limit,
        /// What was asked.
        asked: u32,
        /// The ceiling.
        ceiling: u32,
    },
    /// Beyond a guard.
    BeyondGuard {
        /// Which.
        limit: Limit,
        /// What was asked.
        asked: u32,
        /// The guard.
        guard: u32,
    },
    /// Nobody knows what losing current does to this valve.
    LossUnknown(Coil),
    /// A check that must pass before arming fails now.
    NotReady(TripCause),
    /// Tripped, and not cleared.
    Tripped(TripCause),
    /// The trip's cause is still there.
    CauseRemains(TripCause),
    /// The drive must rest first.
    DriveMustRest {
        /// For how long, in milliseconds.
        rest_ms: u32,
    },
    /// No more dwells can wait.
    QueueFull,
    /// Nothing to follow.
    NothingBefore,
    /// A field is out of its range.
    Malformed,
    /// There is no such burst, report or trip to read.
    NothingToRead,
}
