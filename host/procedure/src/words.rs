//! What the board says, in words for the person at the bench: what happened, what the board did,
//! what to do.

use crate::readings::Reading;
use crate::step::shaft;
use stepwell_protocol::channel::Coil;
use stepwell_protocol::dwell::DwellEnd;
use stepwell_protocol::identity::ResetCause;
use stepwell_protocol::message::{Limit, Refusal, TripCause};
use stepwell_protocol::state::State;

/// The valve that a coil belongs to, in words.
#[must_use]
pub const fn coil(coil: Coil) -> &'static str {
    match coil {
        Coil::Inlet => "inlet valve",
        Coil::Pressure => "pressure valve",
    }
}

/// The state in words.
#[must_use]
pub const fn state(state: State) -> &'static str {
    match state {
        State::Rest => "at rest",
        State::Armed => "armed",
        State::Dwelling => "energised",
        State::Stopping => "stopping",
        State::Tripped => "tripped",
    }
}

/// Why a dwell ended.
#[must_use]
pub const fn dwell_end(end: DwellEnd) -> &'static str {
    match end {
        DwellEnd::Complete => "its time was up",
        DwellEnd::Condition => "the reading it waited for was reached",
        DwellEnd::Stopped => "stopped",
        DwellEnd::Tripped => "the board tripped",
    }
}

/// What is the matter, and what to do about it.
#[must_use]
pub fn cause(cause: TripCause) -> (String, &'static str) {
    let named = |what: &str, which: Coil| format!("{what} {}", coil(which));
    match cause {
        TripCause::LeaseLost => (
            "the host fell silent while outputs were energised".into(),
            "check cable and computer; nothing continues by itself",
        ),
        TripCause::LinkNoise => (
            "too many broken frames on the link".into(),
            "check cable, plugs and earthing of the serial link",
        ),
        TripCause::ForeignSession => (
            "a second program sent commands to the board".into(),
            "close the other program; one program at a time",
        ),
        TripCause::BadCommand => (
            "the host asked for something impossible".into(),
            "this is a fault of the program: keep the run and report it",
        ),
        TripCause::StopChainOpen => {
            ("the stop chain is open".into(), "find out why it was pressed, release it, then clear the trip")
        }
        TripCause::GuardOpen => {
            ("the guard over the drive is open".into(), "wait until the shaft stands still, close the guard")
        }
        TripCause::TankLow => ("the tank is low".into(), "fill up with clean test fluid, prime again"),
        TripCause::RailHigh => (
            "rail pressure above its guard".into(),
            "let it empty, check the gauge; then check the dump, the pressure valve, its plug and the return line",
        ),
        TripCause::RailSensorDead => (
            "the rail pressure sensor reads nothing a healthy sensor reads: open or short".into(),
            "treat the rail as under pressure; check the gauge, then plug and cable of the sensor",
        ),
        TripCause::RailSensorFrozen => (
            "the rail pressure reading has stopped moving".into(),
            "treat the rail as under pressure; check the gauge, then the sensor",
        ),
        TripCause::RailNotZero => (
            "the rail pressure sensor does not read zero at rest".into(),
            "check the gauge: pressure trapped, or the sensor's zero has moved",
        ),
        TripCause::FeedSensorDead => {
            ("the feed pressure sensor is open or short".into(), "check its plug and cable")
        }
        TripCause::FluidTemperature => (
            "the fluid is too hot or too cold, or its temperature sensor is open or short".into(),
            "let the fluid come to temperature, or check the sensor's plug",
        ),
        TripCause::SupplyLow => {
            ("supply voltage below its guard".into(), "check battery or supply and its cables under load")
        }
        TripCause::SupplyHigh => ("supply voltage above its guard".into(), "check the supply or the charger"),
        TripCause::CoilOpen(which) => (
            named("no current through the driven coil of the", which),
            "check that its plug is fitted, then measure the coil with an ohmmeter",
        ),
        TripCause::OverCurrent(which) => (
            named("too much current through the coil of the", which),
            "PULL POWER from the driver stage: its switch may be stuck on and the coil live; then look for a short in \
             coil, plug and cable",
        ),
        TripCause::CurrentAtZeroDuty(which) => (
            named("current at 0 % duty through the coil of the", which),
            "PULL POWER from the driver stage: its switch or the cable is shorted",
        ),
        TripCause::AdcFrozen => ("the board's converter has stopped".into(), "power the board off and on"),
        TripCause::NoFlow => (
            "no flow although flow was expected: a dry run".into(),
            "prime again; check tank, filter and suction side before the drive turns",
        ),
        TripCause::DriveBudget => {
            ("the drive has used up its time".into(), "let the drive rest as long as its rating says")
        }
        TripCause::ShaftStillTurning => (
            "the shaft turns although the drive has long been off".into(),
            "DO NOT TOUCH the shaft; isolate the drive, check its contactor",
        ),
        TripCause::PressureTrapped => (
            "pressure stays in the rail with everything at rest".into(),
            "open nothing; check the gauge and the dump",
        ),
        TripCause::Restarted(reset) => restarted(reset),
    }
}

fn restarted(reset: ResetCause) -> (String, &'static str) {
    let (why, next) = match reset {
        ResetCause::Watchdog => (
            "its watchdog found its program hung",
            "wait for the shaft to stand still and look at the gauge; report it, a bug in the firmware",
        ),
        ResetCause::Fault => (
            "a fault in its program",
            "wait for the shaft to stand still and look at the gauge; report it, a bug in the firmware",
        ),
        ResetCause::BrownOut => (
            "its own supply voltage dipped",
            "wait for the shaft to stand still and look at the gauge; check the board's supply and its earth",
        ),
        ResetCause::PowerOn => ("its power was switched on", "go on"),
        ResetCause::Pin => ("its reset pin was pulled", "go on"),
    };
    (format!("the board has restarted: {why}"), next)
}

/// A trip in a few words: what happened, what the board does about it, what to do.
#[must_use]
pub fn trip(tripped: TripCause, reading: Option<&Reading>) -> String {
    let (what, next) = cause(tripped);
    let done = match tripped {
        // It has done all it can, and it was not enough.
        TripCause::ShaftStillTurning | TripCause::PressureTrapped | TripCause::CurrentAtZeroDuty(_) => {
            "The board drives nothing any more"
        }
        TripCause::Restarted(_) => "All outputs dropped at once",
        _ => STOPPED,
    };
    format!("{}. {done}. Next: {next}.", with(&what, reading))
}

/// What a staged stop does, and no more than it can.
const STOPPED: &str = "The board switched the drive off and relieves the rail as far as it can";

/// The trip for want of flow of a shaft that was too slow, or gave no pulse: what the shaft did, and what to do.
#[must_use]
pub fn trip_too_slow(found_rev_per_s: Option<f64>, asked_rev_per_s: f64) -> String {
    let what = format!(
        "no flow although flow was expected, and {}",
        shaft::too_slow(found_rev_per_s, asked_rev_per_s)
    );
    let next = if found_rev_per_s.is_some() {
        "measure voltage at the drive while it turns, look at the coupling with the power off"
    } else {
        "look at the drive's contactor and supply, at the coupling with the power off, and at the speed sensor's plug"
    };
    format!("{what}. {STOPPED}. Next: {next}.")
}

/// What is the matter, with the reading that shows it.
fn with(what: &str, reading: Option<&Reading>) -> String {
    reading.map_or_else(|| what.to_owned(), |reading| format!("{what} ({reading})"))
}

/// The cause in one word, for machines.
#[must_use]
pub fn cause_word(cause: TripCause) -> String {
    let mut word = String::new();
    for letter in format!("{cause:?}").chars() {
        match letter {
            '(' | ')' => {}
            'A'..='Z' => {
                if !word.is_empty() {
                    word.push('-');
                }
                word.push(letter.to_ascii_lowercase());
            }
            other => word.push(other),
        }
    }
    word
}

fn limit(limit: Limit) -> String {
    match limit {
        Limit::RailMax => "rail pressure guard (counts)".into(),
        Limit::CurrentMax => "coil current guard (counts)".into(),
        Limit::Duty(which) => format!("duty of the {} (0.01 %)", coil(which)),
        Limit::DriveRpm => "drive speed (rpm)".into(),
        Limit::DriveOn => "drive-on time (ms)".into(),
        Limit::DriveRest => "rest of the drive (ms)".into(),
        Limit::DwellLength => "length of a dwell (ms)".into(),
    }
}

/// Why the board would not, and what to do.
#[must_use]
pub fn refusal(refused: Refusal, reading: Option<&Reading>) -> String {
    match refused {
        Refusal::WrongSession => {
            "the board no longer knows this program: it has restarted, or talks to another one; close that one and \
             connect again"
                .into()
        },
        Refusal::OutOfOrder { .. } => "a command was lost on the link; connect again".into(),
        Refusal::Late { late_ms } => {
            format!("the command came {late_ms} ms too late; the link or the computer is too slow")
        }
        Refusal::InState(State::Rest) => {
            "the board has disarmed itself, as it does when it does not hear the host for half a second; the \
             link or the computer is too slow"
                .into()
        }
        Refusal::InState(now) => format!("the board is {} and cannot do this now", state(now)),
        Refusal::GuardsMissing | Refusal::GuardsDiffer => {
            "the board has lost its guards, perhaps by a restart; run again".into()
        }
        Refusal::GuardsInvalid => {
            "the sheets make guards that contradict themselves; check both sheets".into()
        }
        Refusal::AboveCeiling { limit: which, asked, ceiling } => format!(
            "{} of {asked} is beyond the board's ceiling of {ceiling}; lower it in the sheet",
            limit(which)
        ),
        Refusal::BeyondGuard { limit: which, asked, guard } => {
            format!("{} of {asked} is beyond the guard of {guard}; check sheet and procedure", limit(which))
        }
        Refusal::LossUnknown(which) => format!(
            "nobody knows what losing current does to the {}; find out from the maker's data and enter it in \
             the pump sheet as rail_on_loss",
            coil(which)
        ),
        Refusal::NotReady(TripCause::LeaseLost) => {
            "the board did not hear the host often enough to arm; the link or the computer is too slow".into()
        }
        Refusal::NotReady(TripCause::ShaftStillTurning) => {
            "the shaft turns, or turned within the last two seconds; keep hands away, wait until it stands".into()
        }
        Refusal::NotReady(why) => {
            let (what, next) = cause(why);
            format!("not ready: {}. Next: {next}", with(&what, reading))
        }
        Refusal::Tripped(why) => format!("the board is tripped: {}", cause(why).0),
        Refusal::CauseRemains(why) => {
            let (what, next) = cause(why);
            format!(
                "the trip cannot be cleared while its cause remains: {}. Next: {next}",
                with(&what, reading)
            )
        }
        Refusal::DriveMustRest { rest_ms } => {
            format!("the drive must rest for another {:.0} s", f64::from(rest_ms) / 1000.0)
        }
        Refusal::NothingBefore => {
            "it came after the one that it was to follow had ended; the link or the computer is too slow".into()
        }
        Refusal::NothingToRead => {
            "it never began: the board dropped it when it disarmed itself; the link or the computer is too slow".into()
        }
        Refusal::QueueFull | Refusal::Malformed => {
            "the program asked for something impossible: keep the run and report it".into()
        }
    }
}
