//! A small step of the pressure valve's duty: rise, dead time, rise time and overshoot of the rail
//! pressure.
//!
//! The step starts from the sheet's bias duty, because below the duty at which current flows
//! without a break nothing happens at all.

use super::{Conclusion, Evidence, Expected, Phase, Planned, Rig, Step, rail_gain, rail_trace};
use crate::quantity::Dimension;
use stepwell_analysis::Input;
use stepwell_analysis::step::{StepRecord, step_response};
use stepwell_protocol::channel::Coil;

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
                // Everything the shaft stirs up repeats at the latest with its revolution.
                ripple_period_s: Some(1.0 / rig.pump.points.speed_rev_per_s),
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
