//! What is checked before anything may be energised: the guards when they come, and the rig when
//! the host arms.

use crate::causes::Causes;
use stepwell_protocol::channel::Coil;
use stepwell_protocol::dwell::Ramp;
use stepwell_protocol::guards::{Ceilings, Guards, OnLoss};
use stepwell_protocol::message::{Limit, Refusal, TripCause};

/// What must not be present when arming.
pub(crate) const MUST_BE_ABSENT: Causes = Causes::of(&[
    TripCause::StopChainOpen,
    TripCause::GuardOpen,
    TripCause::OverCurrent(Coil::Inlet),
    TripCause::OverCurrent(Coil::Pressure),
    TripCause::CurrentAtZeroDuty(Coil::Inlet),
    TripCause::CurrentAtZeroDuty(Coil::Pressure),
    TripCause::AdcFrozen,
    TripCause::SupplyLow,
    TripCause::SupplyHigh,
    TripCause::RailSensorDead,
    TripCause::RailHigh,
    TripCause::RailNotZero,
    TripCause::PressureTrapped,
    TripCause::FeedSensorDead,
    TripCause::FluidTemperature,
    TripCause::TankLow,
    TripCause::ShaftStillTurning,
    TripCause::LeaseLost,
    TripCause::LinkNoise,
]);

/// Refuses guards that make no sense or exceed a ceiling. A valve of which nobody knows what losing
/// current does may be described; it is refused on arming.
pub(crate) fn check_guards(guards: &Guards, ceilings: &Ceilings) -> Result<(), Refusal> {
    if !make_sense(guards) {
        return Err(Refusal::GuardsInvalid);
    }
    let within = |limit, asked, ceiling| {
        if asked <= ceiling { Ok(()) } else { Err(Refusal::AboveCeiling { limit, asked, ceiling }) }
    };
    within(Limit::RailMax, guards.rail_max.into(), ceilings.rail_max.into())?;
    for (coil, guard) in Coil::BOTH.into_iter().zip(guards.coils) {
        let Some(guard) = guard else { continue };
        within(Limit::CurrentMax, guard.current_max.into(), ceilings.current_max.into())?;
        within(Limit::Duty(coil), guard.duty_max_e4.into(), ceilings.duty_max_e4.into())?;
    }
    within(Limit::DriveRpm, guards.drive_rpm_max.into(), ceilings.drive_rpm_max.into())?;
    within(Limit::DriveOn, guards.drive_on_ms_max, ceilings.drive_on_ms_max)?;
    // The other way round: a shorter rest is the bolder wish.
    let (asked, ceiling) = (guards.drive_rest_ms_min, ceilings.drive_rest_ms_min);
    if asked < ceiling {
        return Err(Refusal::AboveCeiling { limit: Limit::DriveRest, asked, ceiling });
    }
    Ok(())
}

fn make_sense(guards: &Guards) -> bool {
    let bands = [guards.rail_live, guards.rail_zero, guards.supply, guards.fluid];
    bands.iter().chain(&guards.feed_live).all(|band| band.is_ordered())
        && guards.rail_low < guards.rail_max
        && guards.drive_on_ms_max > 0
        // A gap is counted no further than the last one.
        && (1..u16::MAX).contains(&guards.flow_gap_ms_max)
        && guards.coils.iter().flatten().all(|coil| {
            coil.zero.is_ordered()
                && coil.relieve_e4 <= coil.duty_max_e4
                && coil.duty_max_e4 <= Ramp::FULL_E4
                && coil.zero.high < coil.current_max
        })
}

/// Refuses to arm with these guards on a rig on which these causes are present.
pub(crate) fn check_ready(guards: &Guards, present: Causes) -> Result<(), Refusal> {
    for (coil, guard) in Coil::BOTH.into_iter().zip(guards.coils) {
        if guard.is_some_and(|guard| guard.on_loss == OnLoss::Unknown) {
            return Err(Refusal::LossUnknown(coil));
        }
    }
    match present.only(MUST_BE_ABSENT).first() {
        Some(cause) => Err(Refusal::NotReady(cause)),
        None => Ok(()),
    }
}
