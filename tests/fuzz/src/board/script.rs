//! What hosts and rigs do to a board, right and wrong.

use super::witness::Witness;
use arbitrary::Arbitrary;
use stepwell_protocol::channel::{Channel, Coil};
use stepwell_protocol::dwell::{Dwell, EndWhen, Ramp, Side, Start};
use stepwell_protocol::guards::{Band, CoilGuard, Guards, OnLoss};
use stepwell_protocol::message::{Action, HandWork};
use stepwell_protocol::time::Tick;

/// Something that happens.
#[derive(Arbitrary, Debug)]
pub(super) enum Event<'a> {
    Raw(&'a [u8]),
    Hello {
        session: u8,
        version: Small,
    },
    Stop,
    Renew {
        session: u8,
        valid: i16,
    },
    Renewing(bool),
    /// A command, right or wrong in every part.
    Act {
        session: u8,
        number: Small,
        valid: i16,
        wish: Wish,
    },
    /// A command as it should be.
    Wish(Wish),
    Repeat,
    Ready(GuardWish),
    Break(Fault),
    Heal,
    Wait(u8),
    WaitLong(u8),
}

/// Nearly always 0.
#[derive(Arbitrary, Clone, Copy, Debug)]
pub(super) struct Small(u8);

impl From<Small> for u16 {
    fn from(Small(byte): Small) -> u16 {
        match byte {
            254 => u16::MAX,
            253 => 1,
            255 => 5_000,
            _ => 0,
        }
    }
}

/// What a command asks for; ticks are relative.
#[derive(Arbitrary, Debug)]
pub(super) enum Wish {
    Guards(GuardWish),
    Arm,
    ArmBlindly(u32),
    Disarm,
    Dwell(DwellWish),
    ClearTrip,
    ReadTrip,
    ReadDwell(u16),
    ReadBurst(u16),
    HandWork { in_ms: i8, work: u8 },
}

#[derive(Arbitrary, Debug)]
pub(super) struct DwellWish {
    serial: u8,
    /// `None` follows the one before.
    in_ms: Option<i16>,
    duration_ms: u16,
    duties_e4: [u16; 4],
    drive_rpm: u16,
    on: u8,
    end_when: Option<(u8, bool, u16, u8)>,
    burst: Option<bool>,
}

#[derive(Arbitrary, Debug)]
pub(super) struct GuardWish {
    /// Of each coil: none, and what losing current does.
    coils: [u8; 2],
    relieve_e4: [u16; 2],
    duty_max_e4: Option<u16>,
    drive: Option<(u16, u16, u16)>,
    rail: Option<(u16, u16)>,
    other: Option<(u8, u16)>,
}

/// Something of the rig is broken.
#[derive(Arbitrary, Debug)]
pub(super) enum Fault {
    Reads { channel: u8, counts: u16 },
    Jumps { channel: u8, counts: u16 },
    Heals { channel: u8 },
    Inputs(u8),
    AdcFrozen(bool),
    CoilOpen(bool),
    CurrentAdded { coil: bool, counts: u16 },
    NoFlow(bool),
    ShaftTurnsOn(bool),
    PressureTrapped(bool),
    Rail(u16),
}

impl GuardWish {
    /// Guards of a pump with an inlet valve that holds pressure without current and a pressure valve that
    /// lets it go, with what is wished changed.
    pub(super) fn guards(&self) -> Guards {
        let coil = |index: usize| {
            let on_loss = match (self.coils[index] % 4, index) {
                (0, 0) | (1, 1) => OnLoss::Rises,
                (2, _) => OnLoss::Unknown,
                (3, _) => return None,
                _ => OnLoss::Falls,
            };
            Some(CoilGuard {
                on_loss,
                relieve_e4: self.relieve_e4[index] % 10_100,
                duty_max_e4: self.duty_max_e4.unwrap_or(9_000),
                zero: Band { low: 300, high: 500 },
                current_max: 12_000,
                full_duty: 10_000,
            })
        };
        let (drive_rpm_max, drive_on_ms_max, drive_rest_ms_min) = self.drive.unwrap_or((1_000, 9_000, 2_000));
        let (rail_max, rail_low) = self.rail.unwrap_or((20_000, 5_000));
        let mut guards = Guards {
            rail_max,
            rail_low,
            rail_live: Band { low: 1_000, high: 38_000 },
            rail_zero: Band { low: 3_900, high: 4_300 },
            feed_live: Some(Band { low: 1_000, high: 38_000 }),
            supply: Band { low: 17_000, high: 25_000 },
            fluid: Band { low: 2_000, high: 30_000 },
            coils: [coil(0), coil(1)],
            drive_rpm_max,
            drive_on_ms_max: drive_on_ms_max.into(),
            drive_rest_ms_min: drive_rest_ms_min.into(),
            flow_gap_ms_max: 300,
        };
        match self.other {
            Some((0, counts)) => guards.rail_live.low = counts,
            Some((1, counts)) => guards.rail_live.high = counts,
            Some((2, counts)) => guards.rail_zero.high = counts,
            Some((3, counts)) => guards.supply.high = counts,
            Some((4, counts)) => guards.fluid.low = counts,
            Some((5, counts)) => guards.flow_gap_ms_max = counts,
            Some((6, _)) => guards.feed_live = None,
            _ => {}
        }
        guards
    }
}

impl Wish {
    pub(super) fn action(&self, now: Tick, witness: &Witness) -> Action {
        let later = |ms: i32| Tick(now.0.wrapping_add_signed(ms));
        match self {
            Wish::Guards(wish) => Action::SetGuards(wish.guards()),
            Wish::Arm => {
                Action::Arm { guards_checksum: witness.guards().map_or(0, |guards| guards.checksum()) }
            }
            Wish::ArmBlindly(guards_checksum) => Action::Arm { guards_checksum: *guards_checksum },
            Wish::Disarm => Action::Disarm,
            Wish::Dwell(wish) => Action::Dwell(wish.dwell(later)),
            Wish::ClearTrip => Action::ClearTrip,
            Wish::ReadTrip => Action::ReadTrip,
            Wish::ReadDwell(serial) => Action::ReadDwell { serial: *serial },
            Wish::ReadBurst(offset) => Action::ReadBurst { offset: *offset },
            Wish::HandWork { in_ms, work } => {
                let work = [HandWork::UnionCracked, HandWork::UnionClosed, HandWork::PrimerStroke]
                    [usize::from(*work) % 3];
                Action::HandWork { at: later((*in_ms).into()), work }
            }
        }
    }
}

impl DwellWish {
    fn dwell(&self, later: impl Fn(i32) -> Tick) -> Dwell {
        let [from_e4, to_e4, from2_e4, to2_e4] = self.duties_e4.map(|duty| duty % 10_100);
        let end_when = self.end_when.map(|(channel, above, counts, for_ms)| EndWhen {
            channel: Channel::ALL[usize::from(channel) % Channel::ALL.len()],
            side: if above { Side::Above } else { Side::Below },
            counts,
            for_ms: for_ms.into(),
        });
        Dwell {
            serial: self.serial.into(),
            start: self.in_ms.map_or(Start::AfterPrevious, |ms| Start::At(later(ms.into()))),
            duration_ms: self.duration_ms.into(),
            inlet: Ramp { from_e4, to_e4 },
            pressure: Ramp { from_e4: from2_e4, to_e4: to2_e4 },
            supply_on: self.on & 1 != 0,
            drive_rpm: if self.on & 2 != 0 { self.drive_rpm % 1_100 } else { 0 },
            dump_closed: self.on & 4 != 0,
            expect_flow: self.on & 8 != 0,
            end_when,
            burst: self.burst.map(|inlet| if inlet { Coil::Inlet } else { Coil::Pressure }),
        }
    }
}
