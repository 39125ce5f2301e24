//! What was read of a record, put into findings.

use super::free::{Free, check_resolved};
use super::model::{Estimate, Said};
use super::{Shape, StepRecord, StepResponse, Trace, is_before, since};
use crate::reason::Unmeasured;
use crate::series::smoothed;
use crate::uncertainty::Measured;

pub(super) fn by_model(record: &StepRecord<'_>, trace: &Trace<'_>, said: &Said) -> StepResponse {
    let (time_s, found) = (trace.time_s, said.findings);
    let measured = |e: &Estimate| {
        Measured::new(e.value)
            .with_scatter("scatter about the curve", e.scatter, said.degrees_of_freedom)
            .with_given("resolution of the recorder", 1.0, e.resolution)
            .with_given("shape of the curve", 1.0, e.choice)
    };
    let change =
        measured(&found.change).with_given("drift of the base line that does not show", 1.0, said.drift_u);
    let from_s = found.onset_s.value;
    let resolved = check_resolved(time_s, from_s, from_s + found.rise_time_s.value);
    let time = |e: &Estimate| resolved.map(|()| measured(e));
    let onset_s = time(&found.onset_s);
    StepResponse {
        pressure_rise: Ok(with_gain(record, trace, &change)),
        dead_time: since_instant(record, &onset_s),
        onset_s,
        time_constant: match &found.tau_s {
            Some(tau_s) => time(tau_s),
            None => Err(NO_TIME_CONSTANT),
        },
        rise_time_10_90: time(&found.rise_time_s),
        overshoot: resolved.map(|()| measured(&found.overshoot)),
        shape: said.shape,
        before_pa: said.before,
        after_pa: said.before + found.change.value,
        ripple_period_s: trace.ripple_period_s,
        fell_s: None,
        curve_pa: said.curve.clone(),
    }
}

pub(super) fn without_model(record: &StepRecord<'_>, trace: &Trace<'_>, free: &Free) -> StepResponse {
    let rise_s = free.rise_time_s.value;
    let from_s = free.onset_s.value;
    let resolved = check_resolved(trace.time_s, from_s, from_s + 1.25 * rise_s);
    let onset_s = resolved.map(|()| free.onset_s.clone());
    let half = (rise_s / trace.spacing_s / 40.0).clamp(0.0, trace.way.len() as f64) as usize;
    StepResponse {
        pressure_rise: Ok(with_gain(record, trace, &free.rise)),
        dead_time: since_instant(record, &onset_s),
        onset_s,
        time_constant: Err(NO_TIME_CONSTANT),
        rise_time_10_90: resolved.map(|()| free.rise_time_s.clone()),
        overshoot: resolved.map(|()| free.overshoot.clone()),
        shape: Shape::Other,
        before_pa: free.before.value,
        after_pa: free.after.value,
        ripple_period_s: trace.ripple_period_s,
        fell_s: None,
        curve_pa: smoothed(trace.way, half),
    }
}

const NO_TIME_CONSTANT: Unmeasured = Unmeasured::NoTimeConstant {
    why: "a response of first order would leave more than noise, so that no single time constant describes the rise",
};

fn with_gain(record: &StepRecord<'_>, trace: &Trace<'_>, change: &Measured) -> Measured {
    let gain = record.gain;
    let rise = change.scaled(trace.scale_pa * gain.value);
    let value = rise.value;
    rise.with_given("pressure gain", value, gain.relative_uncertainty())
}

fn since_instant(
    record: &StepRecord<'_>,
    onset_s: &Result<Measured, Unmeasured>,
) -> Result<Measured, Unmeasured> {
    let onset_s = onset_s.as_ref().map_err(|why| *why)?;
    let Some(instant_s) = record.instant_s else {
        return Err(Unmeasured::NotGiven {
            name: "the instant of the step",
            what_to_do: "record the duty beside the pressure, or say when it changed",
        });
    };
    if is_before(onset_s, instant_s) {
        return Err(Unmeasured::BeganBefore { began_s: onset_s.value, stated_s: instant_s.value });
    }
    Ok(since(onset_s, instant_s))
}
