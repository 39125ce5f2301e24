//! A coil's current after its voltage was switched on.

use super::found::{Kind, noted, of, refused};
use super::{Recording, TIME_CONSTANT};
use crate::analyse::Analysis;
use crate::analyse::chart::Scale;
use crate::analyse::columns::Name;
use crate::failure::Failure;
use stepwell_analysis::coil::CoilTemperature;
use stepwell_analysis::coil::transient::{self, CoilRecord};
use stepwell_analysis::{Input, stats};
use stepwell_procedure::quantity::Dimension;
use stepwell_procedure::sheet;

const RESISTANCE: Kind = ("coil_resistance_20c", "Resistance at 20 °C", Dimension::Resistance);
const INDUCTANCE: Kind = ("coil_inductance", "Inductance", Dimension::Inductance);

impl Recording<'_> {
    pub(super) fn coil(&self) -> Result<Analysis, Failure> {
        let time_s = self.column(Name::Time)?;
        let voltage_v = self.column(Name::Voltage)?;
        let current_a = self.column(Name::Current)?;
        let record = CoilRecord {
            time_s,
            voltage_v,
            current_a,
            current_gain: Input::exact(1.0),
            voltage_gain: Input::exact(1.0),
            lead_ohm: Input::exact(0.0),
            temperature: self
                .coil_celsius
                .or(self.first_celsius())
                .map(|celsius| CoilTemperature { celsius }),
            at_s: self.exact_instant_s()?,
        };
        let y = Scale { name: "current", dimension: Dimension::Current };
        let mut chart = self.chart("Coil current", y, current_a, Vec::new())?;
        Ok(match transient::transient(&record) {
            Err(why) => refused(&[RESISTANCE, INDUCTANCE, TIME_CONSTANT], &why, chart),
            Ok(coil) => {
                chart.fit = time_s.iter().copied().zip(coil.curve_a).collect();
                let mut resistance = of(RESISTANCE, coil.resistance_20c);
                if let (Err(_), Ok(as_it_was)) = (&resistance.result, &coil.resistance) {
                    let value = Dimension::Resistance
                        .display_with_uncertainty(as_it_was.value, as_it_was.expanded_uncertainty());
                    resistance = noted(resistance, format!("at the temperature it had it was {value}"));
                }
                if coil.is_from_steady_end {
                    resistance = noted(resistance, "from the steady end; the rise follows no exponential");
                }
                let findings =
                    vec![resistance, of(INDUCTANCE, coil.inductance_h), of(TIME_CONSTANT, coil.tau_s)];
                Analysis { findings, notes: Vec::new(), chart: Some(chart) }
            }
        })
    }

    /// The instant of `--at` for a coil, whose edge is found to a sample: only how far off it may be is of no use.
    fn exact_instant_s(&self) -> Result<Option<f64>, Failure> {
        match self.at_s {
            Some(at) if at.standard_uncertainty > 0.0 => Err(Failure::Usage(
                "--at of a coil takes an instant without an interval; leave --at out, and the edge is found in the \
                 recording"
                    .into(),
            )),
            at => Ok(at.map(|at| at.value)),
        }
    }

    /// Temperature of the coil at the first row, by a straight line through its column.
    fn first_celsius(&self) -> Option<Input> {
        let (time_s, celsius) = (self.table.column(Name::Time)?, self.table.column(Name::Temperature)?);
        Some(match stats::line(time_s, celsius) {
            Ok(line) => Input::new(line.at(time_s[0]), line.uncertainty_at(time_s[0])),
            Err(_) => Input::exact(celsius[0]),
        })
    }
}

/// What no winding of a valve has: nearly always a
/// column in another unit than its heading says.
pub(super) fn impossible(id: &str, dimension: Dimension, value: f64) -> Option<String> {
    let possible = match id {
        "coil_resistance_20c" => sheet::COIL_OHM,
        "coil_inductance" => sheet::COIL_H,
        _ => return None,
    };
    let [found, least, most] =
        [value, *possible.start(), *possible.end()].map(|value| dimension.display(value));
    (!possible.contains(&value)).then(|| {
        format!(
            "it comes to {found}, and that of a valve's winding is {least} to {most}; check the units in the \
             headings of time, voltage and current"
        )
    })
}
