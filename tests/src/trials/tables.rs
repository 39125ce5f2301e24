//! What trials come to, one row a finding: coverage, efficiency, stated uncertainty against scatter.
//!
//! Each recording has a random stream of its own, so a row does not depend on how many processors made it.

use super::{Case, Kind, Noise, over_seeds};
use std::collections::BTreeMap;
use stepwell_analysis::Unmeasured;

/// Trials of one kind take their streams from here on, so that no two tables share a recording.
#[derive(Clone, Copy, Debug)]
enum Stream {
    Anywhere = 1,
    Here = 2,
    Bounds = 3,
}

impl Stream {
    fn of(self, number: u64) -> Noise {
        Noise::new(((self as u64) << 32) | number)
    }
}

/// How often the stated interval of a finding holds the truth.
#[derive(Clone, Debug)]
pub struct Coverage {
    /// Id of the finding.
    pub finding: &'static str,
    /// Recordings that were made.
    pub recordings: usize,
    /// Relative expanded uncertainties of those that were measured, rising.
    relative: Vec<f64>,
    /// Those whose interval holds the truth.
    held: usize,
    /// How many were refused for which reason.
    pub refused: BTreeMap<String, usize>,
}

impl Coverage {
    /// How many were measured.
    #[must_use]
    pub fn measured(&self) -> usize {
        self.relative.len()
    }

    /// Share of those measured whose interval holds the truth, 0 to 1; `None` when nothing was measured.
    #[must_use]
    pub fn held(&self) -> Option<f64> {
        (self.measured() > 0).then(|| self.held as f64 / self.measured() as f64)
    }

    /// Median of the expanded uncertainty over the size of the truth, a truth of nothing left out.
    #[must_use]
    pub fn median_relative(&self) -> Option<f64> {
        let finite = self.relative.partition_point(|relative| relative.is_finite());
        self.relative.get(finite / 2).copied().filter(|relative| relative.is_finite())
    }
}

/// Coverage of every finding of a kind over so many recordings anywhere in its range.
#[must_use]
pub fn coverage(kind: &Kind, recordings: u64) -> Vec<Coverage> {
    let mut rows: Vec<Coverage> = Vec::new();
    for case in over_seeds(0..recordings, |seed| (kind.anywhere)(&mut Stream::Anywhere.of(seed))).concat() {
        let row = row_of(&mut rows, &case);
        row.recordings += 1;
        match &case.measured {
            Ok(measured) => {
                let half_width = measured.expanded_uncertainty();
                row.held += usize::from((measured.value - case.truth).abs() <= half_width);
                row.relative.push(half_width / case.truth.abs());
            }
            Err(reason) => *row.refused.entry(name(reason)).or_default() += 1,
        }
    }
    for row in &mut rows {
        row.relative.sort_by(f64::total_cmp);
    }
    rows
}

fn row_of<'a>(rows: &'a mut Vec<Coverage>, case: &Case) -> &'a mut Coverage {
    let place = rows.iter().position(|row| row.finding == case.finding).unwrap_or_else(|| {
        rows.push(Coverage {
            finding: case.finding,
            recordings: 0,
            relative: Vec::new(),
            held: 0,
            refused: BTreeMap::new(),
        });
        rows.len() - 1
    });
    &mut rows[place]
}

/// The name of a reason, without its numbers.
fn name(reason: &Unmeasured) -> String {
    let shown = format!("{reason:?}");
    shown.split([' ', '{', '(']).next().unwrap_or_default().to_owned()
}

/// How far estimates scatter, against the least that is possible.
#[derive(Clone, Debug)]
pub struct Efficiency {
    /// Id of the finding.
    pub finding: &'static str,
    /// The working point.
    pub point: &'static str,
    /// Estimates that were made.
    pub estimates: usize,
    /// Recordings that were refused.
    pub refused: usize,
    /// Root mean square of their errors over the bound of Cramér and Rao.
    pub rms_over_bound: f64,
}

/// Recordings that one thread makes with one set of bounds.
const CHUNK: u64 = 250;

/// Efficiency of every bounded estimate of a kind, over about so many recordings each.
#[must_use]
pub fn efficiency(kind: &Kind, recordings: u64) -> Vec<Efficiency> {
    let chunks = over_seeds(0..recordings.div_ceil(CHUNK), |chunk| {
        let errors = |number: usize, bound: &super::Bound| -> Vec<Option<f64>> {
            (0..CHUNK)
                .map(|at| {
                    let mut noise = Stream::Bounds.of(((number as u64) << 24) | (chunk * CHUNK + at));
                    (bound.estimate)(&mut noise).ok().map(|value| (value - bound.truth) / bound.bound_sd)
                })
                .collect()
        };
        let bounds = (kind.bounds)();
        bounds.iter().enumerate().map(|(number, bound)| errors(number, bound)).collect::<Vec<_>>()
    });
    let row = |(number, bound): (usize, super::Bound)| {
        let all = chunks.iter().flat_map(|chunk| &chunk[number]);
        let errors: Vec<f64> = all.clone().copied().flatten().collect();
        Efficiency {
            finding: bound.finding,
            point: bound.point,
            estimates: errors.len(),
            refused: all.count() - errors.len(),
            rms_over_bound: rms(&errors),
        }
    };
    (kind.bounds)().into_iter().enumerate().map(row).collect()
}

/// Scatter at one working point, against what is stated there.
#[derive(Clone, Debug)]
pub struct Scatter {
    /// Id of the finding.
    pub finding: &'static str,
    /// Recordings that were measured.
    pub measured: usize,
    /// Recordings that were refused.
    pub refused: usize,
    /// Standard deviation of value less truth, in the finding's unit.
    pub standard_deviation: f64,
    /// Root mean square of the standard uncertainties stated, in the finding's unit.
    pub stated: f64,
    /// Mean of value less truth over the stated uncertainty.
    pub bias: f64,
}

impl Scatter {
    /// Stated uncertainty over the scatter that was found.
    #[must_use]
    pub fn ratio(&self) -> f64 {
        self.stated / self.standard_deviation
    }
}

/// Errors and stated standard uncertainties of one finding, and how often it was refused.
type Repeats = (&'static str, Vec<(f64, f64)>, usize);

/// Monte Carlo of every finding of a kind at its working point.
#[must_use]
pub fn scatter(kind: &Kind, recordings: u64) -> Vec<Scatter> {
    let mut rows: Vec<Repeats> = Vec::new();
    for case in over_seeds(0..recordings, |seed| (kind.here)(&mut Stream::Here.of(seed))).concat() {
        let place = rows.iter().position(|(finding, ..)| *finding == case.finding).unwrap_or_else(|| {
            rows.push((case.finding, Vec::new(), 0));
            rows.len() - 1
        });
        match &case.measured {
            Ok(value) => rows[place].1.push((value.value - case.truth, value.standard_uncertainty())),
            Err(_) => rows[place].2 += 1,
        }
    }
    rows.into_iter()
        .map(|(finding, cases, refused)| {
            let (errors, stated): (Vec<f64>, Vec<f64>) = cases.into_iter().unzip();
            let mean = errors.iter().sum::<f64>() / errors.len() as f64;
            let about_mean: Vec<f64> = errors.iter().map(|error| error - mean).collect();
            let stated = rms(&stated);
            Scatter {
                finding,
                measured: errors.len(),
                refused,
                standard_deviation: rms(&about_mean),
                stated,
                bias: mean / stated,
            }
        })
        .collect()
}

fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|value| value * value).sum::<f64>() / values.len() as f64).sqrt()
}

#[cfg(test)]
mod tests {
    use super::{coverage, efficiency, scatter};
    use crate::trials::{Bound, Case, Kind, Noise};
    use stepwell_analysis::{Measured, Unmeasured};

    /// The mean of ten numbers of known deviation: everything about it is known.
    const MEAN: Kind = Kind { name: "mean", anywhere: mean_of_ten, here: mean_of_ten, bounds };

    const TRUTH: f64 = 3.0;

    fn mean(noise: &mut Noise) -> f64 {
        TRUTH + (0..10).map(|_| noise.normal(0.2)).sum::<f64>() / 10.0
    }

    fn mean_of_ten(noise: &mut Noise) -> Vec<Case> {
        let value = Measured::new(mean(noise)).with_given("noise", 1.0, 0.2 / 10.0_f64.sqrt());
        let refused = noise.uniform(0.0, 1.0) < 0.25;
        let measured =
            if refused { Err(Unmeasured::TooFewSamples { found: 1, needed: 2 }) } else { Ok(value) };
        vec![Case { finding: "mean", truth: TRUTH, measured }]
    }

    fn bounds() -> Vec<Bound> {
        vec![Bound {
            finding: "mean",
            point: "ten samples",
            truth: TRUTH,
            bound_sd: 0.2 / 10.0_f64.sqrt(),
            estimate: Box::new(|noise| Ok(mean(noise))),
        }]
    }

    /// The tables of an estimator whose coverage is 95 %, whose efficiency is 1 and whose stated
    /// uncertainty is its scatter, by theory. Margins are four standard deviations of each statistic.
    #[test]
    fn an_exact_estimator_has_exact_tables() {
        let recordings = 4_000;
        let row = &coverage(&MEAN, recordings)[0];
        assert_eq!(row.recordings, 4_000);
        assert_eq!(row.refused.get("TooFewSamples").copied(), Some(4_000 - row.measured()));
        let n = row.measured() as f64;
        assert!((row.held().expect("some were measured") - 0.95).abs() < 4.0 * (0.95 * 0.05 / n).sqrt());
        assert!((n / 4_000.0 - 0.75).abs() < 4.0 * (0.75 * 0.25 / 4_000.0_f64).sqrt());
        let relative = 1.959_964 * 0.2 / 10.0_f64.sqrt() / TRUTH;
        assert!((row.median_relative().expect("some were measured") / relative - 1.0).abs() < 1e-6);
        let row = &efficiency(&MEAN, recordings)[0];
        assert_eq!((row.estimates, row.refused), (4_000, 0));
        assert!((row.rms_over_bound - 1.0).abs() < 4.0 / (2.0 * 4_000.0_f64).sqrt());
        let row = &scatter(&MEAN, recordings)[0];
        assert!((row.ratio() - 1.0).abs() < 4.0 / (2.0 * row.measured as f64).sqrt());
        assert!(row.bias.abs() < 4.0 / (row.measured as f64).sqrt());
    }
}
