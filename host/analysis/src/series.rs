//! Checks every recording passes before anything is computed from it.

use crate::reason::{Signal, Unmeasured};

/// A spacing this many times the median is a gap: one or two lost samples do not move a fit,
/// while jitter of a healthy clock or meter stays far below.
const GAP_SPACINGS: f64 = 4.0;

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

/// The median spacing of rising times, s.
pub(crate) fn spacing_s(time_s: &[f64]) -> Result<f64, Unmeasured> {
    check_count(time_s.len(), 2)?;
    if let Some(i) = time_s.windows(2).position(|pair| pair[1] <= pair[0]) {
        return Err(Unmeasured::OutOfOrder { index: i + 1 });
    }
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
