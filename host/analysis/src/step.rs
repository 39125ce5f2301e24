//! Pressure after a small duty step: how far it rose, how late, how fast, and by how much it overshot.
//!
//! Words of IEEE Std 181: the record has two *state levels*, before and after, a *transition*
//! between them, and *reference levels* at 10, 50 and 90 % of the way. State levels are means over
//! stated windows, whole cycles of the plunger ripple where its period is known. Crossings come
//! from a parabola through the samples around each one, so single noisy samples do not decide.
//! A falling step is a rising one turned over; `rise` is then negative and times stay positive.

mod level;
mod overshoot;
mod transition;

use crate::reason::{Signal, Unmeasured};
use crate::series::{check_columns, check_positive, spacing_without_gaps_s};
use crate::uncertainty::{Input, Measured};
use level::Level;
use transition::{Crossing, Transition};

/// Fewest samples before the edge, and in the settled window.
pub const LEVEL_SAMPLES_MIN: usize = 16;

/// The settled level is looked for in this last share of the record after the edge.
pub const SETTLED_SHARE: f64 = 0.5;

/// Largest drift over the settled window, in per cent of the step, that still counts as settled.
pub const DRIFT_PERCENT_MAX: f64 = 5.0;

/// A step must exceed this many standard deviations of a single sample, or its crossings cannot
/// be told from noise. It must also exceed as many standard uncertainties of the two levels.
pub const NOISE_FACTOR_MIN: f64 = 5.0;

/// Pressure around a change of duty.
#[derive(Clone, Copy, Debug)]
pub struct StepRecord<'a> {
    /// Time from the duty edge, s, rising evenly; negative before the edge.
    pub time_s: &'a [f64],
    /// Rail pressure, Pa gauge.
    pub pressure_pa: &'a [f64],
    /// Period of the plunger ripple, s; `None` when the pump stands still or its speed is unknown.
    pub ripple_period_s: Option<f64>,
    /// True pressure change over reported pressure change, about 1.
    pub gain: Input,
}

/// What the step tells.
#[derive(Clone, Debug, PartialEq)]
pub struct StepResponse {
    /// Settled level after less level before, Pa; negative when pressure fell.
    pub rise: Measured,
    /// Time from the edge to where pressure starts to move, s: the line through the 10 % and the
    /// 50 % crossing, followed back to 0 %. Of the two halves of a rise the first is the one that
    /// the pump fills undisturbed; in the second the valve begins to open again. For a rise
    /// without any delay that starts at full steepness (first order) the rule gives -4 % of its
    /// time constant.
    pub dead_time: Measured,
    /// Transition duration between the 10 % and the 90 % reference level, s.
    pub rise_time_10_90: Measured,
    /// Highest level after the transition beyond the settled one, as a fraction of the rise;
    /// 0 when nothing stands out of the noise.
    pub overshoot: Measured,
    /// Level before, as reported (gain not applied), Pa gauge.
    pub before_pa: f64,
    /// Settled level, as reported (gain not applied), Pa gauge.
    pub after_pa: f64,
}

/// Measures a step.
///
/// # Errors
/// [`Unmeasured::TooFewSamples`], [`Unmeasured::TooShort`] when no whole ripple period fits a
/// window, [`Unmeasured::Gap`], [`Unmeasured::OutOfOrder`], [`Unmeasured::Unpaired`],
/// [`Unmeasured::NotANumber`]; [`Unmeasured::NoResponse`] when the change is within the noise;
/// [`Unmeasured::NotSettled`] when pressure still moves at the end, or moved before the edge.
pub fn pressure_rise(record: &StepRecord<'_>) -> Result<StepResponse, Unmeasured> {
    let (time_s, pressure_pa) = (record.time_s, record.pressure_pa);
    check_columns(time_s, pressure_pa, 2 * LEVEL_SAMPLES_MIN)?;
    let spacing_s = spacing_without_gaps_s(time_s, Signal::Pressure)?;
    if let Some(period_s) = record.ripple_period_s {
        check_positive("the ripple period in s", period_s)?;
    }
    let edge = time_s.partition_point(|t| *t < 0.0);
    let end_s = time_s[time_s.len() - 1];
    let settled_from = time_s.partition_point(|t| *t < end_s * (1.0 - SETTLED_SHARE)).max(edge);

    let before = Level::of(record, 0, edge, spacing_s)?;
    let after = Level::of(record, settled_from, time_s.len(), spacing_s)?;
    let change_pa = after.pressure_pa - before.pressure_pa;
    let noise_pa = before.noise_pa.hypot(after.noise_pa) / 2.0_f64.sqrt();
    let needed_pa = NOISE_FACTOR_MIN * noise_pa.max(before.u_pa.hypot(after.u_pa));
    if change_pa.abs() <= needed_pa {
        return Err(Unmeasured::NoResponse { change_pa, needed_pa });
    }
    for level in [&before, &after] {
        level.check_settled(change_pa)?;
    }

    // From here on the step runs from 0 to 1, whichever way it went. Ripple is left in: what it
    // does to the transition is part of this transition.
    let way: Vec<f64> = pressure_pa.iter().map(|p| (p - before.pressure_pa) / change_pa).collect();
    let transition = Transition::find(time_s, &way, edge, noise_pa / change_pa.abs())?;
    let levels = Levels { before, after };
    let gain = record.gain;
    Ok(StepResponse {
        rise: levels.change(gain),
        dead_time: levels.time(&[(1.25, &transition.early), (-0.25, &transition.middle)]),
        rise_time_10_90: levels.time(&[(1.0, &transition.late), (-1.0, &transition.early)]),
        overshoot: overshoot::overshoot(record, &levels, &transition, settled_from),
        before_pa: levels.before.pressure_pa,
        after_pa: levels.after.pressure_pa,
    })
}

/// Both state levels of a step.
struct Levels {
    before: Level,
    after: Level,
}

impl Levels {
    fn change_pa(&self) -> f64 {
        self.after.pressure_pa - self.before.pressure_pa
    }

    fn degrees_of_freedom(&self) -> f64 {
        self.before.degrees_of_freedom + self.after.degrees_of_freedom
    }

    fn change(&self, gain: Input) -> Measured {
        let (before, after) = (&self.before, &self.after);
        // A drift that is accepted leaves a level anywhere within it: rectangular.
        let drift_pa = before.significant_drift_pa().hypot(after.significant_drift_pa());
        Measured::new(self.change_pa() * gain.value)
            .with_scatter("level before", before.u_pa * gain.value, before.degrees_of_freedom)
            .with_scatter("level after", after.u_pa * gain.value, after.degrees_of_freedom)
            .with_given("drift of the levels", gain.value / 12.0_f64.sqrt(), drift_pa)
            .with_given("pressure gain", self.change_pa() * gain.value, gain.relative_uncertainty())
    }

    /// A weighted sum of crossings. A wrong level moves the crossing at reference r by
    /// (1 - r)/slope of the level before, by r/slope of the level after, all crossings together.
    fn time(&self, parts: &[(f64, &Crossing)]) -> Measured {
        let (before, after) = (&self.before, &self.after);
        let sum = |term: &dyn Fn(&Crossing) -> f64| {
            parts.iter().map(|(weight, crossing)| weight * term(crossing)).sum::<f64>()
        };
        let scatter_s = parts.iter().fold(0.0_f64, |u, (weight, c)| u.hypot(weight * c.u_s));
        let by_before = sum(&|c| (1.0 - c.reference) / c.slope_per_s) / self.change_pa();
        let by_after = sum(&|c| c.reference / c.slope_per_s) / self.change_pa();
        Measured::new(sum(&|c| c.at_s))
            .with_scatter("scatter at the crossings", scatter_s, self.degrees_of_freedom())
            .with_scatter("level before", by_before * before.u_pa, before.degrees_of_freedom)
            .with_scatter("level after", by_after * after.u_pa, after.degrees_of_freedom)
    }
}
