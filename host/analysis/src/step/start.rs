//! Where a transition may really have started, around the foot of a straight line through it.
//!
//! Pressure moves at the latest where it first stands out of noise. It started the earlier, the smoother;
//! the smoothest start that is allowed for is that of a response of second order, with the square of time
//! (by its closed form): a parabola through that place and the 10 % crossing. A
//! straight start lies between the two.

use crate::series::smoothed;

/// The means that are looked at reach so far to either side, in distances from foot to 10 % crossing.
const HALF_WIDTH: f64 = 0.1;
/// They stand out of noise at so many of their standard deviations.
const STANDS_OUT: f64 = 3.0;
/// Least share of the way that is looked for, whatever the noise.
const SHARE_MIN: f64 = 0.01;
/// How far, in distances between the line's foot and the 10 % crossing, a smooth start may lie before
/// that foot where noise hides all below 10 %: by the closed form of second order 0.9 for a damping of 1,
/// 1.4 for 0.5; a response that is damped less (2.03 without any damping) overshoots by more than 16 % and is not
/// meant.
const SOFT_START: f64 = 1.4;

/// How far the start may lie from the line's foot `foot_s`, s. `way` passes 10 % at `tenth_s`; `noise` is
/// the standard deviation of its samples.
pub(super) fn off_foot_s(time_s: &[f64], way: &[f64], noise: f64, (foot_s, tenth_s): (f64, f64)) -> f64 {
    let length_s = (tenth_s - foot_s).abs();
    let most_s = SOFT_START * length_s;
    let to = time_s.partition_point(|t| *t <= tenth_s);
    let inside = to.saturating_sub(time_s.partition_point(|t| *t < tenth_s - length_s));
    let half = (HALF_WIDTH * inside as f64) as usize;
    let share = (STANDS_OUT * noise / ((2 * half + 1) as f64).sqrt()).max(SHARE_MIN);
    if share >= 0.1 {
        return most_s;
    }
    let smooth = smoothed(&way[..(to + half).min(way.len())], half);
    let Some(i) = (1..to).rev().find(|i| smooth[i - 1] < share && smooth[*i] >= share) else {
        return most_s;
    };
    let part = (share - smooth[i - 1]) / (smooth[i] - smooth[i - 1]);
    let latest_s = time_s[i - 1] + part * (time_s[i] - time_s[i - 1]);
    let root = (share / 0.1).sqrt();
    let earliest_s = latest_s - (tenth_s - latest_s) * root / (1.0 - root);
    (foot_s - earliest_s).max(latest_s - foot_s).clamp(0.0, most_s)
}
