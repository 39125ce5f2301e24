//! A small step of the pressure valve's duty: rise, dead time, rise time and overshoot of the rail
//! pressure.
//!
//! The step starts from the sheet's bias duty, because below the duty at which current flows
//! without a break nothing happens at all.

use super::{Conclusion, Evidence, Expected, Phase, Planned, Rig, Step, Stretch, rail_gain, rail_trace};
use crate::quantity::Dimension;
use stepwell_analysis::step::{StepRecord, step_response};
use stepwell_analysis::{Input, flow};
use stepwell_protocol::channel::{Channel, Coil};

#[derive(Debug)]
pub(super) struct DutyStep {
    pub(super) settle_s: f64,
    pub(super) hold_s: f64,
}

/// How much of the time before the step serves as the base line, in ms.
const BASE_LINE_MS: u32 = 1_000;

impl Step for DutyStep {
    fn phases(&mut self, rig: &Rig<'_>) -> Vec<Phase> {
        let points = &rig.pump.points;
        let (Some(bias), Some(step)) = (points.bias_duty, points.step_duty) else { return Vec::new() };
        let at_duty =
            |label, seconds, duty| Planned::delivering(label, seconds, duty, rig.pump).expects_flow();
        vec![Phase::Chain(vec![
            at_duty("bias", self.settle_s, bias),
            at_duty("step", self.hold_s, bias + step).burst_of(Coil::Pressure),
        ])]
    }

    fn expects(&self, rig: &Rig<'_>) -> Vec<Expected> {
        if rig.pump.points.bias_duty.is_none() {
            return Vec::new();
        }
        let t = &rig.pump.tolerances;
        vec![
            Expected::new(
                "pressure_rise",
                "Pressure rise after the step",
                Dimension::Pressure,
                t.pressure_rise_pa,
            ),
            Expected::new("dead_time", "Dead time", Dimension::Time, t.dead_time_s),
            Expected::new("rise_time_10_90", "Rise time 10–90 %", Dimension::Time, t.rise_time_s),
            Expected::new("overshoot", "Overshoot", Dimension::Fraction, t.overshoot),
        ]
    }

    fn conclude(&mut self, rig: &Rig<'_>, evidence: &Evidence<'_>) -> Conclusion {
        let response = (|| {
            let (bias, step) = (evidence.get("bias")?, evidence.get("step")?);
            let (time_s, pressure_pa) = rail_trace(rig, &bias, BASE_LINE_MS, &step);
            let record = StepRecord {
                time_s: &time_s,
                pressure_pa: &pressure_pa,
                instant_s: Some(Input::exact(0.0)),
                ripple_period_s: Some(revolution_s(rig, &step)),
                gain: rail_gain(rig),
            };
            step_response(&record).map_err(|reason| reason.to_string())
        })();
        let findings = self
            .expects(rig)
            .iter()
            .map(|expected| {
                let finding = response.as_ref().map_err(Clone::clone).and_then(|response| {
                    let finding = match expected.id {
                        "pressure_rise" => &response.pressure_rise,
                        "dead_time" => &response.dead_time,
                        "rise_time_10_90" => &response.rise_time_10_90,
                        _ => &response.overshoot,
                    };
                    finding.as_ref().map_err(ToString::to_string)
                });
                expected.concluded(finding.as_ref().copied())
            })
            .collect();
        Conclusion { again: false, findings }
    }
}

/// Everything the shaft stirs up repeats at the latest with its revolution. How long one takes is measured,
/// over the half of the stretch at whose end the shaft has found its speed under load: a drive that falls
/// short by a hundredth is half a plunger's stroke out of step after four revolutions. Only a shaft without
/// a speed sensor is taken at its word.
fn revolution_s(rig: &Rig<'_>, step: &Stretch<'_>) -> f64 {
    let settled = step.window.last(step.window.len_ms() / 2);
    let instants_s = settled.pulse_instants_s(Channel::SpeedCount, Channel::SpeedEdge);
    let pulses_per_rev = rig.calibration.bench().speed_pulses_per_rev.round() as usize;
    let measured = flow::speed(&instants_s, pulses_per_rev).map(|speed| speed.value);
    1.0 / measured.unwrap_or(rig.pump.points.speed_rev_per_s)
}
