//! Coil resistance at 20 °C, each coil in turn, nothing else energised: no pressure, no drive, the
//! dump open.
//!
//! Each coil is driven at the sheet's check duty long enough for its current to settle and short
//! enough not to warm it; a burst of the first milliseconds is kept with the run. The coil's
//! temperature is that of the pump's body, which holds for a pump that has been standing.

use super::{Conclusion, Evidence, Expected, Phase, Planned, Rig, Step};
use crate::finding::Verdict;
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

fn measure(rig: &Rig<'_>, coil: Coil, stretch: &super::Stretch<'_>) -> Result<Resistance, Unmeasured> {
    let bench = rig.calibration.bench();
    let window = &stretch.window;
    let current_a: Vec<f64> =
        window.counts(coil.current()).map(|c| rig.calibration.current_a(coil, f64::from(c))).collect();
    let supply_v: Vec<f64> =
        window.counts(Channel::SupplyVoltage).map(|c| rig.calibration.supply_v(f64::from(c))).collect();
    let circuit = CoilCircuit {
        freewheel_drop_v: bench.coil_circuit.freewheel_drop_v.into(),
        lead_ohm: bench.coil_circuit.leads_ohm.into(),
        switch_on_ohm: bench.coil_circuit.switch_on_ohm.into(),
        current_gain: Input::new(1.0, bench.current.gain_u),
        voltage_gain: Input::new(1.0, bench.supply_divider.standard_uncertainty / bench.supply_divider.value),
    };
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
    coil::resistance_at_20c(&dwell, &circuit, temperature)
}
