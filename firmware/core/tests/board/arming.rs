//! What may be armed and what not: guards against ceilings, and the rig as it stands.

use crate::bench::{Bench, Broken, CEILINGS, guards};
use stepwell_protocol::channel::{Channel, Coil};
use stepwell_protocol::guards::{Band, Guards, OnLoss};
use stepwell_protocol::message::{Action, Limit, Refusal, Reply, ToBoard, TripCause};
use stepwell_protocol::state::State;

fn with(change: impl Fn(&mut Guards)) -> Guards {
    let mut guards = guards();
    change(&mut guards);
    guards
}

#[test]
fn guards_above_a_ceiling_are_refused_by_name() {
    let coil = |guards: &mut Guards, change: fn(&mut stepwell_protocol::guards::CoilGuard)| {
        change(guards.coils[1].as_mut().unwrap());
    };
    let cases = [
        (with(|g| g.rail_max = CEILINGS.rail_max + 1), Limit::RailMax, 30_001, 30_000),
        (with(|g| coil(g, |c| c.current_max = 20_001)), Limit::CurrentMax, 20_001, 20_000),
        (with(|g| coil(g, |c| c.duty_max_e4 = 9_001)), Limit::Duty(Coil::Pressure), 9_001, 9_000),
        (with(|g| g.drive_rpm_max = 1_501), Limit::DriveRpm, 1_501, 1_500),
        (with(|g| g.drive_on_ms_max = 10_001), Limit::DriveOn, 10_001, 10_000),
        (with(|g| g.drive_rest_ms_min = 999), Limit::DriveRest, 999, 1_000),
    ];
    for (guards, limit, asked, ceiling) in cases {
        let refused = Bench::greeted().ask(Action::SetGuards(guards));
        assert_eq!(refused, Err(Refusal::AboveCeiling { limit, asked, ceiling }));
    }
    let at_the_ceiling = with(|g| {
        g.rail_max = CEILINGS.rail_max;
        g.drive_rpm_max = CEILINGS.drive_rpm_max;
        g.drive_on_ms_max = CEILINGS.drive_on_ms_max;
        g.drive_rest_ms_min = CEILINGS.drive_rest_ms_min;
    });
    assert_eq!(Bench::greeted().ask(Action::SetGuards(at_the_ceiling)), Ok(Reply::Done));
}

#[test]
fn guards_that_make_no_sense_are_refused() {
    let upside_down = Band { low: 2, high: 1 };
    for guards in [
        with(|g| g.rail_live = upside_down),
        with(|g| g.rail_zero = upside_down),
        with(|g| g.feed_live = Some(upside_down)),
        with(|g| g.supply = upside_down),
        with(|g| g.fluid = upside_down),
        with(|g| g.coils[0].as_mut().unwrap().zero = upside_down),
        with(|g| g.coils[0].as_mut().unwrap().relieve_e4 = 8_001),
        with(|g| g.coils[0].as_mut().unwrap().current_max = 500),
        with(|g| g.rail_low = g.rail_max),
        with(|g| g.flow_gap_ms_max = 0),
        with(|g| g.flow_gap_ms_max = u16::MAX),
        with(|g| g.drive_on_ms_max = 0),
    ] {
        assert_eq!(Bench::greeted().ask(Action::SetGuards(guards)), Err(Refusal::GuardsInvalid));
    }
}

#[test]
fn a_valve_of_which_nobody_knows_what_losing_current_does_cannot_be_armed() {
    let unknown = with(|g| g.coils[1].as_mut().unwrap().on_loss = OnLoss::Unknown);
    let mut bench = Bench::greeted();
    assert_eq!(bench.ask(Action::SetGuards(unknown)), Ok(Reply::Done));
    assert_eq!(bench.arm(&unknown), Err(Refusal::LossUnknown(Coil::Pressure)));
}

#[test]
fn arming_needs_the_very_guards_that_the_host_means() {
    let mut bench = Bench::greeted();
    assert_eq!(bench.arm(&guards()), Err(Refusal::GuardsMissing));
    assert_eq!(bench.ask(Action::SetGuards(guards())), Ok(Reply::Done));
    assert_eq!(bench.arm(&with(|g| g.rail_max -= 1)), Err(Refusal::GuardsDiffer));
    bench.tick();
    assert_eq!(bench.arm(&guards()), Ok(Reply::Done));
    assert_eq!(bench.ask(Action::SetGuards(guards())), Err(Refusal::InState(State::Armed)));
    assert_eq!(bench.arm(&guards()), Err(Refusal::InState(State::Armed)));
}

#[test]
fn arming_needs_a_lease() {
    let mut bench = Bench::switched_on();
    bench.hello(crate::bench::SESSION);
    assert_eq!(bench.ask(Action::SetGuards(guards())), Ok(Reply::Done));
    assert_eq!(bench.arm(&guards()), Err(Refusal::NotReady(TripCause::LeaseLost)));
    bench.renew();
    assert_eq!(bench.arm(&guards()), Ok(Reply::Done));
}

#[test]
fn whatever_is_wrong_at_rest_is_named_when_arming() {
    type Breaks = Box<dyn Fn(&mut Broken)>;
    let stuck = |channel: Channel, counts: u16| {
        move |broken: &mut Broken| broken.stuck[channel.index()] = Some(counts)
    };
    let cases: [(Breaks, TripCause); 15] = [
        (Box::new(|b| b.stop_chain_open = true), TripCause::StopChainOpen),
        (Box::new(|b| b.guard_open = true), TripCause::GuardOpen),
        (Box::new(|b| b.tank_low = true), TripCause::TankLow),
        (Box::new(|b| b.adc_frozen = true), TripCause::AdcFrozen),
        (Box::new(stuck(Channel::RailPressure, 500)), TripCause::RailSensorDead),
        (Box::new(stuck(Channel::RailPressure, 39_000)), TripCause::RailSensorDead),
        (Box::new(stuck(Channel::RailPressure, 4_400)), TripCause::RailNotZero),
        (Box::new(stuck(Channel::RailPressure, 25_000)), TripCause::RailHigh),
        (Box::new(stuck(Channel::FeedPressure, 500)), TripCause::FeedSensorDead),
        // Fed from the host's port with the rig's own supply off.
        (Box::new(stuck(Channel::SupplyVoltage, 0)), TripCause::SupplyLow),
        (Box::new(stuck(Channel::SupplyVoltage, 30_000)), TripCause::SupplyHigh),
        (Box::new(stuck(Channel::FluidTemperature, 40_950)), TripCause::FluidTemperature),
        (Box::new(stuck(Channel::InletCurrent, 250)), TripCause::CurrentAtZeroDuty(Coil::Inlet)),
        (Box::new(stuck(Channel::PressureCurrent, 600)), TripCause::CurrentAtZeroDuty(Coil::Pressure)),
        (Box::new(|b| b.shaft_turns_on = true), TripCause::ShaftStillTurning),
    ];
    for (breaks, cause) in cases {
        let mut bench = Bench::greeted();
        assert_eq!(bench.ask(Action::SetGuards(guards())), Ok(Reply::Done));
        breaks(&mut bench.rig.broken);
        // Too short for what trips at rest as well.
        bench.run(10);
        assert_eq!(bench.arm(&guards()), Err(Refusal::NotReady(cause)));
        assert_eq!(bench.board.state(), State::Rest, "at rest it is a refusal, not a trip");
        bench.rig.broken = Broken::default();
        bench.run(2_100);
        assert_eq!(bench.arm(&guards()), Ok(Reply::Done));
    }
}

#[test]
fn a_noisy_line_keeps_the_board_from_arming() {
    let mut bench = Bench::greeted();
    assert_eq!(bench.ask(Action::SetGuards(guards())), Ok(Reply::Done));
    for _ in 0..21 {
        bench.board.receive(b"noise\0");
    }
    assert_eq!(bench.arm(&guards()), Err(Refusal::NotReady(TripCause::LinkNoise)));
    bench.run(1_001);
    assert_eq!(bench.arm(&guards()), Ok(Reply::Done));
}

#[test]
fn a_pump_without_one_of_the_valves_can_be_armed_and_its_duty_stays_zero() {
    let one_valve = with(|g| g.coils[1] = None);
    let mut bench = Bench::armed_with(one_valve);
    let start = bench.soon();
    let dwell = crate::bench::quiet_dwell(1, start, 100);
    assert_eq!(
        bench.ask(Action::Dwell(dwell)),
        Err(Refusal::BeyondGuard { limit: Limit::Duty(Coil::Pressure), asked: 4_000, guard: 0 })
    );
}

#[test]
fn disarming_goes_back_to_rest_at_once() {
    let mut bench = Bench::armed();
    assert_eq!(bench.ask(Action::Disarm), Ok(Reply::Done));
    assert_eq!(bench.board.state(), State::Rest);
    assert_eq!(bench.ask(Action::Disarm), Ok(Reply::Done));
    bench.send(&ToBoard::Stop);
    assert_eq!(bench.ask(Action::SetGuards(guards())), Ok(Reply::Done));
}
