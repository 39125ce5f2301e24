//! State levels, reference levels, crossings and overshoot as IEEE Std 181 defines them (the same family
//! as IEC 60469; method from public descriptions, clause numbers not read).
//!
//! The plain definitions, for comparing with instruments that use them. They are biased: a level that is
//! the record's own extreme is read up to half a bin inside it, an overshoot in noise is that of the
//! highest sample. [`crate::step`] does without both.

use crate::reason::{Signal, Unmeasured};
use crate::series::{check_columns, check_count, check_finite};
use crate::stats::extremes;

/// The two states of a signal, in its own unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StateLevels {
    /// Lower state level.
    pub low: f64,
    /// Upper state level.
    pub high: f64,
}

/// State levels by histogram and mode: `bins` equal bins from the lowest to the highest sample; the
/// middle of the fullest bin in the lower and in the upper half of those that are not empty at the ends.
///
/// # Errors
/// [`Unmeasured::TooFewSamples`], [`Unmeasured::NotANumber`], [`Unmeasured::NoStep`] for a signal that
/// never changes, [`Unmeasured::Impossible`] for fewer than two bins.
pub fn state_levels(values: &[f64], bins: usize) -> Result<StateLevels, Unmeasured> {
    check_finite(values)?;
    check_count(values.len(), 2)?;
    if bins < 2 {
        let expected = "two or more";
        return Err(Unmeasured::Impossible { name: "the number of bins", found: bins as f64, expected });
    }
    let (lowest, highest) = extremes(values.iter().copied());
    if highest <= lowest {
        return Err(Unmeasured::NoStep { signal: Signal::Pressure });
    }
    let width = (highest - lowest) / bins as f64;
    let mut counts = vec![0_usize; bins];
    for value in values {
        counts[(((value - lowest) / width) as usize).min(bins - 1)] += 1;
    }
    // The lowest and the highest sample fill the first and the last bin.
    let half = bins / 2;
    let fullest = |from: usize, to: usize| {
        // The first of several that are equally full.
        let place = (from..to).rev().max_by_key(|i| counts[*i]).unwrap_or(from);
        lowest + (place as f64 + 0.5) * width
    };
    Ok(StateLevels { low: fullest(0, half), high: fullest(half, bins) })
}

impl StateLevels {
    /// The level at `share` of the way from low to high.
    #[must_use]
    pub fn reference(&self, share: f64) -> f64 {
        self.low + share * (self.high - self.low)
    }

    /// Highest sample beyond the upper level, as a share of the amplitude.
    #[must_use]
    pub fn overshoot(&self, values: &[f64]) -> f64 {
        let (_, highest) = extremes(values.iter().copied());
        ((highest - self.high) / (self.high - self.low)).max(0.0)
    }
}

/// Instant at which a rising signal first passes `level`, by a straight line between the two samples
/// around it; s. `None` when it never does.
///
/// # Errors
/// [`Unmeasured::Unpaired`], [`Unmeasured::NotANumber`], [`Unmeasured::TooFewSamples`].
pub fn crossing_s(time_s: &[f64], values: &[f64], level: f64) -> Result<Option<f64>, Unmeasured> {
    check_columns(time_s, values, 2)?;
    let passes = |i: &usize| values[*i - 1] < level && values[*i] >= level;
    Ok((1..values.len()).find(passes).map(|i| {
        let share = (level - values[i - 1]) / (values[i] - values[i - 1]);
        time_s[i - 1] + share * (time_s[i] - time_s[i - 1])
    }))
}

/// Instant at which the signal enters the band of `share` of the amplitude about its upper level for the
/// last time; s. `None` when it ends outside.
///
/// # Errors
/// As [`crossing_s`].
pub fn settled_s(
    time_s: &[f64],
    values: &[f64],
    levels: &StateLevels,
    share: f64,
) -> Result<Option<f64>, Unmeasured> {
    check_columns(time_s, values, 2)?;
    let width = share * (levels.high - levels.low);
    let Some(last) = values.iter().rposition(|v| (v - levels.high).abs() > width) else {
        return Ok(Some(time_s[0]));
    };
    if last + 1 == values.len() {
        return Ok(None);
    }
    let edge = levels.high + width.copysign(values[last] - levels.high);
    let part = (edge - values[last]) / (values[last + 1] - values[last]);
    Ok(Some(time_s[last] + part * (time_s[last + 1] - time_s[last])))
}
