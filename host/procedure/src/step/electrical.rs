//! Coil resistance at 20 °C, each coil in turn, nothing else energised: no pressure, no drive, the
//! dump open.
//!
//! Each coil is driven at the sheet's check duty long enough for its current to settle and short
//! enough not to warm it; a burst of the first milliseconds is kept with the run. The coil's
//! temperature is that of the pump's body, which holds for a pump that has been standing.
//!
//! A shorted coil shows in the burst alone: its current rises within a fraction of the on-time beyond
//! what the channel can show, or is gone before the next. The mean of such a tick looks like a coil, and
//! is none. What is left to be said is a bound: no current rises beyond supply over resistance.

use super::{Conclusion, Evidence, Expected, Phase, Planned, Rig, Step};
use crate::causes;
use crate::finding::{Finding, Verdict};
use crate::quantity::Dimension;
use crate::sheet::Valve;
use stepwell_analysis::Unmeasured;
use stepwell_analysis::coil::{self, CoilCircuit, CoilTemperature, Resistance, SteadyDwell};
use stepwell_analysis::uncertainty::Input;
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
        let tolerances = &rig.pump.tolerances;
        let mut expected = vec![Expected::new(
            "inlet_coil_resistance_20c",
            "Inlet coil resistance at 20 °C",
            Dimension::Resistance,
            Some(tolerances.inlet_resistance_20c_ohm),
        )];
        if rig.pump.pressure_valve.is_some() {
            expected.push(Expected::new(
                "pressure_coil_resistance_20c",
                "Pressure coil resistance at 20 °C",
                Dimension::Resistance,
                tolerances.pressure_resistance_20c_ohm,
            ));
        }
        expected
    }

    fn conclude(&mut self, rig: &Rig<'_>, evidence: &Evidence<'_>) -> Conclusion {
        let findings = self
            .expects(rig)
            .iter()
            .zip(Coil::BOTH)
            .map(|(expected, coil)| {
                if let Some(short) = short(rig, coil, evidence) {
                    return shorted(expected, &short);
                }
                let resistance = evidence
                    .get(label(coil))
                    .and_then(|stretch| measure(rig, coil, &stretch).map_err(|reason| reason.to_string()));
                match &resistance {
                    Err(reason) => expected.concluded(Err(reason)),
                    Ok(Resistance { at_20c: Some(at_20c), .. }) => expected.measured(at_20c),
                    Ok(Resistance { at_temperature, .. }) => {
                        // Without the coil's temperature the value cannot be brought to 20 °C, so it is
                        // good or bad on a condition only.
                        let mut finding = expected.measured(at_temperature);
                        finding.verdict = match finding.verdict {
                            Verdict::Pass => Verdict::ConditionalPass,
                            Verdict::Fail => Verdict::ConditionalFail,
                            other => other,
                        };
                        finding.notes.push("coil temperature unknown: not corrected to 20 °C".to_owned());
                        finding
                    }
                }
            })
            .collect();
        Conclusion { again: false, findings }
    }
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
    let burst_a: Vec<f64> = evidence
        .burst(label(coil))
        .iter()
        .map(|&conversion| rig.calibration.current_a(coil, f64::from(conversion) * per_tick))
        .collect();
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
        freewheel_drop_v: bench.coil_circuit.freewheel_drop_v.into(),
        lead_ohm: bench.coil_circuit.leads_ohm.into(),
        switch_on_ohm: bench.coil_circuit.switch_on_ohm.into(),
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
    let duty_e4 = window.samples.last().map_or(0, |sample| sample[coil.duty().index()]);
    let pwm_hz = rig.identity.pwm_hz[coil.index()].max(1);
    let dwell = SteadyDwell {
        current_a: &current_a,
        supply_v: &supply_v,
        duty: f64::from(duty_e4) * 1e-4,
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
