//! Scripts that show something, as the bytes that [`super::check`] reads: what fuzzing begins with, and for each
//! cause of a trip one that a board which does not see it fails.

use stepwell_protocol::channel::Coil;
use stepwell_protocol::message::TripCause;

/// A name for each script that fuzzing begins with, and its bytes. All that is interesting begins with a board that
/// was switched on, made ready and has run dwells.
pub fn scripts() -> Vec<(&'static str, Vec<u8>)> {
    let start = start();
    let brief = |in_ms: Option<i16>| [dwell(in_ms, 300, DRIVEN), WAIT_200_MS.to_vec()].concat();
    let chain = [brief(Some(10)), dwell(None, 300, DRIVEN), WAIT_2_S.to_vec()].concat();
    let closed_and_cleared = [variant(10, 13), WAIT_2_S.to_vec(), variant(6, 13), variant(5, 10)].concat();
    let tripped =
        [brief(Some(10)), broken(3, &[1]), WAIT_200_MS.to_vec(), WAIT_2_S.repeat(3), closed_and_cleared];
    let stopped = [brief(Some(10)), STOP.to_vec(), WAIT_2_S.to_vec()].concat();
    // Of each promise of the witness one script in which only the board's care keeps it.
    let late = [variant(5, 13), vec![0, 0], (-100_i16).to_le_bytes().to_vec(), variant(3, 10)].concat();
    let queued = [dwell(Some(500), 300, DRIVEN), STOP.to_vec(), WAIT_2_S.to_vec()].concat();
    // What is wrong with a dwell comes before the state, in which no dwell is taken.
    let impossible = [STOP.to_vec(), dwell(Some(10), 0, DRIVEN), WAIT_2_S.repeat(3)].concat();
    // Current in a coil that was never driven, as soon as the board works.
    let at_once = [ready(), dwell(Some(10), 9_000, AT_REST), reads(2, 1_000), WAIT_2_S.to_vec()].concat();
    let mut scripts = vec![
        ("ready", Vec::new()),
        ("dwell", brief(Some(10))),
        ("chain", chain),
        ("trip", tripped.concat()),
        ("stop", stopped),
        ("ends", ends()),
        ("late", [long(DRIVEN), late, WAIT_200_MS.to_vec()].concat()),
        ("stopped-impossible", [brief(Some(10)), impossible].concat()),
        ("stopped-queue", [brief(Some(10)), queued].concat()),
    ];
    for (_, script) in &mut scripts {
        *script = [start.as_slice(), script].concat();
    }
    scripts.push(("current-at-once", at_once));
    scripts.extend(unseen().into_iter().map(|Unseen { name, script, .. }| (name, script)));
    scripts
}

/// A dwell that its condition ends, one whose time is up, and one that another takes over while a third waits.
fn ends() -> Vec<u8> {
    let first = ended_by_rail(dwell(Some(10), 2_000, DRIVEN), 6_000, 30);
    let followers = [dwell(None, 200, AT_REST), dwell(None, 3_000, DRIVEN), dwell(None, 3_000, AT_REST)];
    // No more than four commands a tick.
    let over = [WAIT_200_MS.to_vec(), dwell(Some(1_000), 100, AT_REST)].concat();
    [first, followers.concat(), over, WAIT_2_S.to_vec()].concat()
}

/// What becomes of a board that does not see a cause.
pub struct Unseen {
    /// A name for the script.
    pub name: &'static str,
    /// The cause.
    pub cause: TripCause,
    /// In which it comes about.
    pub script: Vec<u8>,
    /// What the witness says then.
    pub said: &'static str,
}

/// A script for each cause that ends a dwell or must be latched after one: a dwell, and what happens in it and then.
pub fn unseen() -> Vec<Unseen> {
    use TripCause as Cause;
    const INLET: Coil = Coil::Inlet;
    const PRESSURE: Coil = Coil::Pressure;
    let noise = [variant(0, 13), [5, 0].repeat(NOISE_BYTES / 2), WAIT_600_MS.to_vec()].concat();
    let renewal = [variant(3, 13), vec![1], 200_i16.to_le_bytes().to_vec()].concat();
    let turning = [broken(8, &[1]), WAIT_2_S.repeat(4)].concat();
    let silence = [variant(4, 13), vec![0]].concat();
    // A rest of nine seconds would fill the drive's account; it is over at once, and the turn that counts on it follows.
    let rest = ended_by_rail(dwell(None, 9_000, AT_REST), 0, 1);
    let overdriven = [rest, dwell(None, 9_000, DRIVEN), WAIT_2_S.repeat(4)].concat();
    let trapped = [broken(9, &[1]), STOP.to_vec(), WAIT_2_S.repeat(5)].concat();
    let rows = [
        ("stop-chain-open", Cause::StopChainOpen, DRIVEN, broken(3, &[1]), "the stop chain is open"),
        ("guard-open", Cause::GuardOpen, DRIVEN, broken(3, &[2]), "the guard is open"),
        ("tank-low", Cause::TankLow, DRIVEN, broken(3, &[4]), "the tank is low"),
        ("converter", Cause::AdcFrozen, DRIVEN, broken(4, &[1]), "the converter stands still"),
        ("supply-low", Cause::SupplyLow, DRIVEN, reads(4, 100), "supply too low"),
        ("supply-high", Cause::SupplyHigh, DRIVEN, reads(4, 30_000), "supply too high"),
        ("rail-sensor-dead", Cause::RailSensorDead, DRIVEN, reads(0, 500), "the rail sensor is dead"),
        ("rail-high", Cause::RailHigh, DRIVEN, reads(0, 25_000), "the rail is too high"),
        (
            "rail-sensor-frozen",
            Cause::RailSensorFrozen,
            DRIVEN,
            reads(0, 4_100),
            "the rail sensor stands still",
        ),
        ("feed-sensor-dead", Cause::FeedSensorDead, DRIVEN, reads(1, 100), "the feed sensor is dead"),
        ("fluid", Cause::FluidTemperature, DRIVEN, reads(5, 100), "the fluid is too hot or too cold"),
        ("inlet-over", Cause::OverCurrent(INLET), DRIVEN, reads(2, 15_000), "over-current of the inlet coil"),
        (
            "pressure-over",
            Cause::OverCurrent(PRESSURE),
            DRIVEN,
            reads(3, 15_000),
            "over-current of the pressure coil",
        ),
        (
            "inlet-idle",
            Cause::CurrentAtZeroDuty(INLET),
            AT_REST,
            reads(2, 1_000),
            "current in the idle inlet coil",
        ),
        (
            "pressure-idle",
            Cause::CurrentAtZeroDuty(PRESSURE),
            AT_REST,
            reads(3, 1_000),
            "current in the idle pressure coil",
        ),
        (
            "inlet-open",
            Cause::CoilOpen(INLET),
            DRIVEN,
            broken(5, &[0]),
            "no current in the driven inlet coil",
        ),
        (
            "pressure-open",
            Cause::CoilOpen(PRESSURE),
            DRIVEN,
            broken(5, &[1]),
            "no current in the driven pressure coil",
        ),
        ("shaft-turns-on", Cause::ShaftStillTurning, AT_REST, turning, "the shaft turns without its drive"),
        ("noise", Cause::LinkNoise, DRIVEN, noise.repeat(4), "broken frames"),
        ("second-host", Cause::ForeignSession, DRIVEN, renewal, "a second host"),
        ("impossible", Cause::BadCommand, DRIVEN, dwell(Some(10), 0, DRIVEN), "an impossible dwell"),
        ("no-flow", Cause::NoFlow, DRIVEN, broken(7, &[1]), "no flow for"),
        ("silent-host", Cause::LeaseLost, DRIVEN, silence, "a dwell without a lease"),
        ("overdriven", Cause::DriveBudget, DRIVEN, overdriven, "the drive turns beyond its rating"),
        ("trapped", Cause::PressureTrapped, DRIVEN, trapped, "pressure stays, and nobody is told"),
    ];
    rows.map(|(name, cause, does, what, said)| {
        // The number of bytes that a raw piece has comes at the very end.
        let lengths = if cause == Cause::LinkNoise { vec![NOISE_BYTES as u8; 4] } else { Vec::new() };
        let script = [start(), long(does), what, WAIT_2_S.repeat(2), lengths].concat();
        Unseen { name, cause, script, said }
    })
    .into()
}

/// Bytes of noise at a time, two for each frame that is none. All in all less than 256: one byte tells a length.
const NOISE_BYTES: usize = 42;

const WAIT_200_MS: [u8; 5] = [0, 0, 0, 0xE2, 200];
const WAIT_600_MS: [u8; 5] = [0, 0, 0, 0xF6, 6];
const WAIT_2_S: [u8; 5] = [0, 0, 0, 0xF6, 20];
const STOP: [u8; 4] = [0, 0, 0, 0x31];

/// Duties in 0.01 %, inlet from and to, pressure from and to; what is on: supply, drive, dump, flow expected.
type Does = ([u16; 4], u8);

/// Everything on.
const DRIVEN: Does = ([3_000, 3_000, 4_000, 4_000], 0x0F);

/// Nothing on.
const AT_REST: Does = ([0; 4], 0);

/// A board that was switched on two seconds ago, and a good host that has just armed it; the inlet valve relieves at
/// 60 %.
fn ready() -> Vec<u8> {
    let good_host = [variant(8, 13), vec![0, 0, 0x70, 0x17, 0, 0, 0, 0, 0, 0]].concat();
    [&[0], WAIT_2_S.as_slice(), &good_host].concat()
}

/// The same a little later, before its first dwell.
fn start() -> Vec<u8> {
    [ready(), WAIT_200_MS.to_vec()].concat()
}

/// A dwell of nine seconds, the first tenths of a second of it.
fn long(does: Does) -> Vec<u8> {
    // A drive may turn for four seconds by then.
    let duration_ms = if does == DRIVEN { 4_000 } else { 9_000 };
    [dwell(Some(10), duration_ms, does), WAIT_200_MS.to_vec()].concat()
}

fn dwell(in_ms: Option<i16>, duration_ms: u16, (duties_e4, on): Does) -> Vec<u8> {
    let start = in_ms.map_or(vec![0], |ms| [vec![1], ms.to_le_bytes().to_vec()].concat());
    let duties: Vec<u8> = duties_e4.into_iter().flat_map(u16::to_le_bytes).collect();
    let head = [variant(6, 13), variant(4, 10), vec![1], start, duration_ms.to_le_bytes().to_vec()];
    [head.concat(), duties, vec![0xF4, 0x01, on, 0, 0]].concat()
}

/// The same, over when the rail has read more than so many counts for so long.
fn ended_by_rail(mut dwell: Vec<u8>, counts: u16, for_ms: u8) -> Vec<u8> {
    // In the place of no condition; no burst stays as it was.
    dwell.truncate(dwell.len() - 2);
    let [low, high] = counts.to_le_bytes();
    [dwell, vec![1, 0, 1, low, high, for_ms, 0]].concat()
}

/// Something of the rig breaks: the number of the fault, and its fields.
fn broken(fault: u32, fields: &[u8]) -> Vec<u8> {
    [variant(9, 13), variant(fault, 11), fields.to_vec()].concat()
}

/// A channel reads this from now on.
fn reads(channel: u8, counts: u16) -> Vec<u8> {
    broken(0, &[vec![channel], counts.to_le_bytes().to_vec()].concat())
}

/// The choice of a variant, as scripts are read.
pub fn variant(index: u32, of: u32) -> Vec<u8> {
    let share = (u64::from(2 * index + 1) << 31) / u64::from(of);
    (share as u32).to_le_bytes().to_vec()
}
