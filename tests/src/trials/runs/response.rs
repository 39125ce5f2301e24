//! What a small step of duty really did to the pressure in the rail, in the words of IEEE Std 181:
//! state levels, reference levels between them, and the instants at which they are crossed.

use super::stretches::last;
use crate::trace::{Moment, mean};
use std::f64::consts::TAU;

/// The state levels are means over so much of the end of either stretch, ms.
const LEVEL_MS: usize = 1_000;

/// Plungers of the model's pump.
const PLUNGERS: f64 = 3.0;

/// The ripple is told in so many parts of its period.
const PARTS: usize = 40;

/// A true response, the plungers' ripple taken out by the shaft's angle.
#[derive(Clone, Debug)]
#[expect(clippy::struct_field_names, reason = "a unit belongs to every name")]
pub struct Response {
    /// Pressure after the step, Pa, once a tick.
    calm_pa: Vec<f64>,
    before_pa: f64,
    after_pa: f64,
}

impl Response {
    /// The response to the step between two stretches. The ripple is that of the settled end.
    #[must_use]
    pub fn of(before: &[Moment], after: &[Moment]) -> Response {
        let level = |stretch| mean(last(stretch, LEVEL_MS), |moment: &Moment| moment.rail_pa);
        let after_pa = level(after);
        // Where in the ripple's period, in parts of it.
        let place = |moment: &Moment| (moment.angle_rad * PLUNGERS / TAU).rem_euclid(1.0) * PARTS as f64;
        let (mut sums, mut counts) = ([0.0; PARTS], [0_u32; PARTS]);
        for moment in last(after, LEVEL_MS) {
            let part = place(moment) as usize % PARTS;
            sums[part] += moment.rail_pa - after_pa;
            counts[part] += 1;
        }
        // Straight between the middles of the parts.
        let ripple_pa = |moment: &Moment| {
            let at = place(moment) + PARTS as f64 - 0.5;
            let of = |part: usize| sums[part % PARTS] / f64::from(counts[part % PARTS].max(1));
            of(at as usize) + at.fract() * (of(at as usize + 1) - of(at as usize))
        };
        let calm_pa = after.iter().map(|moment| moment.rail_pa - ripple_pa(moment)).collect();
        Response { calm_pa, before_pa: level(before), after_pa }
    }

    /// Difference of the state levels, Pa.
    #[must_use]
    pub fn rise_pa(&self) -> f64 {
        self.after_pa - self.before_pa
    }

    /// Shares of the way at each tick after the step.
    fn way(&self) -> impl Iterator<Item = f64> + '_ {
        self.calm_pa.iter().map(|pa| (pa - self.before_pa) / self.rise_pa())
    }

    /// Time from the step to the first crossing of a share of the way, s.
    ///
    /// # Panics
    /// When it is never crossed.
    #[must_use]
    pub fn crossing_s(&self, share: f64) -> f64 {
        let mut before = 0.0;
        for (tick, way) in self.way().enumerate() {
            if way >= share {
                // A trace's tick shows the end of its millisecond.
                return (tick as f64 + (share - before) / (way - before)) * 1e-3;
            }
            before = way;
        }
        panic!("the rise never reached {share} of its way")
    }

    /// From the step to where the line through the crossings of 10 % and 50 % meets the level before, s.
    #[must_use]
    pub fn dead_time_s(&self) -> f64 {
        1.25 * self.crossing_s(0.1) - 0.25 * self.crossing_s(0.5)
    }

    /// Transition duration between 10 % and 90 %, s.
    #[must_use]
    pub fn rise_time_10_90_s(&self) -> f64 {
        self.crossing_s(0.9) - self.crossing_s(0.1)
    }

    /// Highest pressure after the transition beyond the level, over the rise.
    #[must_use]
    pub fn overshoot(&self) -> f64 {
        let from = (self.crossing_s(0.9) * 1e3) as usize;
        let highest_pa = self.calm_pa[from..].iter().copied().fold(f64::NEG_INFINITY, f64::max);
        ((highest_pa - self.after_pa) / self.rise_pa()).max(0.0)
    }
}
