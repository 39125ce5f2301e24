//! Pulses that come twice, and pulses that do not come.
//!
//! A contact or a comparator that bounces gives a second pulse soon after the real one, a disturbance one
//! anywhere in between; a weak signal leaves one out. All count as flow that was not, or not as flow that was.
//! An interval is compared with those about it, so that a flow that changes slowly is none of these, and with how
//! far intervals scatter, so that jitter, gas, the ripple of a pump and a coarse clock are none either: where
//! they scatter by more than an eighth no pulse is taken for one too many. What is cut in two by a pulse too many adds
//! up to one interval; what lacks one is a multiple of it.

use crate::reason::{Signal, Unmeasured};
use crate::series::GAP_SPACINGS;

/// Neighbours on either side that an interval is compared with.
const NEIGHBOURS: usize = 8;

/// An interval below this share of the longer ones about it ends with a second pulse.
const SHORT_SHARE: f64 = 1.0 / 3.0;

/// An interval beyond this many of those about it lacks a pulse, whatever the scatter.
const LONG_SHARE: f64 = 1.6;

/// Nothing is claimed of what is nearer than this many standard deviations to a whole interval: once in 3 million
/// intervals of normal scatter.
const DEVIATIONS: f64 = 5.0;

/// Nor of what is nearer than this, whatever the scatter: teeth of a wheel differ.
const UNEVEN_SHARE: f64 = 0.15;

/// Shares of the intervals that are shorter, and how many standard deviations they are (normal distribution). The
/// first tells the scatter of what is bounded, the second that under a few pulses too many; missing ones do not show.
const SHORTER: [(f64, f64); 2] = [(0.01, 2.326_347_874_040_841), (0.25, 0.674_489_750_196_081_7)];

/// More than this share of wrong pulses is no accident that could be mended.
const MENDED_SHARE_MAX: f64 = 0.02;

/// A train of pulses with its few accidents mended.
#[derive(Debug, PartialEq)]
pub(super) struct Mended {
    /// Instants with pulses too many left out and missing ones put in, s.
    pub(super) instants_s: Vec<f64>,
    /// Pulses too many.
    pub(super) doubled: usize,
    /// Missing pulses.
    pub(super) missing: usize,
}

/// Mends a train of rising instants.
///
/// # Errors
/// [`Unmeasured::FalsePulses`] where more than [`MENDED_SHARE_MAX`] of them are wrong; [`Unmeasured::Gap`] where
/// they pause.
pub(super) fn mended(instants_s: &[f64], signal: Signal) -> Result<Mended, Unmeasured> {
    let single = without_short(instants_s);
    let off = UNEVEN_SHARE.max(DEVIATIONS * scatter(&single));
    let single = if off <= 1.0 - SHORT_SHARE { without_between(&single, off) } else { instants_s.to_vec() };
    let mut mended = Vec::with_capacity(single.len());
    mended.extend(single.first());
    let (mut missing, mut first_s) = (0, None);
    for (pair, usual_s) in single.windows(2).zip(usual(&single, 0.5)) {
        let (at_s, length_s) = (pair[0], pair[1] - pair[0]);
        let share = length_s / usual_s;
        if share > GAP_SPACINGS {
            return Err(Unmeasured::Gap { signal, at_s, length_s, usual_s });
        }
        if share > LONG_SHARE.max(1.0 + off) && (share - share.round()).abs() <= off {
            let parts = share.round() as usize;
            mended.extend((1..parts).map(|k| at_s + length_s * k as f64 / parts as f64));
            missing += parts - 1;
            first_s.get_or_insert(at_s);
        }
        mended.push(pair[1]);
    }
    let doubled = instants_s.len() - single.len();
    if (doubled + missing) as f64 > MENDED_SHARE_MAX * instants_s.len() as f64 {
        let twice_s = instants_s.iter().zip(&single).find(|(all, one)| all != one).map(|(all, _)| *all);
        let at_s = twice_s.into_iter().chain(first_s).fold(f64::INFINITY, f64::min);
        return Err(Unmeasured::FalsePulses { signal, found: instants_s.len(), doubled, missing, at_s });
    }
    Ok(Mended { instants_s: mended, doubled, missing })
}

/// The train without every pulse that follows the one before it sooner than [`SHORT_SHARE`] of what the longer
/// intervals about it last.
fn without_short(instants_s: &[f64]) -> Vec<f64> {
    let mut kept: Vec<f64> = Vec::with_capacity(instants_s.len());
    kept.extend(instants_s.first());
    for (now_s, usual_s) in instants_s.iter().skip(1).zip(usual(instants_s, 0.8)) {
        if kept.last().is_none_or(|last_s| now_s - last_s >= SHORT_SHARE * usual_s) {
            kept.push(*now_s);
        }
    }
    kept
}

/// The train without every pulse that cuts one interval in two.
fn without_between(instants_s: &[f64], off: f64) -> Vec<f64> {
    let mut kept: Vec<f64> = Vec::with_capacity(instants_s.len());
    kept.extend(instants_s.first());
    for ((now_s, usual_s), next_s) in instants_s
        .iter()
        .skip(1)
        .zip(usual(instants_s, 0.5))
        .zip(instants_s.iter().skip(2).map(Some).chain([None]))
    {
        let cuts = kept.last().zip(next_s).is_some_and(|(last_s, next_s)| {
            let [before, after, both] =
                [now_s - last_s, next_s - now_s, next_s - last_s].map(|length_s| length_s / usual_s);
            before < 1.0 - off && after < 1.0 - off && (both - 1.0).abs() < off
        });
        if !cuts {
            kept.push(*now_s);
        }
    }
    kept
}

/// Standard deviation of intervals over the median about them.
fn scatter(instants_s: &[f64]) -> f64 {
    let mut shares: Vec<f64> = instants_s
        .windows(2)
        .zip(usual(instants_s, 0.5))
        .map(|(pair, usual_s)| (pair[1] - pair[0]) / usual_s)
        .collect();
    if shares.is_empty() {
        return 0.0;
    }
    shares.sort_unstable_by(f64::total_cmp);
    let by = |(share, deviations): (f64, f64)| {
        (1.0 - shares[(share * shares.len() as f64) as usize]).max(0.0) / deviations
    };
    let [bounded, middle] = SHORTER.map(by);
    // Instants on the ticks of a clock: an interval is rounded at both ends.
    bounded.min(middle).hypot(tick(&shares) / 6.0_f64.sqrt())
}

/// The step between neighbouring values, sorted, where most of them repeat; otherwise none.
fn tick(sorted: &[f64]) -> f64 {
    /// Below, it is the rounding of numbers.
    const REAL: f64 = 1.0e-6;
    let steps: Vec<f64> =
        sorted.windows(2).map(|pair| pair[1] - pair[0]).filter(|step| *step > REAL).collect();
    if steps.len() > sorted.len() / 4 { 0.0 } else { steps.into_iter().reduce(f64::min).unwrap_or(0.0) }
}

/// For every interval, the quantile of those about it, itself included, s.
fn usual(instants_s: &[f64], quantile: f64) -> impl Iterator<Item = f64> {
    let intervals_s: Vec<f64> = instants_s.windows(2).map(|pair| pair[1] - pair[0]).collect();
    (0..intervals_s.len()).map(move |i| {
        let from = i.saturating_sub(NEIGHBOURS);
        let to = (i + NEIGHBOURS + 1).min(intervals_s.len());
        let mut about_s = [0.0; 2 * NEIGHBOURS + 1];
        let about_s = &mut about_s[..to - from];
        about_s.copy_from_slice(&intervals_s[from..to]);
        let place = (quantile * (about_s.len() - 1) as f64).round() as usize;
        *about_s.select_nth_unstable_by(place, f64::total_cmp).1
    })
}
