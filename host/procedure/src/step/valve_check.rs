//! Which valve answers which output, at feed pressure and with the shaft still.
//!
//! The feed pump pushes fuel through a still pump and its open valves. A small duty on the pressure
//! valve must stop that flow; the same duty on the inlet valve must not. Swapped connectors and a
//! valve that is stuck open or shut show here, where nothing larger than feed pressure is in play;
//! found later, the same fault raises the rail to hundreds of bar.

use super::{Conclusion, Evidence, Expected, Phase, Planned, Rig, Step};
use crate::causes;
use crate::finding::Verdict;
use crate::quantity::Dimension;
use crate::sheet::{Feed, Tolerance};
use stepwell_analysis::uncertainty::Measured;
use stepwell_protocol::channel::{Channel, Coil};

#[derive(Debug)]
pub(super) struct ValveCheck {
    pub(super) dwell_s: f64,
}

/// The output under test must stop at least this share of the flow, and the other one less.
const STOPS: f64 = 0.5;

/// With fewer pulses than this through open valves there is no flow to stop.
const PULSES_MIN: u32 = 8;

impl Step for ValveCheck {
    fn phases(&mut self, rig: &Rig<'_>) -> Vec<Phase> {
        let Some(duty) = applies(rig) else { return Vec::new() };
        let still = |label| Planned::open(label, self.dwell_s, rig.pump).fed(rig.pump).dump_shut();
        vec![Phase::Chain(vec![
            still("both valves open"),
            still("pressure output").duty(Coil::Pressure, duty),
            still("both valves open again"),
            still("inlet output").duty(Coil::Inlet, duty),
        ])]
    }

    fn expects(&self, rig: &Rig<'_>) -> Vec<Expected> {
        if applies(rig).is_none() {
            return Vec::new();
        }
        vec![
            Expected::new(
                "still_flow",
                "Flow through open valves, shaft still",
                Dimension::Flow,
                rig.pump.tolerances.still_flow_m3_per_s,
            ),
            Expected::new(
                "pressure_output_stops",
                "Share of flow stopped by the pressure output",
                Dimension::Fraction,
                Some(Tolerance { min: Some(STOPS), max: None }),
            ),
            Expected::new(
                "inlet_output_stops",
                "Share of flow stopped by the inlet output",
                Dimension::Fraction,
                Some(Tolerance { min: None, max: Some(STOPS) }),
            ),
        ]
    }

    fn conclude(&mut self, rig: &Rig<'_>, evidence: &Evidence<'_>) -> Conclusion {
        // The second half of each stretch: the meter lags, and the rail fills or empties first.
        let pulses = |label: &str| {
            evidence.get(label).map(|stretch| {
                let window = stretch.window.last(stretch.window.len_ms() / 2);
                (window.pulses(Channel::FlowCount), f64::from(window.len_ms()) * 1e-3)
            })
        };
        let open = pulses("both valves open");
        let share = |label: &str| {
            let ((open, _), (shut, _)) = (open.clone()?, pulses(label)?);
            if open < PULSES_MIN {
                return Err(format!("only {open} flow pulses through open valves: nothing to stop"));
            }
            Ok(stopped(open, shut))
        };
        let meter = rig.calibration.bench().flow_meter;
        let k_factor = meter.k_factor_per_m3;
        let still = open.clone().map(|(pulses, seconds)| {
            let per_pulse = 1.0 / (k_factor.value * seconds);
            let counted = f64::from(pulses) * per_pulse;
            let slip = if pulses > 0 { meter.slip_m3_per_s } else { 0.0 };
            Measured::new(counted + slip).with_given(COUNTING, per_pulse, PULSE_U).with_given(
                "K-factor",
                counted / k_factor.value,
                k_factor.standard_uncertainty,
            )
        });
        let (by_pressure, by_inlet) = (share("pressure output"), share("inlet output"));
        let swapped =
            matches!((&by_pressure, &by_inlet), (Ok(p), Ok(i)) if p.value < STOPS && i.value > STOPS);
        // Without a share there is nothing to say of the outputs; what to check is said of the flow.
        let judged = |expected: &Expected, share: &Result<Measured, String>| match share {
            Ok(share) => expected.measured(share),
            Err(reason) => expected.unmeasured(reason.clone(), Vec::new()),
        };
        let mut findings: Vec<_> = self
            .expects(rig)
            .iter()
            .map(|expected| match expected.id {
                "still_flow" => expected.concluded(still.as_ref()),
                "pressure_output_stops" => judged(expected, &by_pressure),
                _ => judged(expected, &by_inlet),
            })
            .collect();
        if swapped {
            for finding in findings.iter_mut().filter(|finding| finding.verdict != Verdict::Pass) {
                finding.notes.push("the inlet output moves the pressure valve".to_owned());
                finding.check_next = causes::swapped();
            }
        }
        Conclusion { again: false, findings }
    }
}

/// The duty of the check, where the pump has two valves and a feed that works with the shaft still.
fn applies(rig: &Rig<'_>) -> Option<f64> {
    let fed = rig.pump.feed == Feed::ElectricSupply && rig.pump.pressure_valve.is_some();
    rig.pump.points.response_duty.filter(|_| fed)
}

/// The share of the flow that was stopped, from pulses in equal gates; each gate can be off by one
/// pulse at its ends.
fn stopped(open: u32, shut: u32) -> Measured {
    let (open, shut) = (f64::from(open), f64::from(shut));
    Measured::new(1.0 - shut / open).with_given(COUNTING, 1.0 / open, PULSE_U).with_given(
        COUNTING,
        shut / (open * open),
        PULSE_U,
    )
}

/// One pulse more or less at the ends of a gate, spread evenly: 1/√3 (JCGM 100:2008, 4.3.7).
const PULSE_U: f64 = 0.577_350_269_189_625_8;
const COUNTING: &str = "one pulse at the ends of the gate";
