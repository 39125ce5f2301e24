//! Holds the code to the page: every frame, table and figure that `docs/protocol.md` prints is
//! compared with what this crate writes, reads and names.
//!
//! The bytes on the page were not made by this crate: body, checksum and stuffing were computed by
//! a separate program written from the page's own rules.
#![expect(clippy::unwrap_used, reason = "a check stops at the first surprise, in its helpers too")]

mod page;

use heapless::{String, Vec as Few};
use page::{PAGE, PrintedFrame, blocks, hex, printed_frames};
use serde::Deserialize;
use serde::de::{Deserializer, Visitor};
use std::collections::BTreeSet;
use std::fmt;
use stepwell_protocol::channel::{Channel, Coil, Sample};
use stepwell_protocol::dwell::{Dwell, DwellEnd, DwellReport, EndWhen, QUEUED_DWELLS_MAX, Ramp, Side, Start};
use stepwell_protocol::frame::{BODY_MAX, Deframer, FRAME_MAX, crc32, decode, encode};
use stepwell_protocol::guards::{Band, Ceilings, CoilGuard, Guards, OnLoss};
use stepwell_protocol::identity::{Identity, ResetCause};
use stepwell_protocol::message::{
    Ack, Action, BURST_PIECE, BurstPiece, Command, FromBoard, HandWork, Hello, Limit, Refusal, Renew, Reply,
    ToBoard, TripCause, TripReport,
};
use stepwell_protocol::state::{State, Status};
use stepwell_protocol::telemetry::{PACKED_MAX, TICKS_PER_FRAME, TelemetryFrame, pack, unpack};
use stepwell_protocol::time::Tick;
use stepwell_protocol::{LEASE_MS, LEFT_ALONE_MS, PROTOCOL_VERSION, RELIEVE_MS_MAX, RENEW_EVERY_MS};

const SESSION: u32 = 795_548_100;

const READINGS: Sample =
    [31_000, 6_611, 14_002, 118, 24_003, 30_500, 29_999, 1_201, 45_678, 65_530, 12_001, 3_500, 0, 0x27EA];

fn guards() -> Guards {
    Guards {
        rail_max: 52_000,
        rail_low: 7_400,
        rail_live: Band { low: 3_200, high: 62_000 },
        rail_zero: Band { low: 6_200, high: 6_900 },
        feed_live: Some(Band { low: 3_000, high: 62_500 }),
        supply: Band { low: 20_000, high: 30_000 },
        fluid: Band { low: 4_000, high: 50_000 },
        coils: [
            Some(CoilGuard {
                on_loss: OnLoss::Rises,
                relieve_e4: 4_000,
                duty_max_e4: 9_000,
                zero: Band { low: 0, high: 300 },
                current_max: 45_000,
                full_duty: 38_000,
            }),
            None,
        ],
        drive_rpm_max: 2_500,
        drive_on_ms_max: 10_000,
        drive_rest_ms_min: 60_000,
        flow_gap_ms_max: 5_000,
    }
}

fn command(id: u16, valid_until: u32, action: Action) -> ToBoard {
    ToBoard::Command(Command { session: SESSION, id, valid_until: Tick(valid_until), action })
}

/// What the page says each printed frame to the board means.
fn to_board() -> Vec<(&'static str, ToBoard)> {
    let settle = Dwell {
        serial: 701,
        start: Start::At(Tick(5_600)),
        duration_ms: 2_000,
        inlet: Ramp::constant(3_500),
        pressure: Ramp::constant(0),
        supply_on: false,
        drive_rpm: 300,
        dump_closed: true,
        expect_flow: true,
        end_when: Some(EndWhen {
            channel: Channel::RailPressure,
            side: Side::Above,
            counts: 40_000,
            for_ms: 20,
        }),
        burst: Some(Coil::Inlet),
    };
    let ramp = Dwell {
        serial: 702,
        start: Start::AfterPrevious,
        duration_ms: 30_000,
        inlet: Ramp { from_e4: 3_500, to_e4: 4_000 },
        pressure: Ramp::constant(0),
        supply_on: true,
        drive_rpm: 0,
        dump_closed: false,
        expect_flow: false,
        end_when: None,
        burst: None,
    };
    let primer = Action::HandWork { at: Tick(9_410), work: HandWork::PrimerStroke };
    vec![
        ("hello", ToBoard::Hello(Hello { protocol: 2, session: SESSION })),
        ("stop", ToBoard::Stop),
        ("renew", ToBoard::Renew(Renew { session: SESSION, valid_until: Tick(5_100) })),
        ("set-guards", command(1, 5_000, Action::SetGuards(guards()))),
        ("arm", command(2, 5_200, Action::Arm { guards_checksum: guards().checksum() })),
        ("disarm", command(3, 5_300, Action::Disarm)),
        ("dwell-at", command(4, 5_400, Action::Dwell(settle))),
        ("dwell-after", command(5, 5_450, Action::Dwell(ramp))),
        ("clear-trip", command(6, 9_000, Action::ClearTrip)),
        ("read-trip", command(7, 9_100, Action::ReadTrip)),
        ("read-dwell", command(8, 9_200, Action::ReadDwell { serial: 701 })),
        ("read-burst", command(9, 9_300, Action::ReadBurst { offset: 120 })),
        ("hand-work", command(10, 9_400, primer)),
    ]
}

fn ack(id: u16, at: u32, result: Result<Reply, Refusal>) -> FromBoard<'static> {
    FromBoard::Ack(Ack { session: SESSION, id, at: Tick(at), result })
}

/// What the page says each printed frame from the board means.
fn from_board(packed: &[u8]) -> Vec<(&'static str, FromBoard<'_>)> {
    let report =
        DwellReport { serial: 701, started: Tick(5_600), ended: Tick(7_012), end: DwellEnd::Tripped };
    let trip =
        TripReport { cause: TripCause::FluidTemperature, at: Tick(7_012), readings: READINGS, later: 2 };
    let over_current = TripCause::OverCurrent(Coil::Pressure);
    let piece = BurstPiece {
        serial: 701,
        coil: Coil::Inlet,
        offset: 120,
        total: 125,
        counts: Few::from_slice(&[0, 1, 127, 128, 4_095]).unwrap(),
    };
    let ceiling = Refusal::AboveCeiling { limit: Limit::Duty(Coil::Pressure), asked: 9_800, ceiling: 9_500 };
    let firmware = |text: &str| String::try_from(text).unwrap();
    vec![
        ("welcome", FromBoard::Welcome(identity())),
        ("wrong-version", FromBoard::WrongVersion { protocol: 3, firmware: firmware("2.0.3") }),
        ("busy", FromBoard::Busy { session: SESSION }),
        ("ack-done", ack(2, 4_955, Ok(Reply::Done))),
        ("ack-trip", ack(7, 9_051, Ok(Reply::Trip(trip)))),
        ("ack-dwell", ack(8, 9_152, Ok(Reply::Dwell(report)))),
        ("ack-burst", ack(9, 9_253, Ok(Reply::Burst(piece)))),
        ("refused-ceiling", ack(1, 4_801, Err(ceiling))),
        ("refused-late", ack(4, 5_650, Err(Refusal::Late { late_ms: 250 }))),
        ("refused-order", ack(9, 5_651, Err(Refusal::OutOfOrder { expected: 5 }))),
        ("refused-not-ready", ack(2, 4_956, Err(Refusal::NotReady(TripCause::GuardOpen)))),
        (
            "telemetry",
            FromBoard::Telemetry(TelemetryFrame {
                number: 698,
                first: Tick(6_980),
                first_us: 6_980_000_417,
                ticks: 3,
                packed,
            }),
        ),
        ("dwell-ended", FromBoard::DwellEnded(report)),
        ("tripped", FromBoard::Tripped(TripReport { cause: over_current, later: 0, ..trip })),
    ]
}

fn identity() -> Identity {
    Identity {
        protocol: 2,
        session: SESSION,
        board: String::try_from("virtual bench").unwrap(),
        firmware: String::try_from("0.1.0").unwrap(),
        serial: 81_985_529_216_486_895,
        simulated: true,
        reset: ResetCause::Pin,
        now: Tick(4_711),
        conversions_per_tick: 16,
        conversion_full_scale: 4_095,
        full_scale_mv: 3_300,
        burst_hz: 40_000,
        pwm_hz: [200, 1_000],
        ceilings: Ceilings {
            rail_max: 58_000,
            current_max: 60_000,
            duty_max_e4: 9_500,
            drive_rpm_max: 3_000,
            drive_on_ms_max: 60_000,
            drive_rest_ms_min: 10_000,
            dwell_ms_max: 120_000,
        },
        drive_left_ms: 7_500,
    }
}

/// The page's worked example of packing: its ticks, one a line, and its packed bytes.
fn worked_ticks() -> Vec<Sample> {
    let mut found = blocks("ticks");
    let (_, lines) = found.pop().expect("the page has a block of ticks");
    let row = |line: &&str| -> Sample {
        let words: Vec<u16> = line.split_whitespace().map(|word| word.parse().unwrap()).collect();
        words.try_into().expect("a tick has every column")
    };
    lines.iter().map(row).collect()
}

fn worked_bytes() -> Vec<u8> {
    let mut found = blocks("packed");
    let (_, lines) = found.pop().expect("the page has a block of packed bytes");
    lines.iter().flat_map(|line| hex(line)).collect()
}

fn check<'a, T>(frame: &'a PrintedFrame, message: &T)
where
    T: serde::Serialize + Deserialize<'a> + PartialEq + fmt::Debug,
{
    let name = frame.name;
    let mut out = [0; FRAME_MAX];
    let len = encode(message, &mut out).unwrap();
    assert_eq!(out.get(..len), Some(frame.wire.as_slice()), "{name}: what is written");
    assert_eq!(decode::<T>(&frame.body).as_ref(), Ok(message), "{name}: what is read");
    assert_eq!(crc32(&frame.body).to_le_bytes().as_slice(), frame.checksum, "{name}: checksum");
    let mut deframer = Deframer::new();
    let mut wire = frame.wire.as_slice();
    assert_eq!(deframer.next_body(&mut wire), Some(Ok(frame.body.as_slice())), "{name}: body");
    assert_eq!(deframer.next_body(&mut wire), None, "{name}: one frame and no more");
}

#[test]
fn every_printed_frame_is_written_and_read_as_the_page_says() {
    let frames = printed_frames();
    let packed = worked_bytes();
    let (to, from) = (to_board(), from_board(&packed));
    for frame in &frames {
        if let Some((_, message)) = to.iter().find(|(name, _)| *name == frame.name) {
            check(frame, message);
        } else if let Some((_, message)) = from.iter().find(|(name, _)| *name == frame.name) {
            check(frame, message);
        } else {
            panic!("the page prints {}, and nothing here says what it means", frame.name);
        }
    }
    let printed: BTreeSet<_> = frames.iter().map(|frame| frame.name).collect();
    let meant: BTreeSet<_> =
        to.iter().map(|(name, _)| *name).chain(from.iter().map(|(name, _)| *name)).collect();
    assert_eq!(printed, meant);
    assert_eq!(frames.len(), printed.len(), "no frame is printed twice");
}

#[test]
fn the_worked_example_packs_and_unpacks() {
    let (ticks, bytes) = (worked_ticks(), worked_bytes());
    let mut out = [0; PACKED_MAX];
    let len = pack(&ticks, &mut out).unwrap();
    assert_eq!(out.get(..len), Some(bytes.as_slice()));
    assert_eq!(unpack(&bytes, ticks.len() as u8).unwrap().as_slice(), ticks);
}

#[test]
fn the_status_words_mean_what_the_page_says() {
    let rows = table("status words");
    assert_eq!(rows.len(), 3);
    for row in rows {
        let [word, state, flags] = row.as_slice() else { panic!("{row:?}") };
        let word = u16::from_str_radix(word.trim_start_matches("0x"), 16).unwrap();
        let status = Status::from_word(word).expect("a status word");
        assert_eq!(format!("{:?}", status.state), *state);
        let set: BTreeSet<&str> = flags.split(',').map(str::trim).collect();
        let shown = format!("{status:?}");
        for bit in table("status bits").iter().skip(1) {
            let name = bit.get(1).unwrap().trim_matches('`');
            assert!(shown.contains(&format!("{name}: {}", set.contains(name))), "{name} in {shown}");
        }
    }
}

#[test]
fn each_status_bit_stands_where_the_page_puts_it() {
    for bit in table("status bits").iter().skip(1) {
        let [number, name, ..] = bit.as_slice() else { panic!("{bit:?}") };
        let word = 1 << number.parse::<u16>().unwrap();
        let shown = format!("{:?}", Status::from_word(word).unwrap());
        assert!(shown.contains(&format!("{}: true", name.trim_matches('`'))), "{name} in {shown}");
        assert_eq!(shown.matches("true").count(), 1);
    }
    assert_eq!(table("status bits").len(), 1 + 11, "the state and eleven flags");
}

#[test]
fn the_figures_are_those_of_the_code() {
    let figures: [(&str, u64); 12] = [
        ("PROTOCOL_VERSION", PROTOCOL_VERSION.into()),
        ("LEASE_MS", LEASE_MS.into()),
        ("RENEW_EVERY_MS", RENEW_EVERY_MS.into()),
        ("LEFT_ALONE_MS", LEFT_ALONE_MS.into()),
        ("RELIEVE_MS_MAX", RELIEVE_MS_MAX.into()),
        ("BODY_MAX", BODY_MAX as u64),
        ("FRAME_MAX", FRAME_MAX as u64),
        ("TICKS_PER_FRAME", TICKS_PER_FRAME as u64),
        ("PACKED_MAX", PACKED_MAX as u64),
        ("BURST_PIECE", BURST_PIECE as u64),
        ("QUEUED_DWELLS_MAX", QUEUED_DWELLS_MAX as u64),
        ("Ramp::FULL_E4", Ramp::FULL_E4.into()),
    ];
    let rows = table("figures");
    assert_eq!(rows.len(), figures.len());
    for (row, (name, value)) in rows.iter().zip(figures) {
        let [printed_name, printed_value, ..] = row.as_slice() else { panic!("{row:?}") };
        assert_eq!(printed_name.trim_matches('`'), name);
        assert_eq!(printed_value.replace(' ', "").parse(), Ok(value), "{name}");
    }
}

#[test]
fn the_page_is_of_the_version_that_it_describes() {
    let version = PROTOCOL_VERSION.to_string();
    assert!(PAGE.contains(&format!("byte for byte. Version {version}.")));
    assert!(PAGE.contains(&format!("Hello{{{version}, session}}")));
    let told = PAGE.lines().filter(|line| line.starts_with("| `protocol` | u16 |"));
    let told: Vec<&str> = told.filter_map(|line| line.split('|').nth(3)).map(str::trim).collect();
    assert_eq!(told, [version.as_str(); 2], "of Hello and Welcome");
}

#[test]
fn every_table_of_tags_lists_the_variants_in_order() {
    tags::<ToBoard>("ToBoard");
    tags::<Action>("Action");
    tags::<HandWork>("HandWork");
    tags::<FromBoard<'static>>("FromBoard");
    tags::<Reply>("Reply");
    tags::<TripCause>("TripCause");
    tags::<Limit>("Limit");
    tags::<Refusal>("Refusal");
    tags::<State>("State");
    tags::<OnLoss>("OnLoss");
    tags::<ResetCause>("ResetCause");
    tags::<Channel>("Channel");
    tags::<Coil>("Coil");
    tags::<Start>("Start");
    tags::<Side>("Side");
    tags::<DwellEnd>("DwellEnd");
}

#[test]
fn every_table_of_fields_lists_them_in_order() {
    fields::<Hello>("Hello");
    fields::<Renew>("Renew");
    fields::<Command>("Command");
    fields::<Identity>("Identity");
    fields::<Ceilings>("Ceilings");
    fields::<Guards>("Guards");
    fields::<CoilGuard>("CoilGuard");
    fields::<Band>("Band");
    fields::<Dwell>("Dwell");
    fields::<Ramp>("Ramp");
    fields::<EndWhen>("EndWhen");
    fields::<Ack>("Ack");
    fields::<TripReport>("TripReport");
    fields::<DwellReport>("DwellReport");
    fields::<BurstPiece>("BurstPiece");
    fields::<TelemetryFrame<'static>>("TelemetryFrame");
}

/// The page has no table that the two tests above do not read.
#[test]
fn no_table_escapes() {
    assert_eq!(PAGE.matches("<!-- tags: ").count(), 16);
    assert_eq!(PAGE.matches("<!-- fields: ").count(), 16);
}

/// The cells of the table that follows `<!-- MARK -->`, without its two head lines.
fn table(mark: &str) -> Vec<Vec<&'static str>> {
    let comment = format!("<!-- {mark} -->");
    let (_, after) = PAGE.split_once(&comment).unwrap_or_else(|| panic!("the page has no {comment}"));
    let rows = after.lines().skip_while(|line| !line.starts_with('|'));
    let cells = |line: &'static str| line.trim_matches('|').split('|').map(str::trim).collect();
    rows.take_while(|line| line.starts_with('|')).skip(2).map(cells).collect()
}

fn tags<T: Deserialize<'static>>(name: &str) {
    let rows = table(&format!("tags: {name}"));
    let numbered: Vec<(usize, &str)> = rows
        .iter()
        .map(|row| match row.as_slice() {
            [tag, variant, ..] => (tag.parse().unwrap(), first_word(variant)),
            _ => panic!("{row:?}"),
        })
        .collect();
    let variants: Vec<(usize, &str)> = names_of::<T>().iter().copied().enumerate().collect();
    assert_eq!(numbered, variants, "{name}");
}

fn fields<T: Deserialize<'static>>(name: &str) {
    let rows = table(&format!("fields: {name}"));
    let listed: Vec<&str> = rows.iter().map(|row| first_word(row.first().unwrap())).collect();
    assert_eq!(listed, names_of::<T>(), "{name}");
}

/// The name inside the first pair of backticks.
fn first_word(cell: &str) -> &str {
    cell.split('`').nth(1).unwrap_or_else(|| panic!("no name in {cell:?}"))
}

/// The names of a type's fields or variants, as it tells them to whoever deserialises it.
fn names_of<T: Deserialize<'static>>() -> &'static [&'static str] {
    match T::deserialize(AskNames) {
        Err(Names(names)) => names,
        Ok(_) => panic!("a type without names"),
    }
}

struct AskNames;

#[derive(Debug)]
struct Names(&'static [&'static str]);

impl fmt::Display for Names {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:?}", self.0)
    }
}

impl std::error::Error for Names {}

impl serde::de::Error for Names {
    fn custom<T: fmt::Display>(_: T) -> Names {
        Names(&[])
    }
}

impl<'de> Deserializer<'de> for AskNames {
    type Error = Names;

    fn deserialize_any<V: Visitor<'de>>(self, _: V) -> Result<V::Value, Names> {
        Err(Names(&[]))
    }

    fn deserialize_struct<V: Visitor<'de>>(
        self,
        _: &'static str,
        fields: &'static [&'static str],
        _: V,
    ) -> Result<V::Value, Names> {
        Err(Names(fields))
    }

    fn deserialize_enum<V: Visitor<'de>>(
        self,
        _: &'static str,
        variants: &'static [&'static str],
        _: V,
    ) -> Result<V::Value, Names> {
        Err(Names(variants))
    }

    serde::forward_to_deserialize_any! {
        bool i8 i16 i32 i64 u8 u16 u32 u64 f32 f64 char str string bytes byte_buf option unit
        unit_struct newtype_struct seq tuple tuple_struct map identifier ignored_any
    }
}
