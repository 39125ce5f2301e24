//! Empties the rail and proves it: with everything at rest the dump is open, and the rail must be
//! seen low. A reading is not proof for people; the procedure asks for the mechanical gauge besides.

use super::{Conclusion, Evidence, Expected, Phase, Rig, Step, rail_pressures_pa};
use crate::guard::{self, ms};
use crate::quantity::Dimension;
use crate::recording::Window;
use crate::sheet::Tolerance;
use stepwell_analysis::stats;
use stepwell_analysis::uncertainty::Measured;
use stepwell_protocol::channel::Channel;
use stepwell_protocol::guards::Band;

#[derive(Debug)]
pub(super) struct Vent {
    pub(super) watch_s: f64,
}

impl Step for Vent {
    fn phases(&mut self, _: &Rig<'_>) -> Vec<Phase> {
        vec![Phase::Watch { label: "vent", ms: ms(self.watch_s) }]
    }

    fn expects(&self, rig: &Rig<'_>) -> Vec<Expected> {
        let low = Tolerance { min: None, max: Some(rig.calibration.bench().rail_low_pa) };
        vec![Expected::new(
            "rail_pressure_vented",
            "Rail pressure after venting",
            Dimension::Pressure,
            Some(low),
        )]
    }

    fn conclude(&mut self, rig: &Rig<'_>, evidence: &Evidence<'_>) -> Conclusion {
        let [expected] = self.expects(rig).try_into().unwrap_or_else(|_| unreachable!("one finding"));
        let measured = evidence.get("vent").and_then(|stretch| {
            // The second half: the first half is for the fall itself.
            let window = stretch.window.last(stretch.window.len_ms() / 2);
            credible(rig, &window)?;
            let series =
                stats::mean_of_series(&rail_pressures_pa(rig, &window)).map_err(|why| why.to_string())?;
            Ok(Measured::new(series.mean)
                .with_scatter(
                    "scatter of the readings",
                    series.standard_uncertainty,
                    series.degrees_of_freedom,
                )
                .with_given("zero of the rail sensor", 1.0, rig.calibration.rail_zero_u_pa(&window)))
        });
        Conclusion { again: false, findings: vec![expected.concluded(measured.as_ref())] }
    }
}

/// Whether the sensor can be believed: a dead or frozen one would call any rail empty, and so would one
/// whose zero is not known.
fn credible(rig: &Rig<'_>, window: &Window<'_>) -> Result<(), String> {
    let guards = guard::guards(rig.pump, rig.calibration, 0.0);
    let words = || window.counts(Channel::RailPressure);
    let inside = |band: Band, counts: f64| (f64::from(band.low)..=f64::from(band.high)).contains(&counts);
    let treat = "treat the rail as under pressure and look at the mechanical gauge";
    if !inside(guards.rail_live, window.mean_counts(Channel::RailPressure)) {
        return Err(format!("the rail sensor reads nothing a healthy sensor reads: open or short; {treat}"));
    }
    if !rig.calibration.rail_zero_taken() {
        return Err(format!("zero not taken: the sensor's own offset is unknown; {treat}"));
    }
    // The sum of a tick's conversions carries noise: a healthy sensor's word never stands still for
    // seconds.
    if words().eq(words().skip(1).chain(words().take(1))) {
        return Err(format!("the rail sensor's reading does not move at all; {treat}"));
    }
    Ok(())
}
