//! A rail that somebody opened while the valve was swept: what is recorded from there on is no answer to the duty.
//!
//! Valves jump as well: one that sticks lets go, and one that snaps does so on both ways. What lets go
//! comes to where the other way is at that duty, and what snaps snaps back. An opened rail is empty at a
//! duty that gave pressure before, and stays so.

use super::legs::turns;
use crate::reason::{Signal, Unmeasured};
use crate::series::smoothed;
use crate::stats::{extremes, mean};

/// A fall is seen over this share of the samples,
const WINDOW_SHARE: f64 = 0.01;
/// three at least.
const WINDOW_MIN: usize = 3;
/// It has ended after so many windows.
const WINDOWS_TO_END: usize = 4;
/// Duty hardly moves meanwhile, in shares of its range.
const DUTY_SHARE_MAX: f64 = 0.05;
/// Least fall, in shares of what the output covers.
const FALL_SHARE_MIN: f64 = 0.15;
/// Nothing else changes the output by this share of the fall in as few samples.
const OTHER_SHARE_MAX: f64 = 0.5;
/// An empty rail stays within this share of what the output covers above its lowest.
const EMPTY_SHARE_MAX: f64 = 0.1;

/// Refuses a sweep of the rail pressure in which it falls all at once and for good.
pub(super) fn check_not_opened(time_s: &[f64], duty: &[f64], output: &[f64]) -> Result<(), Unmeasured> {
    let n = output.len();
    let window = ((WINDOW_SHARE * n as f64) as usize).max(WINDOW_MIN);
    if n < 4 * window * WINDOWS_TO_END {
        return Ok(());
    }
    let smooth = smoothed(output, 1);
    let (lowest, highest) = extremes(smooth.iter().copied());
    let range = highest - lowest;
    let (least, most) = extremes(duty.iter().copied());
    let duty_range = most - least;
    let changes: Vec<f64> = (0..n - window).map(|i| smooth[i + window] - smooth[i]).collect();
    let Some(from) = (0..changes.len()).min_by(|a, b| changes[*a].total_cmp(&changes[*b])) else {
        return Ok(());
    };
    let end = (from + WINDOWS_TO_END * window).min(n - 1);
    let is_sudden = -changes[from] > FALL_SHARE_MIN * range
        && (duty[from + window] - duty[from]).abs() <= DUTY_SHARE_MAX * duty_range;
    let is_elsewhere = |i: &usize| i + window < from || *i > end;
    let others = (0..changes.len()).filter(is_elsewhere).map(|i| changes[i].abs()).fold(0.0, f64::max);
    let is_alone = others < OTHER_SHARE_MAX * -changes[from];
    let is_for_good = smooth[end..].iter().all(|p| p - lowest <= EMPTY_SHARE_MAX * range);
    if !(is_sudden && is_alone && is_for_good) {
        return Ok(());
    }
    // What the way before gave at that duty; on the first way nobody knows.
    let turn = turns(duty, duty_range).iter().rev().map(|turn| turn.middle).find(|turn| *turn < from);
    let near: Vec<f64> = (0..turn.unwrap_or(0))
        .filter(|i| (duty[*i] - duty[end]).abs() <= DUTY_SHARE_MAX * duty_range)
        .map(|i| smooth[i])
        .collect();
    if !near.is_empty() && mean(&near) - smooth[end] <= FALL_SHARE_MIN * range {
        return Ok(());
    }
    // The fall begins within the window at the sample before the steepest loss.
    let steepest = (from..from + window)
        .min_by(|a, b| (output[a + 1] - output[*a]).total_cmp(&(output[b + 1] - output[*b])))
        .unwrap_or(from);
    Err(Unmeasured::Opened {
        signal: Signal::Pressure,
        at_s: time_s[steepest],
        what: "while the duty hardly changes",
    })
}
