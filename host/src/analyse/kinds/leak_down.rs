//! Pressure of a rail that is shut.

use super::found::{Kind, noted, of, refused};
use super::{Recording, TIME_CONSTANT};
use crate::analyse::Analysis;
use crate::analyse::chart::Scale;
use crate::analyse::columns::Name;
use crate::failure::Failure;
use stepwell_analysis::leak::{self, Leak, LeakDown, Leaking};
use stepwell_procedure::quantity::Dimension;

const LEAK_FLOW: Kind = ("leak_rate", "Leak", Dimension::Flow);
const LEAK_FALL: Kind = ("leak_rate", "Fall of pressure", Dimension::PressureRate);

/// How far atmospheric pressure may be from it by the weather: 2 kPa either way, all equally likely; in Pa.
const WEATHER_U_PA: f64 = 2_000.0 / 1.732_050_807_568_877_2;

impl Recording<'_> {
    pub(super) fn leak_down(&self) -> Result<Analysis, Failure> {
        let time_s = self.column(Name::Time)?;
        let pressure_pa = self.pressure_pa()?;
        let y = Scale { name: "pressure", dimension: Dimension::Pressure };
        let mut chart = self.chart("Pressure of a shut rail", y, pressure_pa, Vec::new())?;
        let as_flow = self.volume_m3.is_some() && self.liquid_modulus_pa.is_some();
        let rate = if as_flow { LEAK_FLOW } else { LEAK_FALL };
        let mut record = LeakDown::recorded(time_s, pressure_pa, self.volume_m3, self.liquid_modulus_pa);
        if self.table.column(Name::AbsolutePressure).is_some() {
            record.zero_u_pa = WEATHER_U_PA;
        }
        Ok(match leak::leak_down(&record) {
            Err(why) => refused(&[rate, TIME_CONSTANT], &why, chart),
            Ok(leak) => {
                let notes = leak_notes(&leak, time_s);
                let used_s = &time_s[time_s.partition_point(|t| *t < leak.from_s)..];
                chart.fit = used_s.iter().copied().zip(leak.curve_pa).collect();
                let start = Dimension::Pressure.display(leak.start_pa.value);
                let measured = if as_flow { leak.rate_m3_per_s } else { Ok(leak.rate_pa_per_s) };
                let mut rate = noted(of(rate, measured), format!("at {start}, {:.3} s", leak.from_s));
                if !as_flow {
                    rate = noted(rate, "as a volume it is told with --volume and --liquid-modulus");
                }
                let findings = vec![rate, of(TIME_CONSTANT, leak.time_constant_s)];
                Analysis { findings, notes, chart: Some(chart) }
            }
        })
    }
}

/// What is to be said of a leak beside its numbers: whether there is one, by which law, and what of the recording
/// is not its own.
fn leak_notes(leak: &Leak, time_s: &[f64]) -> Vec<String> {
    let share = |share| Dimension::Fraction.display(share);
    let law = if leak.is_told() {
        let (law, other) = match leak.leaking {
            Leaking::Laminar => (GAP, HOLE),
            Leaking::Orifice => (HOLE, GAP),
        };
        if leak.leaking_share > leak::DECIDED_SHARE {
            format!("it leaks {law}, so says {} of the evidence", share(leak.leaking_share))
        } else {
            format!(
                "whether it leaks {law} or {other} the recording does not tell ({} and {} of the evidence): both are \
                 in the uncertainty",
                share(leak.leaking_share),
                share(1.0 - leak.leaking_share)
            )
        }
    } else {
        format!(
            "no leak can be told from the noise; if there is one, pressure falls by at most {} a second (95 % \
             confidence)",
            Dimension::Pressure.display(leak.rate_most_pa_per_s())
        )
    };
    let mut notes = vec![law];
    if leak.from_s > time_s[0] {
        let from = Dimension::Time.display(leak.from_s);
        notes.push(format!("what comes before {from} falls in another way and was left out"));
    }
    if leak.to_s < time_s[time_s.len() - 1] {
        let to = Dimension::Time.display(leak.to_s);
        notes.push(format!(
            "pressure falls suddenly faster after {to}, as if the rail had been opened: what comes then was left out"
        ));
    }
    notes
}

const GAP: &str = "in proportion to pressure (a narrow gap)";
const HOLE: &str = "with the square root of pressure (a hole)";
