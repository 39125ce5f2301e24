//! The checkers can fail: a board that does not see one cause of trips is caught by them, cause by cause, and
//! one that sees everything is not.

use stepwell_plant::Rig;
use stepwell_procedure::run::Plan;
use stepwell_protocol::channel::{Channel, Coil};
use stepwell_protocol::dwell::{Dwell, EndWhen, Ramp, Side, Start};
use stepwell_protocol::identity::ResetCause;
use stepwell_protocol::message::{Action, TripCause};
use stepwell_protocol::state::State;
use stepwell_tests::world::played::case::{Case, Length};
use stepwell_tests::world::played::machine::Machine;
use stepwell_tests::world::reports::claims::ended;
use stepwell_tests::world::scripted::Scripted;
use stepwell_tests::world::{Story, folder, run_with};
use stepwell_virtual::{ModelRig, SimulatedBench};

/// How a board that does not see a cause is found out. Onsets are in milliseconds of dwells: the first half second is
/// the inlet coil's, the second the pressure coil's, then a second of feed, then the drive turns.
enum Proof {
    /// A case in which it trips, and what is said when it does not: by the checker whose it is.
    Case(&'static str, &'static str),
    /// As shipped, no single fault of the model brings it about, or another cause is there first: a case with sheets
    /// that were altered.
    Altered(&'static str, Alteration, &'static str),
    /// No program that keeps to the sheets brings it about: a test of its own.
    Scripted,
    /// It trips never: a case in which it comes about, and how that ends.
    Never(&'static str, &'static str),
}

/// What is altered.
type Alteration = fn(&mut Plan);

/// All causes with their proofs, from one list: a `match` without a catch-all, so that none can be forgotten.
macro_rules! proofs {
    ($($cause:tt $(($of:path))? => $proof:expr;)*) => {
        const CAUSES: &[TripCause] = &[$(TripCause::$cause $(($of))?,)*];

        fn proof(cause: TripCause) -> Proof {
            use Proof::{Altered, Case, Never, Scripted};
            match cause {
                $(TripCause::$cause $(($of))? => $proof,)*
            }
        }
    };
}

proofs! {
    StopChainOpen => Case("short heron 1 good stop-chain-open@work2500+60000*1", "stop chain open for");
    GuardOpen => Case("short heron 1 good guard-open@work2500+60000*1", "guard open for");
    // A coil that may see full duty may draw what one does whose switch is stuck on.
    CurrentAtZeroDuty(Coil::Inlet) => Altered(
        "short heron 1 good inlet-switch-stuck-on@work2500+60000*1",
        |plan| plan.pump.inlet_valve.duty_max = 1.0,
        "current at 0 %, inlet for"
    );
    CurrentAtZeroDuty(Coil::Pressure) => Altered(
        "short heron 1 good pressure-switch-stuck-on@work100+60000*1",
        |plan| plan.pump.pressure_valve.as_mut().expect("heron has one").duty_max = 1.0,
        "current at 0 %, pressure for"
    );
    AdcFrozen => Case("short heron 1 good board-adc-stuck@work2500+60000*1", "converter stands still for");
    SupplyLow => Case("short heron 1 good low-supply-voltage@work2500+60000*1", "supply low for");
    SupplyHigh => Case("short heron 1 good high-supply-voltage@work2500+60000*1", "supply high for");
    RailSensorDead => Case("short heron 1 good rail-sensor-open@work2500+60000*1", "rail sensor without a line for");
    RailSensorFrozen => Case("short heron 1 good rail-sensor-stuck@work2100+60000*1", "rail sensor stuck for");
    FeedSensorDead => Case("short heron 1 good feed-sensor-open@work2500+60000*1", "feed sensor without a line for");
    FluidTemperature => Case("short heron 1 good fluid-thermistor-open@work2100+60000*1", "fluid sensor without a line for");
    TankLow => Case("short heron 1 good empty-tank@work2100+60000*1", "tank low for");
    CoilOpen(Coil::Inlet) => Case("short heron 1 good inlet-coil-open@work100+60000*1", "no current when driven, inlet for");
    CoilOpen(Coil::Pressure) => Case("short heron 1 good pressure-coil-open@work600+60000*1", "no current when driven, pressure for");
    NoFlow => Case("acceptance heron 1 good flow-meter-dead@work60000+600000*1", "dry run for");
    ShaftStillTurning => Case("short heron 1 good drive-runs-on@work2500+60000*1", "after the drive and nobody is told");
    PressureTrapped => Case("acceptance plover 1 good dump-stuck-shut@work40000+600000*1", "pressure stays for");
    LeaseLost => Case("short heron 1 good host-killed@work2500+60000*1", "without a lease");
    LinkNoise => Case("short heron 1 good line-foreign-bytes@work2100+60000*1", "broken frames for");
    ForeignSession => Case("short heron 1 good second-host@work2500+60000*1", "second host for");
    BadCommand => Case("short heron 1 good host-mad@work2500+60000*1", "impossible command for");
    Restarted(ResetCause::Watchdog) => Case("short heron 1 good board-hangs@work2500+60000*1", "the board fell over and is not latched");
    Restarted(ResetCause::BrownOut) => Case("short heron 1 good board-brown-out@work2500+60000*1", "the board fell over and is not latched");
    Restarted(ResetCause::Fault) => Case("short heron 1 good board-faults@work2500+60000*1", "the board fell over and is not latched");
    OverCurrent(Coil::Inlet) => Case("short heron 1 good inlet-switch-stuck-on@work100+60000*1", "over-current, inlet for");
    OverCurrent(Coil::Pressure) => Case("short heron 1 good pressure-switch-stuck-on@work600+60000*1", "over-current, pressure for");
    RailHigh => Altered("short heron 1 good", |plan| plan.pump.rail_guard_pa = 4e6, "rail above its guard for");
    DriveBudget => Scripted;
    // It refuses to arm.
    RailNotZero => Never("short heron 1 good rail-sensor-offset@1700+60000*1", "refused");
    // Nobody need be told that the power was off, or that somebody has pulled the reset.
    Restarted(ResetCause::PowerOn) => Never("short heron 1 good board-power-lost@work2500+1000*1", "link lost");
    Restarted(ResetCause::Pin) => Never("short heron 1 good board-reset@work2500+60000*1", "link lost");
}

fn story(case: &Case, plan: &Plan) -> Story {
    let folder = folder();
    run_with(case, plan, &folder.path().join("runs.stepwell"))
}

/// What is wrong with how the checkers judge a case, with `cause` seen and not seen.
fn misjudged(cause: TripCause, case: &Case, plan: &Plan, expected: &str) -> Vec<String> {
    let mut wrong = Vec::new();
    let sound = story(case, plan);
    if !sound.wrong.is_empty() {
        wrong.push(format!("{cause:?} seen, and yet: {}", sound.wrong[0]));
    }
    if !sound.tripped {
        wrong.push(format!("{cause:?}: no trip"));
    }
    let blind = story(&Case { unseen: Some(cause), ..case.clone() }, plan);
    if !blind.wrong.iter().any(|wrong| wrong.contains(expected)) {
        wrong.push(format!("{cause:?} not seen: expected {expected:?}, found {:?}: {case}", blind.wrong));
    }
    wrong
}

#[test]
fn each_trip_that_is_taken_away_is_missed_by_a_checker() {
    let mut wrong = Vec::new();
    for &cause in CAUSES {
        match proof(cause) {
            Proof::Case(text, expected) => {
                let case: Case = text.parse().expect("a case");
                wrong.extend(misjudged(cause, &case, &case.plan(), expected));
            }
            Proof::Altered(text, alter, expected) => {
                let case: Case = text.parse().expect("a case");
                let mut plan = case.plan();
                alter(&mut plan);
                wrong.extend(misjudged(cause, &case, &plan, expected));
            }
            Proof::Scripted => assert_eq!(cause, TripCause::DriveBudget),
            Proof::Never(text, ends) => {
                let case: Case = text.parse().expect("a case");
                let story = story(&case, &case.plan());
                let found = (story.wrong.as_slice(), story.tripped, ended(&story));
                if found != (&[], false, ends) {
                    wrong.push(format!("{cause:?}: expected {ends} without a trip, found {found:?}: {text}"));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// No program that keeps to the sheets uses up the drive's account. A host can: the rest that was planned before a
/// turn of the drive ends early, and the turn follows.
fn overdriven(unseen: Option<TripCause>) -> (bool, Vec<String>) {
    let case = Case::healthy(Length::Short, "heron", 1);
    let plan = case.plan();
    let mut host = Scripted::new(&plan, Machine::new(case.rig(), 1, unseen));
    host.arm();
    let rests = Dwell {
        serial: 1,
        start: Start::At(host.machine.now().plus_ms(10)),
        duration_ms: 20_000,
        inlet: Ramp::constant(0),
        pressure: Ramp::constant(0),
        supply_on: true,
        drive_rpm: 0,
        dump_closed: false,
        expect_flow: false,
        end_when: Some(EndWhen { channel: Channel::SupplyVoltage, side: Side::Above, counts: 0, for_ms: 1 }),
        burst: None,
    };
    let turns = Dwell {
        serial: 2,
        start: Start::AfterPrevious,
        duration_ms: 5_000,
        drive_rpm: 120,
        end_when: None,
        ..rests
    };
    host.ask(Action::Dwell(rests)).expect("a rest is taken");
    host.ask(Action::Dwell(turns)).expect("a turn that is planned after its rest is taken");
    host.pass(20_000);
    let (watch, judged) = host.over();
    (watch.ticks.iter().any(|beside| beside.moment.state == State::Tripped), judged.wrong)
}

#[test]
fn a_drive_that_turns_beyond_its_rating_is_missed_by_the_checker_whose_it_is() {
    let (tripped, wrong) = overdriven(None);
    assert_eq!((tripped, wrong), (true, Vec::new()));
    let (tripped, wrong) = overdriven(Some(TripCause::DriveBudget));
    assert!(!tripped && wrong.iter().any(|wrong| wrong.contains("used up its rating")), "{wrong:?}");
}

/// No fault of the model cools: a rig whose tank is frozen does, while it is armed.
fn frozen(unseen: Option<TripCause>) -> (bool, Vec<String>) {
    let case = Case::healthy(Length::Short, "heron", 1);
    let plan = case.plan();
    let mut rig = Rig { primed: true, ..Rig::default() };
    (rig.tank.bath_k, rig.tank.bath_s) = (rig.fluid.initial_temperature_k - 40.0, 2.0);
    let mut host = Scripted::new(&plan, Machine::new(ModelRig::of(rig, 1), 1, unseen));
    host.arm();
    host.pass(20_000);
    let (watch, judged) = host.over();
    (watch.ticks.iter().any(|beside| beside.moment.state == State::Tripped), judged.wrong)
}

#[test]
fn fluid_that_becomes_too_cold_while_armed_is_missed_by_a_checker() {
    let (tripped, wrong) = frozen(None);
    assert_eq!((tripped, wrong), (true, Vec::new()));
    let (tripped, wrong) = frozen(Some(TripCause::FluidTemperature));
    assert!(!tripped && wrong.iter().any(|wrong| wrong.contains("fluid too cold for")), "{wrong:?}");
}
