//! A step read without a model: state levels and crossings (words of IEEE Std 181).
//!
//! For responses that are neither of first nor of second order, such as a rail that is filled at a
//! constant rate until its valve opens. State levels are means over stated windows; crossings come from
//! a parabola through the samples around each one, so that single noisy samples do not decide.

use super::level::Level;
use super::overshoot::overshoot;
use super::start::off_foot_s;
use super::transition::{Crossing, Transition};
use super::{NOISE_FACTOR_MIN, SETTLED_SHARE, Trace};
use crate::reason::{Signal, Unmeasured};
use crate::uncertainty::Measured;

/// A stretch of the transition, cut in tenths of its duration, stands still when it gains less than this
/// share of the change in each of [`STILL_TENTHS`] tenths in a row. A first-order response gains 2.5 %
/// in its last tenth; slower ends would not be settled within the record.
const STILL_SHARE: f64 = 0.015;
const STILL_TENTHS: usize = 3;

/// What levels and crossings tell, in the scale of the trace and in s.
pub(super) struct Free {
    pub(super) before: Level,
    pub(super) after: Level,
    pub(super) rise: Measured,
    /// Absolute time of the onset.
    pub(super) onset_s: Measured,
    pub(super) rise_time_s: Measured,
    pub(super) overshoot: Measured,
}

/// Reads the trace; `edge` is the first sample that may belong to the transition.
pub(super) fn read(trace: &Trace<'_>, edge: usize) -> Result<Free, Unmeasured> {
    let time_s = trace.time_s;
    let end_s = time_s[time_s.len() - 1];
    let edge_s = time_s[edge.min(time_s.len() - 1)];
    let settled_s = edge_s + (end_s - edge_s) * (1.0 - SETTLED_SHARE);
    let settled_from = time_s.partition_point(|t| *t < settled_s).max(edge);
    let before = Level::of(trace, 0, edge)?;
    let after = Level::of(trace, settled_from, time_s.len())?;
    let change = after.value - before.value;
    let noise = before.noise.hypot(after.noise) / 2.0_f64.sqrt();
    let needed = NOISE_FACTOR_MIN * noise.max(before.u.hypot(after.u));
    if change.abs() <= needed {
        return Err(trace.no_response(change, needed));
    }
    for level in [&before, &after] {
        level.check_settled(change)?;
    }
    // From here on the step runs from 0 to 1.
    let way: Vec<f64> = trace.way.iter().map(|v| (v - before.value) / change).collect();
    let alike = before.inflation.min(after.inflation).sqrt();
    let transition = Transition::find(time_s, &way, edge, noise * alike / change.abs())?;
    refuse_several(trace, &way, &transition, noise / change.abs())?;
    let levels = Levels { before: &before, after: &after, change, resolution: trace.resolution_u };
    let (height, u_height) = overshoot(trace, &after, change, &transition, settled_from);
    let onset = levels.time(&[(1.25, &transition.early), (-0.25, &transition.middle)]);
    let line = (onset.value, transition.early.at_s);
    let shape_s = off_foot_s(time_s, &way, noise * alike / change.abs(), line);
    Ok(Free {
        rise: levels.rise(),
        onset_s: onset.with_given("shape of the start", 1.0, shape_s / 3.0_f64.sqrt()),
        rise_time_s: levels.time(&[(1.0, &transition.late), (-1.0, &transition.early)]),
        overshoot: Measured::new(height)
            .with_scatter("scatter at the peak", u_height, levels.degrees_of_freedom())
            .with_scatter("level after", after.u / change, after.degrees_of_freedom)
            .with_given("resolution of the recorder", 2.0_f64.sqrt() / change, trace.resolution_u),
        before,
        after,
    })
}

/// Refuses a transition that stands still on its way: those are two.
fn refuse_several(
    trace: &Trace<'_>,
    way: &[f64],
    transition: &Transition,
    noise: f64,
) -> Result<(), Unmeasured> {
    let (from_s, length_s) = (transition.early.at_s, transition.rise_time_s());
    let place = |tenth: usize| trace.time_s.partition_point(|t| *t < from_s + length_s * tenth as f64 / 10.0);
    let places: Vec<usize> = (0..=10).map(place).collect();
    if places.windows(2).any(|pair| pair[1] < pair[0] + 2) {
        return Ok(());
    }
    let means: Vec<f64> = places.windows(2).map(|pair| crate::stats::mean(&way[pair[0]..pair[1]])).collect();
    let samples = (places[10] - places[0]) as f64 / 10.0;
    let chance = 3.0 * noise * (2.0 / samples).sqrt();
    if chance > STILL_SHARE {
        return Ok(());
    }
    let mut still = 0;
    for (tenth, pair) in means.windows(2).enumerate() {
        still = if (pair[1] - pair[0]).abs() < STILL_SHARE + chance { still + 1 } else { 0 };
        if still >= STILL_TENTHS {
            let second_s = from_s + length_s * (tenth + 2) as f64 / 10.0;
            return Err(Unmeasured::SeveralSteps {
                signal: Signal::Pressure,
                found: 2,
                first_s: from_s,
                second_s,
            });
        }
    }
    Ok(())
}

/// Both state levels of a step.
struct Levels<'a> {
    before: &'a Level,
    after: &'a Level,
    change: f64,
    resolution: f64,
}

impl Levels<'_> {
    fn degrees_of_freedom(&self) -> f64 {
        self.before.degrees_of_freedom + self.after.degrees_of_freedom
    }

    fn rise(&self) -> Measured {
        let (before, after) = (self.before, self.after);
        // A drift that is accepted leaves a level anywhere within it: rectangular.
        let drift = before.significant_drift().hypot(after.significant_drift());
        Measured::new(self.change)
            .with_scatter("level before", before.u, before.degrees_of_freedom)
            .with_scatter("level after", after.u, after.degrees_of_freedom)
            .with_given("drift of the levels", 1.0 / 12.0_f64.sqrt(), drift)
            .with_given("resolution of the recorder", 2.0_f64.sqrt(), self.resolution)
    }

    /// A weighted sum of crossings. A wrong level moves the crossing at reference r by
    /// (1 - r)/slope of the level before, by r/slope of the level after, all crossings together.
    fn time(&self, parts: &[(f64, &Crossing)]) -> Measured {
        let (before, after) = (self.before, self.after);
        let sum = |term: &dyn Fn(&Crossing) -> f64| {
            parts.iter().map(|(weight, crossing)| weight * term(crossing)).sum::<f64>()
        };
        let scatter_s = parts.iter().fold(0.0_f64, |u, (weight, c)| u.hypot(weight * c.u_s));
        let by_before = sum(&|c| (1.0 - c.reference) / c.slope_per_s) / self.change;
        let by_after = sum(&|c| c.reference / c.slope_per_s) / self.change;
        Measured::new(sum(&|c| c.at_s))
            .with_scatter("scatter at the crossings", scatter_s, self.degrees_of_freedom())
            .with_scatter("level before", by_before * before.u, before.degrees_of_freedom)
            .with_scatter("level after", by_after * after.u, after.degrees_of_freedom)
            .with_given("resolution of the recorder", by_before.hypot(by_after), self.resolution)
    }
}

/// Whether the places of a transition can be told at all.
pub(super) fn check_resolved(time_s: &[f64], from_s: f64, to_s: f64) -> Result<(), Unmeasured> {
    let inside = time_s.partition_point(|t| *t <= to_s) - time_s.partition_point(|t| *t < from_s);
    let needed = super::TRANSITION_SAMPLES_MIN;
    if inside < needed {
        let (what, what_to_do) = ("samples on the rise of the pressure", "sample faster");
        return Err(Unmeasured::TooFew { what, found: inside, needed, what_to_do });
    }
    Ok(())
}
