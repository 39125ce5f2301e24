//! Empties the rail and proves it: with everything at rest the dump is open, and the rail must be
//! seen low. A reading is not proof for people; the procedure asks for the mechanical gauge besides.

use super::{Conclusion, Evidence, Expected, Phase, Rig, Step, rail_pressures_pa};
use crate::guard::ms;
use crate::quantity::Dimension;
use crate::sheet::Tolerance;
use stepwell_analysis::stats;
use stepwell_analysis::uncertainty::Measured;

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
            let series =
                stats::mean_of_series(&rail_pressures_pa(rig, &window)).map_err(|why| why.to_string())?;
            Ok(Measured::new(series.mean)
                .with_scatter(
                    "scatter of the readings",
                    series.standard_uncertainty,
                    series.degrees_of_freedom,
                )
                .with_given("zero of the rail sensor", 1.0, rig.calibration.rail_zero_u_pa()))
        });
        Conclusion { again: false, findings: vec![expected.concluded(measured.as_ref())] }
    }
}
