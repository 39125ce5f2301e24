//! Fills the feed side by whichever route the pump's feed allows, and looks at the feed pressure
//! reached: supply pulses with the shaft still, short turns of a pump with its own transfer pump,
//! or strokes of a hand primer.
//!
//! Three pulses are common practice, no source.

use super::{Conclusion, Evidence, Expected, Phase, Planned, Rig, Step, shaft};
use crate::finding::Verdict;
use crate::guard::ms;
use crate::quantity::Dimension;
use crate::sheet::{AirExit, Feed};
use stepwell_analysis::stats;
use stepwell_analysis::uncertainty::Measured;
use stepwell_protocol::channel::Channel;
use stepwell_protocol::message::HandWork;

#[derive(Debug)]
pub(super) struct Prime {
    pub(super) pulses: u32,
    pub(super) on_s: f64,
    pub(super) off_s: f64,
}

/// The end of a pulse over which the feed pressure is averaged, in ms.
const AVERAGE_MS: u32 = 500;

/// Strokes of a hand primer in place of one pulse.
const STROKES_PER_PULSE: u32 = 5;

pub(super) const CRACK_UNION: &str = "Rail at rest. Put a container and a shield under the union, stand \
     clear of the jet, and crack the union open by a quarter turn. Never feel for leaks by hand.";

pub(super) const CLOSE_UNION: &str = "Wait until nothing drips, then close the union to the maker's torque.";

impl Step for Prime {
    fn phases(&mut self, rig: &Rig<'_>) -> Vec<Phase> {
        let mut phases = Vec::new();
        let by_union = rig.pump.air_exit == AirExit::Union;
        if by_union {
            phases.push(Phase::Ask(CRACK_UNION.to_owned()));
            phases.push(Phase::Hand(HandWork::UnionCracked));
        }
        for pulse in 0..self.pulses {
            if pulse > 0 {
                phases.push(Phase::Watch { label: "pause", ms: ms(self.off_s) });
            }
            match rig.pump.feed {
                Feed::ElectricSupply => phases.push(Phase::Chain(vec![
                    Planned::open("pulse", self.on_s, rig.pump).fed(rig.pump).dump_shut(),
                ])),
                Feed::TransferPump => phases.push(Phase::Chain(vec![
                    Planned::open("pulse", self.on_s, rig.pump).driven(rig.pump).dump_shut(),
                ])),
                Feed::HandPrimer => {
                    phases.push(Phase::Ask(format!(
                        "Work the hand primer: {STROKES_PER_PULSE} slow full strokes, watching the feed \
                         pressure, until it turns firm."
                    )));
                    for _ in 0..STROKES_PER_PULSE {
                        phases.push(Phase::Hand(HandWork::PrimerStroke));
                        phases.push(Phase::Watch { label: "pulse", ms: 1_000 });
                    }
                }
            }
        }
        if by_union {
            phases.push(Phase::Ask(CLOSE_UNION.to_owned()));
            phases.push(Phase::Hand(HandWork::UnionClosed));
        }
        phases
    }

    fn expects(&self, rig: &Rig<'_>) -> Vec<Expected> {
        let mut expected = Vec::new();
        if rig.pump.feed == Feed::TransferPump {
            expected.push(shaft::expected(rig));
        }
        if rig.calibration.bench().feed_pressure.is_some() {
            expected.push(Expected::new(
                "feed_pressure",
                "Feed pressure after priming",
                Dimension::Pressure,
                rig.pump.tolerances.feed_pressure_pa,
            ));
        }
        expected
    }

    fn conclude(&mut self, rig: &Rig<'_>, evidence: &Evidence<'_>) -> Conclusion {
        let last = evidence.stretches.iter().rev().find(|stretch| stretch.label == "pulse");
        let missing = || "no pulse was recorded without a gap".to_owned();
        let measured = last.ok_or_else(missing).and_then(|stretch| {
            let pressures: Vec<f64> = stretch
                .window
                .last(AVERAGE_MS)
                .counts(Channel::FeedPressure)
                .filter_map(|counts| rig.calibration.feed_pa(f64::from(counts)))
                .collect();
            let series = stats::mean_of_series(&pressures).map_err(|why| why.to_string())?;
            let sensor = rig.calibration.bench().feed_pressure;
            let gain_u = sensor.map_or(0.0, |span| span.gain_u);
            let zero_u_pa = sensor.map_or(0.0, |span| span.zero_u_pa);
            Ok(Measured::new(series.mean)
                .with_scatter(
                    "scatter of the readings",
                    series.standard_uncertainty,
                    series.degrees_of_freedom,
                )
                .with_given("gain of the feed sensor", series.mean, gain_u)
                .with_given("zero of the feed sensor", 1.0, zero_u_pa))
        });
        let speed = shaft::slowest(rig, last.into_iter());
        let mut findings: Vec<_> = self
            .expects(rig)
            .iter()
            .map(|expected| match expected.id {
                shaft::ID => shaft::finding(rig, expected, speed.as_ref()),
                _ => expected.concluded(measured.as_ref()),
            })
            .collect();
        // A pump that is not turned feeds nothing, whatever filter and hoses are like.
        if findings.iter().any(|finding| finding.id == shaft::ID && finding.verdict != Verdict::Pass) {
            for finding in findings.iter_mut().filter(|finding| finding.id != shaft::ID) {
                finding.check_next.clear();
            }
        }
        Conclusion { again: false, findings }
    }
}
