//! Output over duty, up and down.

use super::Recording;
use super::found::{Kind, noted, of, refused};
use crate::analyse::Analysis;
use crate::analyse::chart::{Chart, Scale};
use crate::analyse::columns::Name;
use crate::failure::Failure;
use stepwell_analysis::reason::Signal;
use stepwell_analysis::stats::extremes;
use stepwell_analysis::sweep::{self, SweepRecord};
use stepwell_procedure::quantity::Dimension;

const HYSTERESIS: Kind = ("hysteresis", "Hysteresis", Dimension::Fraction);
const DEAD_BAND: Kind = ("dead_band", "Dead band", Dimension::Fraction);
const LINEARITY: Kind = ("linearity", "Linearity", Dimension::Fraction);

/// Least range of duty that a sweep goes over (common practice, no source).
const SWEEP_RANGE_MIN: f64 = 0.01;

impl Recording<'_> {
    pub(super) fn sweep(&self) -> Result<Analysis, Failure> {
        let duty = self.column(Name::Duty)?;
        self.check_duty()?;
        check_range(duty)?;
        let (output, signal, y) = match (&self.gauge_pa, self.table.column(Name::Flow)) {
            (Some(pressure), _) => (
                pressure.as_slice(),
                Signal::Pressure,
                Scale { name: "pressure", dimension: Dimension::Pressure },
            ),
            (None, Some(flow)) => (flow, Signal::Flow, Scale { name: "flow", dimension: Dimension::Flow }),
            (None, None) => return Err(self.missing("pressure [bar]” or “flow [mL/s]")),
        };
        let record = SweepRecord { time_s: self.table.column(Name::Time), duty, output, signal };
        let mut chart = Chart {
            title: "Output over duty, up and down".to_owned(),
            x: Scale { name: "duty", dimension: Dimension::Fraction },
            y,
            data: duty.iter().copied().zip(output.iter().copied()).collect(),
            fit: Vec::new(),
        };
        Ok(match sweep::sweep(&record) {
            Err(why) => refused(&[HYSTERESIS, DEAD_BAND, LINEARITY], &why, chart),
            Ok(sweep) => {
                let points = |values: &[f64]| -> Vec<(f64, f64)> {
                    sweep.duty.iter().copied().zip(values.iter().copied()).collect()
                };
                chart.fit = points(&sweep.up);
                chart.fit.extend(points(&sweep.down).into_iter().rev());
                let at = Dimension::Fraction.display(sweep.widest_at_duty);
                let terminal = Dimension::Fraction.display_with_uncertainty(
                    sweep.terminal_linearity.value,
                    sweep.terminal_linearity.expanded_uncertainty(),
                );
                let findings = vec![
                    noted(
                        of(HYSTERESIS, Ok(sweep.hysteresis)),
                        format!("share of the output span, found at {at}"),
                    ),
                    noted(of(DEAD_BAND, sweep.dead_band), "of duty"),
                    noted(
                        of(LINEARITY, Ok(sweep.linearity)),
                        format!("independent, share of the output span; terminal-based it is {terminal}"),
                    ),
                ];
                Analysis { findings, notes: Vec::new(), chart: Some(chart) }
            }
        })
    }
}

/// A sweep over less than one per cent of duty moves no valve: shares of one under a heading of per cent.
fn check_range(duty: &[f64]) -> Result<(), Failure> {
    let (least, most) = extremes(duty.iter().copied());
    if most > least && most - least < SWEEP_RANGE_MIN {
        let [least, most] = [least, most].map(|duty| Dimension::Fraction.display(duty));
        return Err(Failure::Usage(format!(
            "the duty goes from {least} to {most} only, too little for a sweep; if these are shares of one, head the \
             column “duty [1]”"
        )));
    }
    Ok(())
}
