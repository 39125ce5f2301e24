//! Flow delivered at the duty after the small step, and the volumetric efficiency there.

use super::{Conclusion, Evidence, Expected, Phase, Planned, Rig, Step, Stretch};
use crate::causes::{self, Side};
use crate::finding::{Finding, Verdict};
use crate::quantity::Dimension;
use stepwell_analysis::flow::{self, Meter};
use stepwell_analysis::uncertainty::Input;
use stepwell_protocol::channel::Channel;

#[derive(Debug)]
pub(super) struct Flow {
    pub(super) settle_s: f64,
    pub(super) gate_s: f64,
}

impl Step for Flow {
    fn phases(&mut self, rig: &Rig<'_>) -> Vec<Phase> {
        let points = &rig.pump.points;
        let (Some(bias), Some(step)) = (points.bias_duty, points.step_duty) else { return Vec::new() };
        let at_work =
            |label, seconds| Planned::delivering(label, seconds, bias + step, rig.pump).expects_flow();
        vec![Phase::Chain(vec![at_work("settle", self.settle_s), at_work("gate", self.gate_s)])]
    }

    fn expects(&self, rig: &Rig<'_>) -> Vec<Expected> {
        if rig.pump.points.bias_duty.is_none() {
            return Vec::new();
        }
        let tolerances = &rig.pump.tolerances;
        vec![
            Expected::new("flow", "Flow delivered", Dimension::Flow, tolerances.flow_m3_per_s),
            Expected::new(
                "volumetric_efficiency",
                "Volumetric efficiency",
                Dimension::Fraction,
                tolerances.volumetric_efficiency,
            ),
        ]
    }

    fn conclude(&mut self, rig: &Rig<'_>, evidence: &Evidence<'_>) -> Conclusion {
        let bench = rig.calibration.bench();
        let meter = Meter { k_factor_per_m3: bench.flow_meter.k_factor_per_m3 };
        let gate = evidence.get("gate");
        let flow = gate.clone().and_then(|gate| {
            let instants = gate.window.pulse_instants_s(Channel::FlowCount, Channel::FlowEdge);
            flow::flow(&instants, &meter).map_err(|reason| reason.to_string())
        });
        let speed = gate.and_then(|gate| {
            let instants = gate.window.pulse_instants_s(Channel::SpeedCount, Channel::SpeedEdge);
            flow::speed(&instants, bench.speed_pulses_per_rev.round() as usize)
                .map_err(|reason| reason.to_string())
        });
        // The efficiency is against the sheet's displacement, which is exact by definition.
        let displacement = Input::exact(rig.pump.displacement_m3_per_rev);
        let rate = flow.as_ref().map(|flow| &flow.rate_m3_per_s);
        let efficiency = match (&flow, &speed) {
            (Ok(flow), Ok(speed)) => {
                Ok(flow::volumetric_efficiency(&flow.rate_m3_per_s, speed, displacement))
            }
            (Err(reason), _) | (_, Err(reason)) => Err(reason),
        };
        let mut findings: Vec<_> = self
            .expects(rig)
            .iter()
            .map(|expected| match expected.id {
                "flow" => expected.concluded(rate),
                _ => expected.concluded(efficiency.as_ref()),
            })
            .collect();
        if let (Err(_), Ok(gate)) = (&flow, evidence.get("gate")) {
            let turned_m3_per_s =
                speed.as_ref().ok().map(|speed| speed.value * rig.pump.displacement_m3_per_rev);
            for finding in &mut findings {
                let whole = if finding.id == "flow" { Some(1.0) } else { turned_m3_per_s };
                if let Some(whole) = whole {
                    judge_by_bound(rig, &gate, whole, finding);
                }
            }
        }
        Conclusion { again: false, findings }
    }
}

/// Too few pulses for a value can still be too few for the tolerance, whatever the value is: one
/// pulse more than were counted, and the least pulses per volume that the meter may have, bound the
/// flow from above. `whole` is the flow that the finding's value is a share of, 1 when it is a flow.
fn judge_by_bound(rig: &Rig<'_>, gate: &Stretch<'_>, whole: f64, finding: &mut Finding) {
    let Some(least) = finding.tolerance.and_then(|tolerance| tolerance.min) else { return };
    let k = rig.calibration.bench().flow_meter.k_factor_per_m3;
    let pulses = gate.window.pulses(Channel::FlowCount);
    let gate_s = f64::from(gate.window.len_ms()) * 1e-3;
    let most = f64::from(pulses + 1) / gate_s / (k.value - 2.0 * k.standard_uncertainty) / whole;
    if most < least {
        finding.verdict = Verdict::Fail;
        finding
            .notes
            .push(format!("{pulses} pulses in {gate_s:.1} s: at most {}", finding.dimension.display(most)));
        // A meter that counts nothing at all may be dead.
        let side = if pulses == 0 { Side::Absent } else { Side::TooLow };
        finding.check_next = causes::check_next("flow", side);
    }
}
