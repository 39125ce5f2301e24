//! Flow by the pulses of a meter, or by a column of it.

use super::Recording;
use super::found::{Kind, noted, of};
use crate::analyse::Analysis;
use crate::analyse::chart::{Chart, Scale};
use crate::analyse::columns::Name;
use crate::failure::Failure;
use stepwell_analysis::flow::{self, Meter};
use stepwell_analysis::{Input, Unmeasured};
use stepwell_procedure::quantity::Dimension;

const FLOW: Kind = ("flow", "Flow", Dimension::Flow);

impl Recording<'_> {
    pub(super) fn flow(&self) -> Result<Analysis, Failure> {
        let time_s = self.column(Name::Time)?;
        if let Some(flow) = self.table.column(Name::Flow) {
            let y = Scale { name: "flow", dimension: Dimension::Flow };
            let mut chart = self.chart("Flow", y, flow, Vec::new())?;
            let mean = flow::flow_column(time_s, flow, Input::exact(1.0));
            if let Ok(mean) = &mean {
                chart.fit = time_s.iter().map(|t| (*t, mean.value)).collect();
            }
            let findings = vec![noted(of(FLOW, mean), "mean of the column")];
            return Ok(Analysis { findings, notes: Vec::new(), chart: Some(chart) });
        }
        if !self.table.is_alone(Name::Time) {
            return Err(Failure::Usage(
                "the recording has other columns beside time [s], but none “flow [mL/s]”: the instants of pulses \
                 stand in a file of their own, or name the column of the flow"
                    .into(),
            ));
        }
        let Some(k_factor_per_m3) = self.k_factor_per_m3 else {
            let name = "the number of pulses per volume";
            let what_to_do = "it stands on the meter or its certificate";
            let findings = vec![of(FLOW, Err(Unmeasured::NotGiven { name, what_to_do }))];
            return Ok(Analysis { findings, notes: Vec::new(), chart: None });
        };
        // Between two pulses one K-th of a volume has passed.
        let passing = |pair: &[f64]| {
            (f64::midpoint(pair[0], pair[1]), 1.0 / (k_factor_per_m3.value * (pair[1] - pair[0])))
        };
        let mut chart = Chart {
            title: "Flow from pulse to pulse".to_owned(),
            x: Scale { name: "time", dimension: Dimension::Time },
            y: Scale { name: "flow", dimension: Dimension::Flow },
            data: time_s.windows(2).map(passing).collect(),
            fit: Vec::new(),
        };
        let found = match flow::flow(time_s, &Meter { k_factor_per_m3 }) {
            Err(why) => of(FLOW, Err(why)),
            Ok(flow) => {
                chart.fit = time_s.iter().map(|t| (*t, flow.rate_m3_per_s.value)).collect();
                let found = noted(
                    of(FLOW, Ok(flow.rate_m3_per_s)),
                    format!("{} pulses in {:.3} s", flow.pulses, flow.gate_s),
                );
                [(flow.doubled, "too many was left out"), (flow.missing, "that was missing was put in")]
                    .into_iter()
                    .filter(|(count, _)| *count > 0)
                    .fold(found, |found, (count, what)| {
                        noted(found, format!("{count} times a pulse {what}; look at the sensor"))
                    })
            }
        };
        Ok(Analysis { findings: vec![found], notes: Vec::new(), chart: Some(chart) })
    }
}
