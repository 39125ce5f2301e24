//! Air in a rail that is being filled.

use super::found::{Kind, noted, of, refused};
use super::{DIGITS, Recording};
use crate::analyse::Analysis;
use crate::analyse::chart::Scale;
use crate::analyse::columns::Name;
use crate::failure::Failure;
use stepwell_analysis::air::{self, BuildUp};
use stepwell_procedure::quantity::Dimension;

const AIR: Kind = ("air_fraction", "Air", Dimension::Fraction);

impl Recording<'_> {
    pub(super) fn air(&self) -> Result<Analysis, Failure> {
        let time_s = self.column(Name::Time)?;
        let pressure_pa = self.pressure_pa()?;
        let y = Scale { name: "pressure", dimension: Dimension::Pressure };
        let mut chart = self.chart("Pressure of a rail being filled", y, pressure_pa, Vec::new())?;
        let flow = self.table.column(Name::Flow);
        let share = |pressure_pa: &[f64], flow: Option<&[f64]>| {
            let (volume, modulus) = (self.volume_m3, self.liquid_modulus_pa);
            air::air_fraction(&BuildUp::recorded(time_s, pressure_pa, flow, volume, modulus))
        };
        Ok(match share(pressure_pa, flow) {
            Err(why) => refused(&[AIR], &why, chart),
            Ok(air) => {
                chart.fit = time_s.iter().copied().zip(air.curve_pa).collect();
                // A column that rests may be off as a whole by half of its last digit.
                let off = |name, values: &[f64]| -> Vec<f64> {
                    let half = 0.5
                        * self.table.digit(name)
                        * values.iter().fold(0.0_f64, |most, v| most.max(v.abs()));
                    values.iter().map(|value| value + half).collect()
                };
                let moved = [
                    flow.map(|flow| share(pressure_pa, Some(&off(Name::Flow, flow)))),
                    Some(share(&off(self.pressure_column(), pressure_pa), flow)),
                ];
                let value = air.fraction_at_atmosphere.value;
                let by = moved.into_iter().flatten().flatten();
                let by = by.map(|moved| moved.fraction_at_atmosphere.value - value).fold(0.0, f64::hypot);
                let rounding = by / 3.0_f64.sqrt();
                let fraction = if air.fraction_at_atmosphere.standard_uncertainty() < rounding {
                    air.fraction_at_atmosphere.with_given(DIGITS, 1.0, rounding)
                } else {
                    air.fraction_at_atmosphere
                };
                let mut share = noted(
                    of(AIR, Ok(fraction)),
                    "free air at atmospheric pressure over the volume; air dissolved in the liquid is not seen",
                );
                if let Ok(volume) = &air.volume_m3 {
                    let value = Dimension::Volume
                        .display_with_uncertainty(volume.value, volume.expanded_uncertainty());
                    share = noted(share, format!("that is {value} of air at atmospheric pressure"));
                }
                let notes = air.fell_s.map(|fell_s| {
                    let from = Dimension::Time.display(fell_s);
                    format!("the pressure falls from {from} on; only the rise before was used")
                });
                Analysis { findings: vec![share], notes: notes.into_iter().collect(), chart: Some(chart) }
            }
        })
    }
}
