//! Pressure over duty, up and down: hysteresis shows a sticking pressure valve that a mean hides.

use super::{Conclusion, Evidence, Expected, Phase, Planned, Rig, Step, Stretch, rail_pressures_pa};
use crate::quantity::Dimension;
use stepwell_analysis::stats;
use stepwell_analysis::sweep::{self, SweepPoint};
use stepwell_protocol::channel::Channel;
use stepwell_protocol::dwell::DwellEnd;

#[derive(Debug)]
pub(super) struct Sweep {
    pub(super) points: u32,
    pub(super) dwell_s: f64,
}

/// The drive comes up to speed at the first point, in s, before that point counts.
const SPIN_UP_S: f64 = 1.0;

impl Sweep {
    /// Duties on the way up; the way down is the same without the top.
    fn up(&self, (from, to): (f64, f64)) -> Vec<f64> {
        let last = f64::from(self.points.max(2) - 1);
        (0..self.points.max(2)).map(|n| from + (to - from) * f64::from(n) / last).collect()
    }
}

impl Step for Sweep {
    fn phases(&mut self, rig: &Rig<'_>) -> Vec<Phase> {
        let Some(ends) = rig.pump.points.sweep_duty else { return Vec::new() };
        let at_duty = |label, seconds, duty| Planned::delivering(label, seconds, duty, rig.pump);
        let up = self.up(ends);
        let mut chain = vec![at_duty("spin up", SPIN_UP_S, ends.0)];
        chain.extend(up.iter().map(|&duty| at_duty("on the way up", self.dwell_s, duty)));
        chain.extend(up.iter().rev().skip(1).map(|&duty| at_duty("on the way down", self.dwell_s, duty)));
        vec![Phase::Chain(chain)]
    }

    fn expects(&self, rig: &Rig<'_>) -> Vec<Expected> {
        if rig.pump.points.sweep_duty.is_none() {
            return Vec::new();
        }
        vec![Expected::new(
            "hysteresis",
            "Hysteresis of pressure over duty",
            Dimension::Fraction,
            rig.pump.tolerances.hysteresis,
        )]
    }

    fn conclude(&mut self, rig: &Rig<'_>, evidence: &Evidence<'_>) -> Conclusion {
        let points = |label: &str| -> Vec<SweepPoint> {
            let complete =
                |stretch: &&Stretch<'_>| stretch.label == label && stretch.end == DwellEnd::Complete;
            evidence
                .stretches
                .iter()
                .filter(complete)
                .filter_map(|stretch| {
                    let settled = stretch.window.last(stretch.window.len_ms() / 2);
                    let series = stats::mean_of_series(&rail_pressures_pa(rig, &settled)).ok()?;
                    let duty_e4 = settled.samples[0][Channel::PressureDuty.index()];
                    Some(SweepPoint {
                        duty: f64::from(duty_e4) * 1e-4,
                        output: series.mean,
                        standard_uncertainty: series.standard_uncertainty,
                    })
                })
                .collect()
        };
        let result = sweep::sweep_of_points(&points("on the way up"), &points("on the way down"))
            .map(|sweep| sweep.hysteresis);
        let findings = self.expects(rig).iter().map(|expected| expected.concluded(result.as_ref())).collect();
        Conclusion { again: false, findings }
    }
}
