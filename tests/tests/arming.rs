//! What forbids arming: a sound board refuses, and one that does not see the cause is caught by the checkers once it is
//! armed, cause by cause.

use stepwell_protocol::channel::Coil;
use stepwell_protocol::message::{Action, Refusal, Reply, TripCause};
use stepwell_tests::promised;
use stepwell_tests::world::case::Case;
use stepwell_tests::world::machine::Machine;
use stepwell_tests::world::scripted::Scripted;

/// What becomes of a board that does not see a cause.
enum Unseen {
    /// It arms; this is said of it.
    Caught(&'static str),
    /// Something else forbids it as well: another cause that is there whenever this one is.
    Forbidden(TripCause),
}

use Unseen::{Caught, Forbidden};

/// Causes that forbid arming, what brings each about on a rig at rest, and what becomes of a board that does not see it.
const FORBID: &[(TripCause, &str, Unseen)] = &[
    (TripCause::StopChainOpen, "stop-chain-open", Caught("stop chain open for")),
    (TripCause::GuardOpen, "guard-open", Caught("guard open for")),
    (TripCause::TankLow, "empty-tank", Caught("tank low for")),
    (TripCause::AdcFrozen, "board-adc-stuck", Caught("converter stands still for")),
    (TripCause::SupplyLow, "low-supply-voltage", Caught("supply low for")),
    (TripCause::SupplyHigh, "high-supply-voltage", Caught("supply high for")),
    (TripCause::FeedSensorDead, "feed-sensor-open", Caught("feed sensor without a line for")),
    (TripCause::FluidTemperature, "fluid-thermistor-open", Caught("fluid sensor without a line for")),
    (TripCause::ShaftStillTurning, "drive-starts-by-itself", Caught("shaft")),
    // A dead sensor proves no low rail.
    (TripCause::RailSensorDead, "rail-sensor-open", Forbidden(TripCause::RailNotZero)),
    (TripCause::RailNotZero, "rail-sensor-offset", Forbidden(TripCause::PressureTrapped)),
    // A coil that its switch alone drives at rest draws all that it can.
    (
        TripCause::OverCurrent(Coil::Inlet),
        "inlet-switch-stuck-on",
        Forbidden(TripCause::CurrentAtZeroDuty(Coil::Inlet)),
    ),
    (
        TripCause::OverCurrent(Coil::Pressure),
        "pressure-switch-stuck-on",
        Forbidden(TripCause::CurrentAtZeroDuty(Coil::Pressure)),
    ),
];

/// What comes of an arming under a fault that was there before, and what is said of a board that is armed by it.
fn armed(fault: &str, unseen: Option<TripCause>) -> (Result<Reply, Refusal>, Vec<String>) {
    let case: Case = format!("short heron 1 good {fault}@200+600000*1").parse().expect("a case");
    let mut host = Scripted::new(&case.plan(), Machine::new(case.rig(), 1, unseen));
    host.befall(case.mishap.expect("a fault"));
    host.pass(3_000);
    let guards = host.guards();
    host.ask(Action::SetGuards(guards)).expect("guards of the sheets are taken");
    let answer = host.ask(Action::Arm { guards_checksum: guards.checksum() });
    host.pass(8_000);
    (answer, host.over().1.wrong)
}

#[test]
fn what_forbids_arming_is_refused_and_a_board_that_does_not_see_it_is_caught() {
    let mut wrong = Vec::new();
    for (cause, fault, unseen) in FORBID {
        let (answer, said) = armed(fault, None);
        if (&answer, &said) != (&Err(Refusal::NotReady(*cause)), &Vec::new()) {
            wrong.push(format!("{cause:?}, {fault}: {answer:?}, {said:?}"));
        }
        let (answer, said) = armed(fault, Some(*cause));
        let found = match unseen {
            Caught(words) => answer.is_ok() && said.iter().any(|said| said.contains(words)),
            Forbidden(other) => answer == Err(Refusal::NotReady(*other)),
        };
        if !found {
            wrong.push(format!("{cause:?} not seen, {fault}: {answer:?}, {said:?}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// A lease that is missing and a full rail are tried by doctored runs (`tampered`), what comes over the line on the board
/// alone (`firmware/core/tests`); what is there only together with another cause stands in a row of that one.
#[test]
fn every_cause_that_forbids_arming_has_a_row() {
    let elsewhere = ["LeaseLost", "LinkNoise", "RailHigh"];
    let together = FORBID.iter().filter_map(|(.., unseen)| match unseen {
        Forbidden(cause) => Some(cause),
        Caught(_) => None,
    });
    let rows: Vec<String> =
        FORBID.iter().map(|(cause, ..)| cause).chain(together).map(|cause| format!("{cause:?}")).collect();
    let missing: Vec<&str> = promised::forbid_arming()
        .filter(|cause| !elsewhere.contains(cause) && !rows.iter().any(|row| row.starts_with(cause)))
        .collect();
    assert_eq!(missing, Vec::<&str>::new());
    assert!(promised::forbid_arming().any(|cause| cause == "GuardOpen"));
}
