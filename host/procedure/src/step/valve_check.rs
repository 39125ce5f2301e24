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
use crate::recording::Window;
use crate::sheet::{Feed, Tolerance};
use stepwell_analysis::stats;
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
        let gate = |label: &str| {
            evidence.get(label).map(|stretch| Gate::of(&stretch.window.last(stretch.window.len_ms() / 2)))
        };
        let open = gate("both valves open");
        let share = |label: &str| {
            let (open, shut) = (open.clone()?, gate(label)?);
            if open.pulses < PULSES_MIN {
                return Err(format!("only {} flow pulses through open valves: nothing to stop", open.pulses));
            }
            Ok(stopped(&open, &shut))
        };
        let meter = rig.calibration.bench().flow_meter;
        let k_factor = meter.k_factor_per_m3;
        let still = open.clone().map(|open| {
            let per_pulse = 1.0 / (k_factor.value * open.seconds);
            let counted = f64::from(open.pulses) * per_pulse;
            let slip = if open.pulses > 0 { meter.slip_m3_per_s } else { 0.0 };
            open.unsteady(Measured::new(counted + slip), counted)
                .with_given(COUNTING, per_pulse, PULSE_U)
                .with_given("K-factor", counted / k_factor.value, k_factor.standard_uncertainty)
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

/// A gate for pulses.
#[derive(Clone, Debug)]
struct Gate {
    pulses: u32,
    seconds: f64,
    /// Relative standard uncertainty of the mean flow from its unsteadiness; 0 with too few pulses to tell.
    relative_u: f64,
}

/// The pulses are cut into so many equal parts to see how steady the flow is: lines that are not purged
/// carry gas, and the meter with it stutters.
const PARTS: usize = 6;

impl Gate {
    fn of(window: &Window<'_>) -> Gate {
        let instants_s = window.pulse_instants_s(Channel::FlowCount, Channel::FlowEdge);
        let periods = instants_s.len().saturating_sub(1);
        let edge = |part: usize| periods * part / PARTS;
        let relative_u = if periods < PARTS {
            0.0
        } else {
            let of_part =
                |k: usize| (instants_s[edge(k + 1)] - instants_s[edge(k)]) / (edge(k + 1) - edge(k)) as f64;
            let mean_periods_s: Vec<f64> = (0..PARTS).map(of_part).collect();
            stats::standard_deviation(&mean_periods_s) / stats::mean(&mean_periods_s) / (PARTS as f64).sqrt()
        };
        Gate {
            pulses: window.pulses(Channel::FlowCount),
            seconds: f64::from(window.len_ms()) * 1e-3,
            relative_u,
        }
    }

    /// `value`, which follows this gate's flow as `in_proportion` does, with what its unsteadiness adds.
    fn unsteady(&self, value: Measured, in_proportion: f64) -> Measured {
        value.with_scatter("steadiness of the flow", in_proportion * self.relative_u, PARTS as f64 - 1.0)
    }
}

/// The share of the flow that was stopped, from pulses in equal gates; each gate can be off by one
/// pulse at its ends.
fn stopped(open: &Gate, shut: &Gate) -> Measured {
    let (all, left) = (f64::from(open.pulses), f64::from(shut.pulses));
    let share = Measured::new(1.0 - left / all).with_given(COUNTING, 1.0 / all, PULSE_U).with_given(
        COUNTING,
        left / (all * all),
        PULSE_U,
    );
    shut.unsteady(open.unsteady(share, left / all), left / all)
}

/// One pulse more or less at the ends of a gate, spread evenly: 1/√3 (JCGM 100:2008, 4.3.7).
const PULSE_U: f64 = 0.577_350_269_189_625_8;
const COUNTING: &str = "one pulse at the ends of the gate";
