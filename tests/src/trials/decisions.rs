//! How often items at and beyond a limit are passed: the decision rule put to the proof.
//!
//! An item's true value lies at the upper limit or beyond it by a known number of standard uncertainties;
//! a measurement of few readings, with an instrument whose error was drawn when it was calibrated, is
//! judged as any finding is. Nothing is known of an item but its measurement.

use super::Noise;
use stepwell_analysis::Measured;
use stepwell_procedure::finding::{Value, Verdict, judge};
use stepwell_procedure::sheet::Tolerance;

/// How far beyond the limit the items are, in standard uncertainties of the measurement: at it, just outside
/// and farther.
pub const OUTSIDE_U: [f64; 5] = [0.0, 0.1, 0.5, 1.0, 2.0];

/// Readings of one measurement, and the share of its variance that is the readings' scatter; the rest is
/// the instrument's error, which is normal and known to the measurement by its standard uncertainty. From
/// three readings and nothing else to one that is as good as given.
pub const MEASUREMENTS: [(usize, f64); 6] = [(3, 1.0), (5, 1.0), (5, 0.5), (10, 0.9), (10, 0.3), (30, 0.1)];

/// How often each verdict fell on items equally far beyond the limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Decided {
    /// Items judged.
    pub items: usize,
    /// Passed: wrongly, but for an item at the limit itself.
    pub pass: usize,
    /// Conditionally passed.
    pub conditional_pass: usize,
    /// Conditionally failed.
    pub conditional_fail: usize,
    /// Failed.
    pub fail: usize,
}

/// One row of the table.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Row {
    /// How far beyond the limit, in standard uncertainties.
    pub outside_u: f64,
    /// Verdicts over all [`MEASUREMENTS`].
    pub all: Decided,
    /// Largest share of passes that a single one of the [`MEASUREMENTS`] gave.
    pub worst_pass_share: f64,
}

/// Judges `items` items for each distance of [`OUTSIDE_U`] and each of [`MEASUREMENTS`].
#[must_use]
pub fn decisions(items: usize, seed: u64) -> Vec<Row> {
    let mut noise = Noise::new(seed);
    OUTSIDE_U
        .into_iter()
        .map(|outside_u| {
            let each = MEASUREMENTS.map(|measurement| judged(&mut noise, items, outside_u, measurement));
            let sum = |of: fn(&Decided) -> usize| each.iter().map(of).sum();
            Row {
                outside_u,
                all: Decided {
                    items: sum(|d| d.items),
                    pass: sum(|d| d.pass),
                    conditional_pass: sum(|d| d.conditional_pass),
                    conditional_fail: sum(|d| d.conditional_fail),
                    fail: sum(|d| d.fail),
                },
                worst_pass_share: each.iter().map(|d| d.pass).max().unwrap_or(0) as f64 / items as f64,
            }
        })
        .collect()
}

/// Verdicts on items `outside_u` standard uncertainties above a limit of 10, for one way of measuring.
fn judged(noise: &mut Noise, items: usize, outside_u: f64, (readings, scatter): (usize, f64)) -> Decided {
    const LIMIT: f64 = 10.0;
    const U: f64 = 0.1;
    let tolerance = Tolerance { min: None, max: Some(LIMIT) };
    let truth = LIMIT + outside_u * U;
    let reading_sd = U * (scatter * readings as f64).sqrt();
    let instrument_u = U * (1.0 - scatter).sqrt();
    let mut decided = Decided { items, pass: 0, conditional_pass: 0, conditional_fail: 0, fail: 0 };
    for _ in 0..items {
        let error = noise.normal(instrument_u);
        let read: Vec<f64> = (0..readings).map(|_| truth + error + noise.normal(reading_sd)).collect();
        match judge(&Value::from(&measured(&read, instrument_u)), &tolerance) {
            Verdict::Pass => decided.pass += 1,
            Verdict::ConditionalPass => decided.conditional_pass += 1,
            Verdict::ConditionalFail => decided.conditional_fail += 1,
            Verdict::Fail => decided.fail += 1,
            Verdict::NotMeasured | Verdict::Invalid => unreachable!("every item has a value"),
        }
    }
    decided
}

/// Mean of the readings and the budget that anybody would give it.
fn measured(readings: &[f64], instrument_u: f64) -> Measured {
    let n = readings.len() as f64;
    let mean = readings.iter().sum::<f64>() / n;
    let squares: f64 = readings.iter().map(|reading| (reading - mean).powi(2)).sum();
    Measured::new(mean).with_scatter("readings", (squares / (n - 1.0) / n).sqrt(), n - 1.0).with_given(
        "instrument",
        1.0,
        instrument_u,
    )
}

#[cfg(test)]
mod tests {
    use super::decisions;

    /// At most 2.5 % of items at the limit or beyond it are passed. A count is allowed to exceed that by
    /// chance: by four standard errors of a proportion of 2.5 %, once in 30 000 seeds.
    #[test]
    fn items_outside_are_passed_in_at_most_one_of_forty_cases() {
        let items = 20_000;
        let rows = decisions(items, 20);
        for row in &rows {
            let all = row.all.items as f64;
            let most = |count: f64| 0.025 + 4.0 * (0.025 * 0.975 / count).sqrt();
            assert!(row.all.pass as f64 / all <= most(all), "{row:?}");
            assert!(row.worst_pass_share <= most(items as f64), "{row:?}");
        }
        // The farther outside, the rarer a pass and the commoner a fail; nothing is lost in between.
        for pair in rows.windows(2) {
            assert!(pair[0].all.pass > pair[1].all.pass && pair[0].all.fail < pair[1].all.fail, "{pair:?}");
        }
        for row in &rows {
            let all = row.all;
            assert_eq!(all.pass + all.conditional_pass + all.conditional_fail + all.fail, all.items);
        }
        // An item at the limit is as often found inside as outside.
        let half = (rows[0].all.pass + rows[0].all.conditional_pass) as f64 / rows[0].all.items as f64;
        assert!((half - 0.5).abs() < 4.0 * 0.5 / (rows[0].all.items as f64).sqrt(), "{half}");
    }
}
