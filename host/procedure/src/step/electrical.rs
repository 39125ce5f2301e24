//! Coil resistance at 20 °C and inductance, each coil in turn, nothing else energised: no pressure, no drive, the
//! dump open.
//!
//! Each coil is driven at the sheet's check duty long enough for its current to settle and short
//! enough not to warm it; a burst of the first milliseconds is kept with the run. The coil's
//! temperature is that of the pump's body, which holds for a pump that has been standing.
//!
//! A shorted coil shows in the burst alone: its current rises within a fraction of the on-time beyond
//! what the channel can show, or is gone before the next. The mean of such a tick looks like a coil, and
//! is none. What is left to be said is a bound: no current rises beyond supply over resistance.

use super::coil_causes;
use super::{Conclusion, Evidence, Expected, Phase, Planned, Rig, Step};
use crate::causes;
use crate::finding::{Finding, Verdict};
use crate::quantity::Dimension;
use crate::sheet::Valve;
use stepwell_analysis::Unmeasured;
use stepwell_analysis::coil::{self, CoilCircuit, CoilTemperature, Resistance, Ripple, SteadyDwell};
use stepwell_analysis::uncertainty::{Input, Measured};
use stepwell_protocol::channel::{Channel, Coil};

#[derive(Debug)]
pub(super) struct Electrical {
    pub(super) dwell_s: f64,
}

fn valve<'a>(rig: &'a Rig<'_>, coil: Coil) -> Option<&'a Valve> {
    match coil {
        Coil::Inlet => Some(&rig.pump.inlet_valve),
        Coil::Pressure => rig.pump.pressure_valve.as_ref(),
    }
}

const fn label(coil: Coil) -> &'static str {
    match coil {
        Coil::Inlet => "inlet coil",
        Coil::Pressure => "pressure coil",
    }
}

impl Step for Electrical {
    fn phases(&mut self, rig: &Rig<'_>) -> Vec<Phase> {
        let fitted = Coil::BOTH.into_iter().filter_map(|coil| Some((coil, valve(rig, coil)?)));
        fitted
            .map(|(coil, valve)| {
                let dwell = Planned::new(label(coil), self.dwell_s).duty(coil, valve.check_duty);
                Phase::Chain(vec![dwell.burst_of(coil)])
            })
            .collect()
    }

    fn expects(&self, rig: &Rig<'_>) -> Vec<Expected> {
        let fitted = Coil::BOTH.into_iter().filter(|coil| valve(rig, *coil).is_some());
        let resistances = fitted.clone().map(|coil| resistance_of(rig, coil));
        // A sheet without a tolerance asks for no inductance; what is found is shown all the same.
        let inductances =
            fitted.map(|coil| inductance_of(rig, coil)).filter(|expected| expected.tolerance.is_some());
        resistances.chain(inductances).collect()
    }

    fn conclude(&mut self, rig: &Rig<'_>, evidence: &Evidence<'_>) -> Conclusion {
        let fitted = Coil::BOTH.into_iter().filter_map(|coil| Some((coil, valve(rig, coil)?)));
        let (mut resistances, mut inductances) = (Vec::new(), Vec::new());
        for (coil, valve) in fitted {
            let (mut resistance, mut inductance) = coil_findings(rig, coil, evidence);
            coil_causes::put_first(valve, &mut resistance, &mut inductance);
            resistances.push(resistance);
            let is_asked_for = inductance.tolerance.is_some() || inductance.value.is_some();
            inductances.extend(is_asked_for.then_some(inductance));
        }
        resistances.append(&mut inductances);
        Conclusion { again: false, findings: resistances }
    }
}

fn resistance_of(rig: &Rig<'_>, coil: Coil) -> Expected {
    let tolerances = &rig.pump.tolerances;
    let (id, label, tolerance) = match coil {
        Coil::Inlet => (
            "inlet_coil_resistance_20c",
            "Inlet coil resistance at 20 °C",
            Some(tolerances.inlet_resistance_20c_ohm),
        ),
        Coil::Pressure => (
            "pressure_coil_resistance_20c",
            "Pressure coil resistance at 20 °C",
            tolerances.pressure_resistance_20c_ohm,
        ),
    };
    Expected::new(id, label, Dimension::Resistance, tolerance)
}

fn inductance_of(rig: &Rig<'_>, coil: Coil) -> Expected {
    let tolerances = &rig.pump.tolerances;
    let (id, label, tolerance) = match coil {
        Coil::Inlet => ("inlet_coil_inductance", "Inlet coil inductance", tolerances.inlet_inductance_h),
        Coil::Pressure => {
            ("pressure_coil_inductance", "Pressure coil inductance", tolerances.pressure_inductance_h)
        }
    };
    Expected::new(id, label, Dimension::Inductance, tolerance)
}

/// Resistance and inductance of one coil.
fn coil_findings(rig: &Rig<'_>, coil: Coil, evidence: &Evidence<'_>) -> (Finding, Finding) {
    let (expected, of_inductance) = (resistance_of(rig, coil), inductance_of(rig, coil));
    if let Some(short) = short(rig, coil, evidence) {
        let none = of_inductance.unmeasured("the current is no coil's".to_owned(), causes::shorted_coil());
        return (shorted(&expected, &short), none);
    }
    let stretch = evidence.get(label(coil));
    let resistance = stretch
        .as_ref()
        .map_err(Clone::clone)
        .and_then(|stretch| measure(rig, coil, stretch).map_err(|reason| reason.to_string()));
    let inductance = stretch.and_then(|stretch| inductance(rig, coil, evidence, &stretch));
    (resistance_finding(&expected, &resistance), of_inductance.concluded(inductance.as_ref()))
}

fn resistance_finding(expected: &Expected, resistance: &Result<Resistance, String>) -> Finding {
    match resistance {
        Err(reason) => expected.concluded(Err(reason)),
        Ok(Resistance { at_20c: Some(at_20c), .. }) => expected.measured(at_20c),
        Ok(Resistance { at_temperature, .. }) => {
            // Without the coil's temperature the value cannot be brought to 20 °C, so it is good or bad on a
            // condition only.
            let mut finding = expected.measured(at_temperature);
            finding.verdict = match finding.verdict {
                Verdict::Pass => Verdict::ConditionalPass,
                Verdict::Fail => Verdict::ConditionalFail,
                other => other,
            };
            finding.notes.push(coil_causes::TEMPERATURE_UNKNOWN.to_owned());
            finding
        }
    }
}

/// Inductance from the ripple at the end of the burst.
fn inductance(
    rig: &Rig<'_>,
    coil: Coil,
    evidence: &Evidence<'_>,
    stretch: &super::Stretch<'_>,
) -> Result<Measured, String> {
    let burst_a = burst_a(rig, coil, evidence);
    if burst_a.is_empty() {
        return Err("no burst of this coil was read; check the link and run again".to_owned());
    }
    let window = &stretch.window;
    let settled = window.last(window.samples.len() as u32 / 2);
    let circuit = circuit(rig);
    let mean_counts = |channel| settled.mean_counts(channel);
    let ripple = Ripple {
        current_a: &burst_a,
        spacing_s: 1.0 / f64::from(rig.identity.burst_hz.max(1)),
        pwm_period_s: 1.0 / f64::from(rig.identity.pwm_hz[coil.index()].max(1)),
        duty: duty(coil, stretch),
        settled_a: rig.calibration.current_a(coil, mean_counts(coil.current())),
        supply_v: rig.calibration.supply_v(mean_counts(Channel::SupplyVoltage)),
        freewheel_drop_v: circuit.freewheel_drop_v,
        current_gain: circuit.current_gain,
        voltage_gain: circuit.voltage_gain,
    };
    coil::ripple_inductance(&ripple).map(|found| found.inductance_h).map_err(|reason| reason.to_string())
}

fn burst_a(rig: &Rig<'_>, coil: Coil, evidence: &Evidence<'_>) -> Vec<f64> {
    let per_tick = f64::from(rig.identity.conversions_per_tick);
    let burst = evidence.burst(label(coil)).iter();
    burst.map(|&conversion| rig.calibration.current_a(coil, f64::from(conversion) * per_tick)).collect()
}

fn duty(coil: Coil, stretch: &super::Stretch<'_>) -> f64 {
    stretch.window.samples.last().map_or(0.0, |sample| f64::from(sample[coil.duty().index()]) * 1e-4)
}

/// What the burst shows of a coil whose current is no coil's.
struct Short {
    peak_a: f64,
    beyond_the_channel: bool,
    ohm_at_most: f64,
}

/// Conversions from this share of full scale on are no measurement: amplifiers end a little below it
/// (common practice, no source).
const FULL_SCALE_SHARE: f64 = 0.98;

/// The end of a burst in which the current must not stop, in ms: two periods of the slowest PWM of the
/// trade, 200 Hz (common practice, no source).
const CONTINUOUS_MS: usize = 10;

/// Smallest share of the mean that the current may fall to within a period: below, it has stopped.
const VALLEY_SHARE_MIN: f64 = 0.05;

fn short(rig: &Rig<'_>, coil: Coil, evidence: &Evidence<'_>) -> Option<Short> {
    let identity = rig.identity;
    let per_tick = f64::from(identity.conversions_per_tick);
    let burst_a = burst_a(rig, coil, evidence);
    let end_counts = f64::from(identity.conversion_full_scale) * FULL_SCALE_SHARE * per_tick;
    let end_a = rig.calibration.current_a(coil, end_counts);
    let peak_a = burst_a.iter().copied().fold(0.0, f64::max);
    let beyond_the_channel = peak_a >= end_a;
    let last = burst_a.len().saturating_sub(CONTINUOUS_MS * identity.burst_hz as usize / 1_000);
    let settled = &burst_a[last..];
    let mean_a = settled.iter().sum::<f64>() / settled.len().max(1) as f64;
    let stops = settled.iter().any(|&ampere| ampere < VALLEY_SHARE_MIN * mean_a);
    if !beyond_the_channel && !stops {
        return None;
    }
    let supply_v = evidence
        .get(label(coil))
        .ok()?
        .window
        .counts(Channel::SupplyVoltage)
        .map(|counts| rig.calibration.supply_v(f64::from(counts)))
        .fold(0.0, f64::max);
    // An open coil has no current to stop.
    let flows = peak_a > 10.0 * rig.calibration.current_zero_u_a(coil).max(end_a * 1e-3);
    let ohm_at_most = coil::resistance_at_most(peak_a.min(end_a), supply_v, &circuit(rig));
    flows.then_some(Short { peak_a, beyond_the_channel, ohm_at_most })
}

/// The finding of such a coil: a bound in place of a value, which is enough to fail when even the bound
/// is below the tolerance.
fn shorted(expected: &Expected, short: &Short) -> Finding {
    let show = |ohm| expected.dimension.display(ohm);
    let current = Dimension::Current.display(short.peak_a);
    let seen = if short.beyond_the_channel {
        format!("the current is beyond what can be measured (more than {current})")
    } else {
        format!("the current stops within a period of the PWM (peak {current})")
    };
    let mut finding =
        expected.unmeasured(format!("{seen}: at most {}", show(short.ohm_at_most)), causes::shorted_coil());
    if expected.tolerance.and_then(|tolerance| tolerance.min).is_some_and(|min| short.ohm_at_most < min) {
        finding.verdict = Verdict::Fail;
        finding.notes.push("short in coil, plug or cable".to_owned());
    }
    finding
}

fn circuit(rig: &Rig<'_>) -> CoilCircuit {
    let bench = rig.calibration.bench();
    CoilCircuit {
        freewheel_drop_v: bench.coil_circuit.freewheel_drop_v,
        lead_ohm: bench.coil_circuit.leads_ohm,
        switch_on_ohm: bench.coil_circuit.switch_on_ohm,
        current_gain: Input::new(1.0, bench.current.gain_u),
        voltage_gain: Input::new(1.0, bench.supply_divider.standard_uncertainty / bench.supply_divider.value),
    }
}

fn measure(rig: &Rig<'_>, coil: Coil, stretch: &super::Stretch<'_>) -> Result<Resistance, Unmeasured> {
    let bench = rig.calibration.bench();
    let window = &stretch.window;
    let current_a: Vec<f64> =
        window.counts(coil.current()).map(|c| rig.calibration.current_a(coil, f64::from(c))).collect();
    let supply_v: Vec<f64> =
        window.counts(Channel::SupplyVoltage).map(|c| rig.calibration.supply_v(f64::from(c))).collect();
    let pwm_hz = rig.identity.pwm_hz[coil.index()].max(1);
    let dwell = SteadyDwell {
        current_a: &current_a,
        supply_v: &supply_v,
        duty: duty(coil, stretch),
        pwm_period_s: 1.0 / f64::from(pwm_hz),
        ticks_per_pwm_period: usize::from(1_000_u16.div_ceil(pwm_hz)),
        current_zero_u_a: rig.calibration.current_zero_u_a(coil),
    };
    let body = rig.calibration.body_celsius(window.mean_counts(Channel::BodyTemperature));
    let temperature = body.map(|celsius| CoilTemperature {
        celsius: Input::new(celsius, bench.body_temperature.coil_temperature_u_k),
    });
    coil::resistance_at_20c(&dwell, &circuit(rig), temperature)
}
