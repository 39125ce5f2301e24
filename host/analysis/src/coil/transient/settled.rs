//! The resistance that the steady end of a recording shows by itself, whatever way the current took to it.
//!
//! A probe that lags, channels that are not sampled together and iron that saturates bend the rise of the
//! current, and a curve fitted to all of it pays with the resistance. Where the current has settled none of them
//! matters: there the voltage is the resistance times the current. As long as the rise is what it should be the
//! fit uses it all and is the better of the two; to hold an estimate that is efficient then against one that holds
//! whatever the rise was is the test of J. A. Hausman, Econometrica 46, 1978, from memory.

use super::NOISE_SHARE_MIN;
use super::evidence::Candidate;
use super::model::{G, HEAT, TAU, ZERO};
use super::voltage::Prepared;
use crate::stats::{SERIES_SAMPLES_MIN, mean, mean_of_series};
use crate::uncertainty::Measured;
use std::f64::consts::SQRT_2;
use std::iter::successors;
use std::ops::Range;

/// A fit and a steady end that differ by what comes once in this many recordings are at odds.
pub(super) const CHANCE: f64 = 1.0e4;

/// The resistance between the steady end and rest, in reported volts per reported ampere, when the fit of the whole
/// recording is at odds with either of them, or with the instant at which the current may set in; `steps` are those of the readings, relative. `None` where they agree,
/// where nothing settles, and for a winding that warms.
pub(super) fn settled(
    prepared: &Prepared,
    best: &Candidate,
    steps: &[(&'static str, f64)],
) -> Option<Measured> {
    let closest = &best.closest;
    let p = &closest.parameters;
    let zero_is_guessed = prepared.rest.is_none() && closest.free[ZERO];
    if zero_is_guessed || p[G] == 0.0 {
        return None;
    }
    let time_s = &prepared.drive.time_s;
    let [voltage_v, current_a] = [&prepared.recorded_v, &prepared.current_a];
    // What the fitted resistance fails to balance: on average nothing, at rest and at the steady end.
    let unbalanced_v: Vec<f64> =
        voltage_v.iter().zip(current_a).map(|(v, i)| v - (i - p[ZERO]) / p[G]).collect();
    let mut stretches: Vec<Range<usize>> =
        prepared.bounds().windows(2).map(|pair| pair[0]..pair[1]).collect();
    let level = |stretch: Range<usize>| {
        Level::at_end(&time_s[stretch.clone()], &unbalanced_v[stretch.clone()], p[TAU])
            .map(|level| (stretch.end - level.samples..stretch.end, level))
    };
    let rest = match prepared.rest {
        None => None,
        Some(rest) if rest.is_before => {
            let first = stretches.remove(0);
            // Channels that are not sampled together may show the rise before the voltage.
            let early = 0..first.len() / 2;
            let level = Level::of(&unbalanced_v[early.clone()])?;
            // The fit has the zero from all of them: the half differs from that by the half of its variance.
            Some((early, Level { from_fit_v: level.scatter_v / SQRT_2, ..level }))
        }
        Some(_) => Some(level(stretches.pop()?)?),
    };
    let (settled, end) = level(stretches.into_iter().max_by_key(Range::len)?)?;
    let end_v = mean(&voltage_v[settled.clone()]);
    let rounded_v = end_v.abs() * steps.iter().fold(NOISE_SHARE_MIN, |sum, (_, step)| sum.hypot(*step));
    let is_at_odds = if closest.free[HEAT] {
        let energy_j = &prepared.drive.energy_j;
        let droop_v = end_v * p[HEAT] * (energy_j[settled.end - 1] - energy_j[settled.start - 1]);
        // Closer to what the fit says than to nothing.
        if end.change_v / droop_v > 0.5 {
            return None;
        }
        let missing = Level { mean_v: droop_v - end.change_v, from_fit_v: SQRT_2 * end.from_fit_v, ..end };
        missing.is_at_odds(rounded_v)
    } else {
        // A voltage that sags lets the current settle sooner than the time constant of the coil says.
        let sooner_v = if prepared.drive.is_level { 0.0 } else { end.left_v };
        Level { from_fit_v: end.from_fit_v.hypot(sooner_v), ..end }.is_at_odds(rounded_v)
    };
    let rest_level = rest.as_ref().map(|(_, level)| *level);
    let rest_is_at_odds = rest_level.is_some_and(|level| level.is_at_odds(rounded_v));
    if !(best.is_late || is_at_odds || rest_is_at_odds) {
        return None;
    }
    let rest_a = rest.map_or(p[ZERO], |(samples, _)| mean(&current_a[samples]));
    let rest = rest_level.unwrap_or(Level::NOTHING);
    let per_ampere = 1.0 / (mean(&current_a[settled]) - rest_a);
    let ohm = Measured::new(1.0 / p[G] + (end.mean_v - rest.mean_v) * per_ampere)
        .with_scatter("scatter of the steady end", (per_ampere * end.scatter_v).abs(), end.freedom)
        .with_scatter("scatter at rest", (per_ampere * rest.scatter_v).abs(), rest.freedom)
        .with_given("what is left of the rise", per_ampere, end.left_v.hypot(rest.left_v));
    ohm.value.is_finite().then_some(ohm)
}

/// What a stretch comes to, V.
#[derive(Clone, Copy)]
struct Level {
    mean_v: f64,
    scatter_v: f64,
    freedom: f64,
    /// Standard deviation by which it differs from a fit that is right, at most.
    from_fit_v: f64,
    /// By how much the window exceeds the one before it.
    change_v: f64,
    /// Standard uncertainty of what has not died away.
    left_v: f64,
    /// Samples it was taken from.
    samples: usize,
}

impl Level {
    const NOTHING: Level = Level {
        mean_v: 0.0,
        scatter_v: 0.0,
        freedom: f64::INFINITY,
        from_fit_v: 0.0,
        change_v: 0.0,
        left_v: 0.0,
        samples: 0,
    };

    /// Whether it differs from the fit, at which it would be nothing, by more than chance and rounding allow.
    fn is_at_odds(&self, rounded_v: f64) -> bool {
        let one = Measured::new(0.0).with_scatter("", 1.0, self.freedom);
        self.mean_v.abs() > one.coverage_factor(1.0 - 1.0 / CHANCE) * self.from_fit_v.hypot(rounded_v)
    }

    fn of(values_v: &[f64]) -> Option<Level> {
        let series = mean_of_series(values_v).ok()?;
        Some(Level {
            mean_v: series.mean,
            scatter_v: series.standard_uncertainty,
            freedom: series.degrees_of_freedom,
            from_fit_v: series.standard_uncertainty,
            samples: values_v.len(),
            ..Level::NOTHING
        })
    }

    /// Where a stretch leads. By what the mean changes from one window to the next, of a time constant or more, an
    /// exponential leaves `change / (exp(window / tau) - 1)` in the second. The time constant of a curve of another
    /// shape is not that of the end, so anything from nothing to twice that is taken to be as probable. The length
    /// of the windows is that which leaves the least uncertainty.
    fn at_end(time_s: &[f64], values_v: &[f64], tau_s: f64) -> Option<Level> {
        let n = values_v.len();
        let length_s = time_s[n - 1] - time_s[0];
        let least = (tau_s / length_s * n as f64).ceil().max(SERIES_SAMPLES_MIN as f64);
        if least > n as f64 / 2.0 {
            return None;
        }
        let windows = successors(Some(least as usize), |samples| Some(samples * 3 / 2));
        windows
            .take_while(|samples| 2 * samples <= n)
            .filter_map(|samples| {
                let from = n - samples;
                let last = Level::of(&values_v[from..])?;
                let change_v = last.mean_v - mean(&values_v[from - samples..from]);
                let window_s = time_s[n - 1] - time_s[from - 1];
                let left = 1.0 / (window_s / tau_s).exp_m1();
                let scatter_v = last.scatter_v * (1.0 + left).hypot(left);
                Some(Level {
                    mean_v: last.mean_v + left * change_v,
                    scatter_v,
                    from_fit_v: scatter_v,
                    change_v,
                    left_v: (left * change_v).abs() / 3.0_f64.sqrt(),
                    ..last
                })
            })
            .min_by(|a, b| a.scatter_v.hypot(a.left_v).total_cmp(&b.scatter_v.hypot(b.left_v)))
    }
}
