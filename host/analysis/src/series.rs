//! What every estimator asks of a recording: checks that it passes before anything is computed from it, its noise, runs of
//! equal samples, a sliding mean.

use crate::reason::{Signal, Unmeasured};
use std::cmp::Reverse;

/// A spacing this many times the median is a gap: one or two lost samples do not move a fit,
/// while jitter of a healthy clock or meter stays far below.
pub(crate) const GAP_SPACINGS: f64 = 4.0;

/// Both columns equally long, all numbers finite, at least `needed` rows.
pub(crate) fn check_columns(left: &[f64], right: &[f64], needed: usize) -> Result<(), Unmeasured> {
    if left.len() != right.len() {
        return Err(Unmeasured::Unpaired { left: left.len(), right: right.len() });
    }
    check_finite(left)?;
    check_finite(right)?;
    check_count(left.len(), needed)
}

pub(crate) fn check_finite(values: &[f64]) -> Result<(), Unmeasured> {
    match values.iter().position(|v| !v.is_finite()) {
        Some(index) => Err(Unmeasured::NotANumber { index }),
        None => Ok(()),
    }
}

pub(crate) fn check_count(found: usize, needed: usize) -> Result<(), Unmeasured> {
    if found < needed { Err(Unmeasured::TooFewSamples { found, needed }) } else { Ok(()) }
}

/// A given quantity must exceed zero.
pub(crate) fn check_positive(name: &'static str, found: f64) -> Result<(), Unmeasured> {
    if found > 0.0 && found.is_finite() {
        Ok(())
    } else {
        Err(Unmeasured::Impossible { name, found, expected: "above zero" })
    }
}

/// Times neither stand still nor run backwards.
pub(crate) fn check_rising(time_s: &[f64]) -> Result<(), Unmeasured> {
    match time_s.windows(2).position(|pair| pair[1] <= pair[0]) {
        Some(i) => Err(Unmeasured::OutOfOrder { index: i + 1 }),
        None => Ok(()),
    }
}

/// The median spacing of rising times, s.
pub(crate) fn spacing_s(time_s: &[f64]) -> Result<f64, Unmeasured> {
    check_count(time_s.len(), 2)?;
    check_rising(time_s)?;
    let mut spacings: Vec<f64> = time_s.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let middle = spacings.len() / 2;
    Ok(*spacings.select_nth_unstable_by(middle, f64::total_cmp).1)
}

/// As [`spacing_s`], and nothing is missing in between.
pub(crate) fn spacing_without_gaps_s(time_s: &[f64], signal: Signal) -> Result<f64, Unmeasured> {
    let usual_s = spacing_s(time_s)?;
    match time_s.windows(2).find(|pair| pair[1] - pair[0] > GAP_SPACINGS * usual_s) {
        Some(pair) => Err(Unmeasured::Gap { signal, at_s: pair[0], length_s: pair[1] - pair[0], usual_s }),
        None => Ok(usual_s),
    }
}

/// Standard deviation of the noise on top of whatever the signal does slowly: from the second
/// differences of neighbours, whose middle half is not disturbed by a few jumps. Zero for fewer than
/// three values, and for a signal without noise. For white noise a second difference has 6 times its variance.
pub(crate) fn noise_sd(values: &[f64]) -> f64 {
    /// Median of the absolute value of a normal variable over its standard deviation.
    const MEDIAN_ABSOLUTE: f64 = 0.674_489_750_196_081_7;
    let mut second: Vec<f64> = values.windows(3).map(|w| (w[0] - 2.0 * w[1] + w[2]).abs()).collect();
    if second.is_empty() {
        return 0.0;
    }
    let middle = second.len() / 2;
    *second.select_nth_unstable_by(middle, f64::total_cmp).1 / MEDIAN_ABSOLUTE / 6.0_f64.sqrt()
}

/// The step between neighbouring values that a recorder can show: the smallest difference between
/// values that differ. Zero when no two values repeat, which no recorder of finite resolution does
/// over [`REPEATS_MIN`] samples.
pub(crate) fn resolution(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let repeats = sorted.windows(2).filter(|pair| pair[0] == pair[1]).count();
    if repeats < REPEATS_MIN.min(values.len() / 4) {
        return 0.0;
    }
    let scale = sorted.last().map_or(0.0, |last| last.abs().max(sorted[0].abs()));
    // Below, it is the rounding of decimal text.
    let real = |difference: &f64| *difference > 1e-12 * scale;
    sorted.windows(2).map(|pair| pair[1] - pair[0]).filter(real).reduce(f64::min).unwrap_or(0.0)
}

/// So many equal values are no chance.
const REPEATS_MIN: usize = 8;

/// A run of this many samples at the very end of the range of a noisy signal is no chance: where noise
/// is cut off in its middle, half of the samples lie there and 24 in a row are one case in 1e7.
const CLIPPED_RUN_MIN: usize = 24;

/// Refuses a signal whose noise vanishes at its highest or lowest value: the recorder was at the end of
/// its range. A signal without noise elsewhere is never refused: its levels look the same.
pub(crate) fn check_not_clipped(time_s: &[f64], values: &[f64], signal: Signal) -> Result<(), Unmeasured> {
    for extreme in [values.iter().copied().reduce(f64::min), values.iter().copied().reduce(f64::max)] {
        let Some(extreme) = extreme else { return Ok(()) };
        let Some((from, to)) = longest_run(values, |v| v == extreme) else { continue };
        if to - from + 1 < CLIPPED_RUN_MIN {
            continue;
        }
        let elsewhere: Vec<f64> = values.iter().copied().filter(|v| *v != extreme).collect();
        // Noise of a step of the recorder breaks such a run. The steps themselves look like noise of 0.6
        // steps where the signal moves.
        if is_noisy(&elsewhere) && noise_sd(&elsewhere) > resolution(values) {
            let (from_s, to_s) = (time_s[from], time_s[to]);
            return Err(Unmeasured::Clipped { signal, level: extreme, from_s, to_s });
        }
    }
    Ok(())
}

/// A run this short is never taken for a frozen reading: a recorder may hold a value for some samples.
const FROZEN_RUN_MIN: usize = 16;
/// A sound recording is taken for a frozen one so often.
const FROZEN_PROBABILITY: f64 = 1.0e-7;

/// Refuses a signal that stands still to the last digit for many samples while elsewhere noise moves it from
/// sample to sample: a sensor or a recorder that froze. A signal without noise elsewhere is never refused: its
/// levels look the same.
pub(crate) fn check_not_frozen(time_s: &[f64], values: &[f64], signal: Signal) -> Result<(), Unmeasured> {
    let Some((from, to)) = longest_run(values, |_| true).filter(|(from, to)| to - from + 1 >= FROZEN_RUN_MIN)
    else {
        return Ok(());
    };
    let elsewhere: Vec<f64> = [&values[..from], &values[to + 1..]].concat();
    if elsewhere.len() < FROZEN_RUN_MIN {
        return Ok(());
    }
    let alike = elsewhere.windows(2).filter(|pair| pair[0] == pair[1]).count();
    // By Laplace's rule, so that a few neighbours that all differ do not make it impossible.
    let chance = (alike + 1) as f64 / (elsewhere.len() + 1) as f64;
    let is_chance = chance.powf((to - from) as f64) * values.len() as f64 > FROZEN_PROBABILITY;
    if !is_chance && is_noisy(&elsewhere) && noise_sd(&elsewhere) > resolution(values) {
        return Err(Unmeasured::Frozen { signal, from_s: time_s[from], to_s: time_s[to] });
    }
    Ok(())
}

/// Whether neighbouring second differences pull against each other as those of noise do: their
/// correlation is -2/3 for white noise and near 1 for a smooth curve.
pub(crate) fn is_noisy(values: &[f64]) -> bool {
    let second: Vec<f64> = values.windows(3).map(|w| w[0] - 2.0 * w[1] + w[2]).collect();
    let squares: f64 = second.iter().map(|d| d * d).sum();
    let products: f64 = second.windows(2).map(|pair| pair[0] * pair[1]).sum();
    products < -0.3 * squares
}

/// Mean over `half` samples to either side.
pub(crate) fn smoothed(y: &[f64], half: usize) -> Vec<f64> {
    if half == 0 {
        return y.to_vec();
    }
    let mut sums = Vec::with_capacity(y.len() + 1);
    let mut sum = 0.0;
    sums.push(0.0);
    for v in y {
        sum += v;
        sums.push(sum);
    }
    (0..y.len())
        .map(|i| {
            let (from, to) = (i.saturating_sub(half), (i + half + 1).min(y.len()));
            (sums[to] - sums[from]) / (to - from) as f64
        })
        .collect()
}

/// First and last index of the longest run of equal samples among those that `counts` takes, the first of several.
fn longest_run(values: &[f64], counts: impl Fn(f64) -> bool) -> Option<(usize, usize)> {
    let runs = values.chunk_by(|a, b| a == b).scan(0, |next, run| {
        let from = std::mem::replace(next, *next + run.len());
        Some((run[0], from, *next - 1))
    });
    let longest = runs.filter(|(value, ..)| counts(*value)).min_by_key(|(_, from, to)| Reverse(to - from));
    longest.map(|(_, from, to)| (from, to))
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::{Rng, SeedableRng};

    fn noise(n: usize) -> Vec<f64> {
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        // Sum of twelve uniform values: nearly normal, standard deviation 1.
        let mut uniform = || (rng.next_u32() as f64 + 0.5) / 2.0_f64.powi(32);
        (0..n).map(|_| (0..12).map(|_| uniform()).sum::<f64>() - 6.0).collect()
    }

    #[test]
    fn noise_is_found_under_a_slow_signal_with_a_jump() {
        let signal: Vec<f64> = noise(4_000)
            .iter()
            .enumerate()
            .map(|(i, e)| 0.5 * e + i as f64 * 0.01 + f64::from(u8::from(i > 2_000)) * 50.0)
            .collect();
        // A median of 4000 second differences scatters by some 2 %.
        assert!((noise_sd(&signal) / 0.5 - 1.0).abs() < 0.08, "{}", noise_sd(&signal));
    }

    #[test]
    fn a_cut_off_top_is_refused_and_clean_levels_are_not() {
        let time_s: Vec<f64> = (0..1_000).map(|i| f64::from(i) * 1e-3).collect();
        let rise = |t: f64| if t < 0.2 { 0.0 } else { 4.0 * (1.0 - (-(t - 0.2) / 0.1).exp()) };
        let clean: Vec<f64> = time_s.iter().map(|t| rise(*t)).collect();
        assert_eq!(check_not_clipped(&time_s, &clean, Signal::Pressure), Ok(()));
        let rounded: Vec<f64> = clean.iter().map(|v| (v * 50.0).round() / 50.0).collect();
        assert_eq!(check_not_clipped(&time_s, &rounded, Signal::Pressure), Ok(()));
        let noisy: Vec<f64> = clean.iter().zip(noise(1_000)).map(|(v, e)| v + 0.02 * e).collect();
        assert_eq!(check_not_clipped(&time_s, &noisy, Signal::Pressure), Ok(()));
        let cut: Vec<f64> = noisy.iter().map(|v| v.min(3.0)).collect();
        let Err(Unmeasured::Clipped { level, .. }) = check_not_clipped(&time_s, &cut, Signal::Pressure)
        else {
            panic!("not seen");
        };
        assert_eq!(level, 3.0);
    }

    #[test]
    fn resolution_is_the_step_of_the_recorder() {
        let rounded: Vec<f64> = noise(500).iter().map(|v| (v * 20.0).round() / 20.0).collect();
        assert!((resolution(&rounded) - 0.05).abs() < 1e-9);
        assert_eq!(resolution(&noise(500)), 0.0);
    }
}
