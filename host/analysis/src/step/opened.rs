//! A rail that somebody opened while the response was recorded.
//!
//! Pressure rises after the step and then falls away; no response does that: one of second order, however
//! little it is damped, never swings back beyond the level before, and one that swings much comes back. The end
//! of such a record is no level, and a step to it is none that was made.

use super::{LEVEL_SAMPLES_MIN, Shape, StepRecord, StepResponse};
use crate::reason::{Signal, Unmeasured};
use crate::series::{noise_sd, smoothed};
use crate::stats::mean;

/// Levels differ when they do so by this many standard deviations of a sample, one in 1e15 for white noise,
const NOISES: f64 = 8.0;
/// and by this many times what the level before the step moves.
const WOBBLES: f64 = 3.0;
/// A curve explains a record when no three neighbours lie further from it, in standard deviations of one.
const EXPLAINED_NOISES: f64 = 5.0;
/// A rise that is so small a share of the fall after it may be the start of a falling step.
const RISE_SHARE_MIN: f64 = 0.02;
/// A swing that is back at its lowest point within this share of itself at the end...
const BACK_SHARE_MAX: f64 = 0.2;
/// ... and that is more than this share of the rise, is no overshoot of second order: with an overshoot m it
/// comes back by m / (1 + m) of itself, so that m < 0.25, and falls by m (1 + m) from 1 + m, less than 0.25 of it.
const FALL_SHARE_MIN: f64 = 0.5;
/// A fall by less may be one from an overshoot unless it comes late in the record.
const LATE_FALL_SHARE_MIN: f64 = 0.1;
/// What comes before a fall tells a level when it lasts so many 10-90 % rise times from the onset on, 6.6 time
/// constants: a rail that was opened on the way up rises a little further, to a level of its own.
const RISE_TIMES_MIN: f64 = 3.0;
/// Ground lost over a stretch of the fall counts from this share of the whole fall on.
const STEEP_SHARE: f64 = 1.0e-3;

/// What was read of the record, or of its part before a rail was opened, where that is a step of its own.
pub(super) fn before_the_fall(
    record: &StepRecord<'_>,
    found: Result<StepResponse, Unmeasured>,
    read: impl Fn(&StepRecord<'_>) -> Result<StepResponse, Unmeasured>,
) -> Result<StepResponse, Unmeasured> {
    let may_be = match &found {
        Ok(response) => !explains(response, record),
        Err(why) => is_about_levels(why),
    };
    let Some(fall) = Fall::find(record).filter(|_| may_be) else { return found };
    let is_plain = match &found {
        // There and back says as much.
        Err(Unmeasured::SeveralSteps { .. }) => fall.is_beyond,
        _ => fall.is_beyond || fall.is_deep,
    };
    let may_be_late = found.is_ok() && fall.is_late;
    if !(is_plain || may_be_late) {
        return found;
    }
    let to = fall.from;
    let part = StepRecord { time_s: &record.time_s[..to], pressure_pa: &record.pressure_pa[..to], ..*record };
    match read(&part) {
        Ok(mut response) if has_settled(&response, part.time_s[to - 1]) => {
            response.curve_pa.resize(record.time_s.len(), response.after_pa);
            Ok(StepResponse { fell_s: Some(fall.at_s), ..response })
        }
        _ if is_plain => Err(Unmeasured::Opened {
            signal: Signal::Pressure,
            at_s: fall.at_s,
            what: "and what comes before tells no settled level",
        }),
        _ => found,
    }
}

/// Whether a rise stood at its level by `end_s`. One of too few samples for times did at once.
fn has_settled(response: &StepResponse, end_s: f64) -> bool {
    let stood = match (&response.onset_s, &response.rise_time_10_90) {
        (Ok(onset_s), Ok(rise_s)) => onset_s.value + RISE_TIMES_MIN * rise_s.value <= end_s,
        _ => true,
    };
    stood && response.pressure_rise.as_ref().is_ok_and(|rise| rise.value > 0.0)
}

fn is_about_levels(why: &Unmeasured) -> bool {
    matches!(
        why,
        Unmeasured::NoStep { .. }
            | Unmeasured::NoResponse { .. }
            | Unmeasured::NotSettled { .. }
            | Unmeasured::Unfinished { .. }
            | Unmeasured::SeveralSteps { .. }
            | Unmeasured::TooFew { .. }
            | Unmeasured::NoFit { .. }
    )
}

/// Whether a model leaves no more than noise. Levels and crossings explain nothing.
fn explains(response: &StepResponse, record: &StepRecord<'_>) -> bool {
    let left: Vec<f64> = record.pressure_pa.iter().zip(&response.curve_pa).map(|(p, c)| p - c).collect();
    let most = EXPLAINED_NOISES * noise_sd(record.pressure_pa);
    response.shape != Shape::Other && smoothed(&left, 1).iter().all(|left| left.abs() <= most)
}

/// The largest fall after a rise.
struct Fall {
    /// So many samples come surely before it.
    from: usize,
    /// When it begins, s.
    at_s: f64,
    /// It ends beyond the level before the step, on the other side.
    is_beyond: bool,
    /// It is too deep for a swing.
    is_deep: bool,
    /// It comes in the second half of what follows the step, and is more than noise.
    is_late: bool,
}

impl Fall {
    fn find(record: &StepRecord<'_>) -> Option<Fall> {
        let (time_s, pressure_pa) = (record.time_s, record.pressure_pa);
        let n = pressure_pa.len();
        let edge = record.instant_s.map(|instant| time_s.partition_point(|t| *t < instant.value));
        let level = edge.filter(|edge| *edge >= LEVEL_SAMPLES_MIN).unwrap_or((n / 20).max(LEVEL_SAMPLES_MIN));
        if level + LEVEL_SAMPLES_MIN > n {
            return None;
        }
        let smooth_pa = smoothed(pressure_pa, 1);
        let noise_pa = noise_sd(pressure_pa);
        let before_pa = mean(&pressure_pa[..level]);
        let wobble_pa = smooth_pa[..level - 1].iter().map(|p| (p - before_pa).abs()).fold(0.0, f64::max);
        let margin_pa = (NOISES * noise_pa).max(WOBBLES * wobble_pa);

        let (mut highest, mut top, mut low) = (level, level, level);
        for i in level..n {
            if smooth_pa[i] > smooth_pa[highest] {
                highest = i;
            }
            if smooth_pa[highest] - smooth_pa[i] > smooth_pa[top] - smooth_pa[low] {
                (top, low) = (highest, i);
            }
        }
        let (rose_pa, fell_pa) = (smooth_pa[top] - before_pa, smooth_pa[top] - smooth_pa[low]);
        if rose_pa <= margin_pa.max(RISE_SHARE_MIN * fell_pa) || fell_pa <= margin_pa {
            return None;
        }
        let begins = begins(&smooth_pa[..=low], top, noise_pa);
        let stays = mean(&smooth_pa[n - 4..]) - smooth_pa[low] < BACK_SHARE_MAX * fell_pa;
        let half_s = f64::midpoint(time_s[level], time_s[n - 1]);
        Some(Fall {
            from: begins.0,
            at_s: time_s[begins.1],
            is_beyond: smooth_pa[low] < before_pa - margin_pa,
            is_deep: stays && fell_pa > FALL_SHARE_MIN * rose_pa,
            is_late: stays && fell_pa > LATE_FALL_SHARE_MIN * rose_pa && time_s[begins.0] > half_s,
        })
    }
}

/// The sample up to which nothing of a fall from `top` to the end of `smooth_pa` is seen, and the one where it
/// begins: from its middle backward for as long as a stretch of it loses ground beyond noise. Stretches are a
/// quarter of the second quarter of the fall.
fn begins(smooth_pa: &[f64], top: usize, noise_pa: f64) -> (usize, usize) {
    let low = smooth_pa.len() - 1;
    let fell_pa = smooth_pa[top] - smooth_pa[low];
    let last_above = |share: f64| {
        let least_pa = smooth_pa[top] - share * fell_pa;
        (top..=low).rev().find(|i| smooth_pa[*i] >= least_pa).unwrap_or(top)
    };
    let (quarter, half) = (last_above(0.25), last_above(0.5));
    let stretch = ((half - quarter) / 4).max(1);
    let least_pa = (4.0 * noise_pa).max(STEEP_SHARE * fell_pa);
    let mut i = half;
    while i >= top + stretch && smooth_pa[i - stretch] - smooth_pa[i] > least_pa {
        i -= 1;
    }
    // Means reach over a neighbour, and the stretch that loses nothing may hold the corner.
    (i.saturating_sub(stretch + 1), i)
}
