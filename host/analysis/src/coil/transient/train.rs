//! Instants of the jumps of a driver that chops with a steady period.
//!
//! Each jump is seen to within the interval between two samples only. When a train of them keeps one period, all
//! instants are `first + c period` with whole numbers c, and every interval narrows both. What is left is some
//! polygon of pairs (first, period), all equally probable: a sliver, unless the recorder runs with the driver.

use super::model::Jump;
use nalgebra::Matrix2;

/// Fewest jumps of one direction that show a period.
const JUMPS_MIN: usize = 3;

/// How far an instant may lie outside its interval, as a share of it: digits of times, jitter of the driver.
const SLACK_SHARE: f64 = 0.02;

/// A whole number of periods is met to within this share of one.
const UNEVEN_SHARE_MAX: f64 = 0.4;

/// Halvings that find an end of the polygon to rounding.
const HALVINGS: usize = 60;

/// Strips that the polygon is summed in.
const STRIPS: u32 = 64;

/// Jumps of one direction that keep a period.
#[derive(Debug)]
pub(super) struct Train {
    /// Which jump is how many periods after the first.
    pub(super) cycles: Vec<(usize, f64)>,
    /// Covariance of the first instant, s, and the period, s.
    pub(super) covariance: Matrix2<f64>,
}

/// The instants of a train, each anywhere in an interval.
struct Seen<'a> {
    middle_s: &'a [f64],
    half_s: &'a [f64],
    cycles: &'a [f64],
}

impl Seen<'_> {
    /// Between what the first instant lies at this period, s; the wrong way round where the period is impossible.
    fn first_s(&self, period_s: f64) -> (f64, f64) {
        let (mut from_s, mut to_s) = (f64::NEG_INFINITY, f64::INFINITY);
        for ((middle_s, half_s), cycle) in self.middle_s.iter().zip(self.half_s).zip(self.cycles) {
            let first_s = middle_s - cycle * period_s;
            from_s = from_s.max(first_s - half_s);
            to_s = to_s.min(first_s + half_s);
        }
        (from_s, to_s)
    }

    fn room_s(&self, period_s: f64) -> f64 {
        let (from_s, to_s) = self.first_s(period_s);
        to_s - from_s
    }

    /// The period with the most room, s, between two others. The room bends downwards only.
    fn best_s(&self, mut low_s: f64, mut high_s: f64) -> f64 {
        for _ in 0..2 * HALVINGS {
            let third_s = (high_s - low_s) / 3.0;
            if self.room_s(low_s + third_s) < self.room_s(high_s - third_s) {
                low_s += third_s;
            } else {
                high_s -= third_s;
            }
        }
        f64::midpoint(low_s, high_s)
    }

    /// Where the room ends between a period that has some and one that has none, s.
    fn end_s(&self, mut inside_s: f64, mut outside_s: f64) -> f64 {
        for _ in 0..HALVINGS {
            let middle_s = f64::midpoint(inside_s, outside_s);
            if self.room_s(middle_s) > 0.0 {
                inside_s = middle_s;
            } else {
                outside_s = middle_s;
            }
        }
        inside_s
    }
}

/// Moves jumps, `which` of all, to where their common period has them. `None`, and nothing is moved, when they
/// keep none.
pub(super) fn align(jumps: &mut [Jump], which: &[usize], time_s: &[f64]) -> Option<Train> {
    if which.len() < JUMPS_MIN {
        return None;
    }
    let middle_s: Vec<f64> = which.iter().map(|j| time_s[jumps[*j].at] - jumps[*j].before_s).collect();
    let reach = 3.0_f64.sqrt() * (1.0 + 2.0 * SLACK_SHARE);
    let half_s: Vec<f64> = which.iter().map(|j| jumps[*j].u_s * reach).collect();
    let cycles = cycles(&middle_s)?;
    let seen = Seen { middle_s: &middle_s, half_s: &half_s, cycles: &cycles };
    let last = which.len() - 1;
    let about_s = (middle_s[last] - middle_s[0]) / cycles[last];
    let reach_s = (half_s[0] + half_s[last]) / cycles[last];
    let best_s = seen.best_s(about_s - reach_s, about_s + reach_s);
    if seen.room_s(best_s) <= 0.0 {
        return None;
    }
    let (from_s, to_s) = (seen.end_s(best_s, about_s - reach_s), seen.end_s(best_s, about_s + reach_s));
    // Moments about the best period, at which the first instant is this.
    let (low_s, high_s) = seen.first_s(best_s);
    let best_first_s = f64::midpoint(low_s, high_s);
    let (mut mass, mut mean, mut square) = (0.0, [0.0; 2], Matrix2::zeros());
    for strip in 0..STRIPS {
        let off_s = from_s + (f64::from(strip) + 0.5) / f64::from(STRIPS) * (to_s - from_s) - best_s;
        let (low_s, high_s) = seen.first_s(best_s + off_s);
        let (room_s, first_s) = ((high_s - low_s).max(0.0), f64::midpoint(low_s, high_s) - best_first_s);
        mass += room_s;
        mean[0] += room_s * first_s;
        mean[1] += room_s * off_s;
        let both = first_s * off_s;
        square +=
            Matrix2::new(first_s * first_s + room_s * room_s / 12.0, both, both, off_s * off_s) * room_s;
    }
    let mean = if mass > 0.0 { mean.map(|sum| sum / mass) } else { [0.0; 2] };
    let product = Matrix2::new(mean[0] * mean[0], mean[0] * mean[1], mean[0] * mean[1], mean[1] * mean[1]);
    let covariance = if mass > 0.0 { square / mass - product } else { Matrix2::zeros() };
    for (j, cycle) in which.iter().zip(&cycles) {
        let at_s = best_first_s + mean[0] + cycle * (best_s + mean[1]);
        jumps[*j].before_s = time_s[jumps[*j].at] - at_s;
    }
    Some(Train { cycles: which.iter().copied().zip(cycles).collect(), covariance })
}

/// How many periods after the first each instant lies, when all lie at whole numbers.
fn cycles(seen_s: &[f64]) -> Option<Vec<f64>> {
    let shortest_s = seen_s.windows(2).map(|pair| pair[1] - pair[0]).fold(f64::INFINITY, f64::min);
    let (mut length_s, mut whole) = (0.0, 0.0);
    let mut cycles = vec![0.0];
    for pair in seen_s.windows(2) {
        // The period as known so far tells how many of them this was.
        let period_s = if whole > 0.0 { length_s / whole } else { shortest_s };
        let apart = (pair[1] - pair[0]) / period_s;
        if apart.round() < 1.0 || (apart - apart.round()).abs() > UNEVEN_SHARE_MAX {
            return None;
        }
        length_s += pair[1] - pair[0];
        whole += apart.round();
        cycles.push(whole);
    }
    Some(cycles)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Samples at whole seconds. No point of a polygon is further than sqrt 8 deviations from its middle in any
    /// direction (a triangle's corner; among convex figures no other reaches as far), so neither is the truth. A
    /// period whose places between samples are all about has them known to a tenth of one; one that hardly
    /// moves among the samples leaves 1/sqrt 12 of one at most, and a little for slack.
    #[test]
    fn a_period_tells_instants_to_less_than_a_sample() {
        let time_s: Vec<f64> = (0..1_000).map(f64::from).collect();
        for (first_s, period_s, u_most_s) in [(3.3, 17.77, 0.1), (5.0, 4.77, 0.1), (0.2, 9.013, 0.31)] {
            let true_s = |cycle: f64| first_s + cycle * period_s;
            let at = |cycle: u32| true_s(f64::from(cycle)).ceil() as usize;
            let count = ((990.0 - first_s) / period_s) as u32;
            let mut jumps: Vec<Jump> = (0..count)
                .map(|cycle| Jump { at: at(cycle), before_s: 0.5, u_s: 1.0 / 12.0_f64.sqrt() })
                .collect();
            let which: Vec<usize> = (0..jumps.len()).collect();
            let train = align(&mut jumps, &which, &time_s).expect("a train");
            for (j, cycle) in &train.cycles {
                let off_s = time_s[jumps[*j].at] - jumps[*j].before_s - true_s(*cycle);
                let c = train.covariance;
                let u_s = (c[(0, 0)] + 2.0 * cycle * c[(0, 1)] + cycle * cycle * c[(1, 1)]).sqrt();
                assert!(
                    u_s < u_most_s && off_s.abs() < 8.0_f64.sqrt() * u_s,
                    "{period_s} {cycle}: {off_s} {u_s}"
                );
            }
        }
    }

    #[test]
    fn jumps_without_a_period_stay_where_they_are() {
        let time_s: Vec<f64> = (0..100).map(f64::from).collect();
        let jump = |at| Jump { at, before_s: 0.5, u_s: 1.0 / 12.0_f64.sqrt() };
        let mut jumps: Vec<Jump> = [10, 20, 33, 40, 52].map(jump).to_vec();
        assert!(align(&mut jumps, &[0, 1, 2, 3, 4], &time_s).is_none());
        assert!(jumps.iter().all(|jump| jump.before_s == 0.5));
    }
}
