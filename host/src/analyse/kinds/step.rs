//! Pressure after a step of duty.

use super::found::{Kind, of, refused};
use super::{Recording, TIME_CONSTANT};
use crate::analyse::Analysis;
use crate::analyse::chart::Scale;
use crate::analyse::columns::Name;
use crate::failure::Failure;
use stepwell_analysis::Input;
use stepwell_analysis::edges::edges;
use stepwell_analysis::step::{self, Shape, StepRecord};
use stepwell_procedure::quantity::Dimension;

const RISE: Kind = ("pressure_rise", "Pressure rise", Dimension::Pressure);
const DEAD_TIME: Kind = ("dead_time", "Dead time", Dimension::Time);
const RISE_TIME: Kind = ("rise_time_10_90", "Rise time 10–90 %", Dimension::Time);
const OVERSHOOT: Kind = ("overshoot", "Overshoot", Dimension::Fraction);

impl Recording<'_> {
    pub(super) fn step(&self) -> Result<Analysis, Failure> {
        const ALL: [Kind; 5] = [RISE, DEAD_TIME, TIME_CONSTANT, RISE_TIME, OVERSHOOT];
        let time_s = self.column(Name::Time)?;
        self.check_duty()?;
        let pressure_pa = self.pressure_pa()?;
        let y = Scale { name: "pressure", dimension: Dimension::Pressure };
        let mut chart = self.chart("Pressure after a step of duty", y, pressure_pa, Vec::new())?;
        let response = step::find_step(time_s, self.table.column(Name::Duty), self.at_s.map(|at| at.value))
            .and_then(|part| {
                let time_s = &time_s[part.from..part.to];
                let response = step::step_response(&StepRecord {
                    time_s,
                    pressure_pa: &pressure_pa[part.from..part.to],
                    // An interval that was stated is kept; an exact instant and an edge come back as found.
                    instant_s: self.at_s.filter(|at| at.standard_uncertainty > 0.0).or(part.instant_s),
                    ripple_period_s: None,
                    gain: Input::exact(1.0),
                })?;
                chart.fit = time_s.iter().copied().zip(response.curve_pa.iter().copied()).collect();
                Ok(response)
            });
        let response = match response {
            Ok(response) => response,
            Err(why) => return Ok(refused(&ALL, &why, chart)),
        };
        let shape = match response.shape {
            Shape::FirstOrder => "read as a response of first order with dead time",
            Shape::SecondOrder => "read as a response of second order with dead time",
            Shape::Other => "read by its levels and crossings: neither first nor second order fits",
        };
        let mut notes = vec![shape.to_owned()];
        notes.extend(response.fell_s.map(|fell_s| {
            let from = Dimension::Time.display(fell_s);
            format!("the pressure falls from {from} on, as if the rail had been opened; only what comes before was used")
        }));
        notes.extend(self.at_beside_duty());
        let findings = vec![
            of(RISE, response.pressure_rise),
            of(DEAD_TIME, response.dead_time),
            of(TIME_CONSTANT, response.time_constant),
            of(RISE_TIME, response.rise_time_10_90),
            of(OVERSHOOT, response.overshoot),
        ];
        Ok(Analysis { findings, notes, chart: Some(chart) })
    }

    /// That the given instant and the duty column disagree, where they do by more than the spacing of its
    /// samples there.
    fn at_beside_duty(&self) -> Option<String> {
        let (at_s, time_s) = (self.at_s?.value, self.table.column(Name::Time)?);
        let edges_s = edges(self.table.column(Name::Duty)?).into_iter().map(|edge| edge.instant_s(time_s));
        let (edge_s, half_s) = edges_s.min_by(|a, b| (a.0 - at_s).abs().total_cmp(&(b.0 - at_s).abs()))?;
        ((edge_s - at_s).abs() > 2.0 * half_s).then(|| {
            let [at, edge] = [at_s, edge_s].map(|instant_s| Dimension::Time.display(instant_s));
            format!(
                "--at says that the duty changed at {at}, the column “duty” says at {edge}; --at was taken"
            )
        })
    }
}
