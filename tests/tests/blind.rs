//! The checkers can fail: a board that does not see one cause of trips is caught by them, cause by cause, and
//! one that sees everything is not.

use stepwell_procedure::run::Plan;
use stepwell_procedure::sheet::LossEffect;
use stepwell_protocol::channel::Coil;
use stepwell_protocol::identity::ResetCause;
use stepwell_protocol::message::TripCause;
use stepwell_tests::world::case::{Case, Length};
use stepwell_tests::world::{Story, folder, run_with};

/// A cause, and a case in which it trips. Onsets are in milliseconds of dwells: the first half second is the
/// inlet coil's, the second the pressure coil's, then a second of feed, then the drive turns.
const CASES: &[(TripCause, &str)] = &[
    (TripCause::StopChainOpen, "short heron 1 clean stop-chain-open@work2500+60000*1"),
    (TripCause::GuardOpen, "short heron 1 clean guard-open@work2500+60000*1"),
    (TripCause::CurrentAtZeroDuty(Coil::Inlet), "short heron 1 clean inlet-switch-stuck-on@work2500+60000*1"),
    (
        TripCause::CurrentAtZeroDuty(Coil::Pressure),
        "short heron 1 clean pressure-switch-stuck-on@work100+60000*1",
    ),
    (TripCause::AdcFrozen, "short heron 1 clean board-adc-stuck@work2500+60000*1"),
    (TripCause::SupplyLow, "short heron 1 clean low-supply-voltage@work2500+60000*1"),
    (TripCause::SupplyHigh, "short heron 1 clean high-supply-voltage@work2500+60000*1"),
    (TripCause::RailSensorDead, "short heron 1 clean rail-sensor-open@work2500+60000*1"),
    (TripCause::RailSensorFrozen, "short heron 1 clean rail-sensor-stuck@work2100+60000*1"),
    (TripCause::FeedSensorDead, "short heron 1 clean feed-sensor-open@work2500+60000*1"),
    (TripCause::FluidTemperature, "short heron 1 clean fluid-thermistor-open@work2100+60000*1"),
    (TripCause::TankLow, "short heron 1 clean empty-tank@work2100+60000*1"),
    (TripCause::CoilOpen(Coil::Inlet), "short heron 1 clean inlet-coil-open@work100+60000*1"),
    (TripCause::CoilOpen(Coil::Pressure), "short heron 1 clean pressure-coil-open@work600+60000*1"),
    (TripCause::NoFlow, "acceptance heron 1 clean flow-meter-dead@work60000+600000*1"),
    (TripCause::ShaftStillTurning, "short heron 1 clean drive-runs-on@work2500+60000*1"),
    (TripCause::PressureTrapped, "acceptance plover 1 clean dump-stuck-shut@work40000+600000*1"),
    (TripCause::LeaseLost, "short heron 1 clean host-killed@work2500+60000*1"),
    (TripCause::LinkNoise, "short heron 1 clean line-foreign-bytes@work2100+60000*1"),
    (TripCause::ForeignSession, "short heron 1 clean second-host@work2500+60000*1"),
    (TripCause::BadCommand, "short heron 1 clean host-mad@work2500+60000*1"),
    (TripCause::Restarted(ResetCause::Watchdog), "short heron 1 clean board-hangs@work2500+60000*1"),
    (TripCause::Restarted(ResetCause::BrownOut), "short heron 1 clean board-brown-out@work2500+60000*1"),
    (TripCause::Restarted(ResetCause::Fault), "short heron 1 clean board-faults@work2500+60000*1"),
];

/// What leaves less room.
type Tightened = fn(&mut Plan);

/// Causes that no single fault of the model brings about within the sheets: here the sheets leave less room than
/// a healthy pump needs. (That the drive has used up its account is not among them: no procedure of a program
/// that keeps to the sheets can get there; `firmware/core/tests/board/faults.rs` does.)
const TIGHT: &[(TripCause, Tightened)] = &[
    (TripCause::OverCurrent(Coil::Inlet), |plan| plan.bench.current_max_a = 0.3),
    // A fifth of duty, which is what the inlet coil gets, draws 1.1 A at most; two fifths draw 1.3 A and more.
    (TripCause::OverCurrent(Coil::Pressure), |plan| {
        plan.bench.current_max_a = 1.25;
        // Held at half duty in a stop, the inlet coil would be the first.
        plan.pump.inlet_valve.on_loss = LossEffect::Falls;
        plan.pump.points.build_up_duty = Some(0.39);
    }),
    (TripCause::RailHigh, |plan| plan.pump.rail_guard_pa = 4e6),
];

fn story(case: &Case, plan: &Plan) -> Story {
    let folder = folder();
    run_with(case, plan, &folder.path().join("runs.stepwell"))
}

/// What is wrong with how the checkers judge a case, with `cause` seen and not seen.
fn misjudged(cause: TripCause, case: &Case, plan: &Plan) -> Vec<String> {
    let mut wrong = Vec::new();
    let sound = story(case, plan);
    if !sound.wrong.is_empty() {
        wrong.push(format!("{cause:?} seen, and yet: {}", sound.wrong[0]));
    }
    if !sound.tripped {
        wrong.push(format!("{cause:?}: no trip"));
    }
    let blind = story(&Case { unseen: Some(cause), ..case.clone() }, plan);
    if blind.wrong.is_empty() {
        let seen = &sound.outcomes;
        wrong.push(format!("{cause:?} not seen, and no checker has noticed: {case}; seen: {seen:?}"));
    }
    wrong
}

#[test]
fn each_trip_that_is_taken_away_is_missed_by_a_checker() {
    let mut wrong = Vec::new();
    for &(cause, text) in CASES {
        let case: Case = text.parse().expect("a case");
        wrong.extend(misjudged(cause, &case, &case.plan()));
    }
    for &(cause, tighten) in TIGHT {
        let case = Case::healthy(Length::Short, "heron", 1);
        let mut plan = case.plan();
        tighten(&mut plan);
        wrong.extend(misjudged(cause, &case, &plan));
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
