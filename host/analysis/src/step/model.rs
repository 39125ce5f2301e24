//! What a fitted model says of a step, and how two models share the answer.

use super::first_order::FirstOrder;
use super::misfit::is_misfit;
use super::scatter::{Memory, Scatter};
use super::second_order::{self, SecondOrder};
use nalgebra::SVector;

/// From the onset on, a response is over after so many of its slowest time constants.
const OVER_TIME_CONSTANTS: f64 = 7.0;
/// The part in which a wrong shape is looked for, in slowest time constants.
const SHAPE_TIME_CONSTANTS: f64 = 4.0;

/// Scatter of a shared estimate under the richer model counts up to so many times that under the simpler.
const SCATTER_MOST: f64 = 3.0;

/// One estimate on the scale of the data.
#[derive(Clone, Copy, Debug)]
pub(super) struct Estimate {
    pub(super) value: f64,
    /// Standard uncertainty from scatter.
    pub(super) scatter: f64,
    /// Standard uncertainty from levels that the recorder rounds.
    pub(super) resolution: f64,
    /// Standard uncertainty from not knowing which model is the right one.
    pub(super) choice: f64,
}

impl Estimate {
    /// The mean of two models' estimates by weight, and how far they lie apart.
    fn shared(self, other: Estimate, share: f64) -> Estimate {
        let kept = 1.0 - share;
        // Near the end of its range the richer model's derivatives promise scatter without end.
        let mix = |a: f64, b: f64| (kept * a * a + share * b.min(SCATTER_MOST * a).powi(2)).sqrt();
        Estimate {
            value: kept * self.value + share * other.value,
            scatter: mix(self.scatter, other.scatter),
            resolution: mix(self.resolution, other.resolution),
            choice: (kept * share).sqrt() * (self.value - other.value).abs(),
        }
    }
}

/// What a model says.
#[derive(Clone, Debug)]
pub(super) struct Said {
    pub(super) change: Estimate,
    pub(super) onset_s: Estimate,
    pub(super) rise_time_s: Estimate,
    pub(super) overshoot: Estimate,
    /// `None` for a response that no single time constant describes.
    pub(super) tau_s: Option<Estimate>,
    pub(super) degrees_of_freedom: f64,
    pub(super) before: f64,
    /// How much of the change the record holds.
    pub(super) reached: f64,
    /// Residuals' sum of squares, and what independent samples they amount to.
    squares: f64,
    independent: f64,
    pub(super) is_misfit: bool,
}

/// What a recorder's steps and rounding leave unknown in one sample, on the scale of the data.
#[derive(Clone, Copy, Debug)]
pub(super) struct Grain {
    /// Standard uncertainty of a level.
    pub(super) level: f64,
    /// Least standard deviation that a residual is believed to have.
    pub(super) sample: f64,
}

pub(super) fn first_order(time_s: &[f64], y: &[f64], m: &FirstOrder, grain: Grain) -> Option<Said> {
    let residuals: Vec<f64> = time_s.iter().zip(y).map(|(t, y)| y - m.at(*t)).collect();
    let memory = Memory::of(&residuals);
    let flat = flat_parts(time_s, m.onset_s, OVER_TIME_CONSTANTS * m.tau_s);
    let scatter = Scatter::<4>::of(&residuals, memory, grain.sample, flat, |i| m.slopes(time_s[i]))?;
    let estimate = estimates(&scatter, grain);
    let (change, onset_s) = (estimate(m.change, unit(1)), estimate(m.onset_s, unit(2)));
    let tau_s = estimate(m.tau_s, unit(3) * m.tau_s);
    let rise = 9.0_f64.ln();
    // An overshoot would have to stand out of the mean over half a time constant.
    let sd = (residuals.iter().map(|r| r * r).sum::<f64>() / residuals.len() as f64).sqrt();
    let top = time_s.partition_point(|t| *t < m.onset_s + 0.5 * m.tau_s)
        - time_s.partition_point(|t| *t < m.onset_s);
    let u_top = sd * (memory.inflation() / top.max(1) as f64).sqrt().min(1.0);
    let squares = squares_of(&residuals, grain);
    Some(Said {
        overshoot: Estimate {
            value: 0.0,
            scatter: u_top.hypot(change.scatter) / m.change.abs(),
            resolution: change.resolution / m.change.abs(),
            choice: 0.0,
        },
        change,
        onset_s,
        rise_time_s: estimate(rise * m.tau_s, unit(3) * (rise * m.tau_s)),
        tau_s: Some(tau_s),
        degrees_of_freedom: scatter.degrees_of_freedom,
        before: m.before,
        reached: -((m.onset_s - time_s[time_s.len() - 1]) / m.tau_s).exp_m1(),
        squares,
        independent: residuals.len() as f64 / memory.inflation(),
        is_misfit: is_misfit(&residuals, response(time_s, m.onset_s, m.tau_s), grain.sample),
    })
}

pub(super) fn second_order(time_s: &[f64], y: &[f64], m: &SecondOrder, grain: Grain) -> Option<Said> {
    let residuals: Vec<f64> = time_s.iter().zip(y).map(|(t, y)| y - m.at(*t)).collect();
    let memory = Memory::of(&residuals);
    let (z, w) = (m.damping, m.natural_per_s);
    let slowest_s = if z > 1.0 { (z + (z * z - 1.0).sqrt()) / w } else { 1.0 / (z * w) };
    let flat = flat_parts(time_s, m.onset_s, OVER_TIME_CONSTANTS * slowest_s);
    let scatter = Scatter::<5>::of(&residuals, memory, grain.sample, flat, |i| m.slopes(time_s[i]))?;
    let estimate = estimates(&scatter, grain);
    let rise_s = second_order::unit_rise(z) / w;
    let by_damping = {
        let h = 1e-4 * z;
        (second_order::unit_rise(z + h) - second_order::unit_rise(z - h)) / (2.0 * h * w)
    };
    let squares = squares_of(&residuals, grain);
    let end_s = time_s[time_s.len() - 1];
    let rings = (-(end_s - m.onset_s) / slowest_s).exp();
    Some(Said {
        change: estimate(m.change, unit(1)),
        onset_s: estimate(m.onset_s, unit(2)),
        rise_time_s: estimate(rise_s, unit(3) * -rise_s + unit(4) * by_damping),
        overshoot: overshoot(z, &estimate(z, unit(4))),
        tau_s: None,
        degrees_of_freedom: scatter.degrees_of_freedom,
        before: m.before,
        reached: 1.0 - rings,
        squares,
        independent: residuals.len() as f64 / memory.inflation(),
        is_misfit: is_misfit(&residuals, response(time_s, m.onset_s, slowest_s), grain.sample),
    })
}

/// Overshoot falls so steeply towards a damping of 1 that its derivative there says nothing; how far it
/// would be off for a damping that is off by one and by two of its standard uncertainties does.
fn overshoot(z: f64, damping: &Estimate) -> Estimate {
    let value = second_order::overshoot(z);
    let off = |u: f64| {
        let (low, high) = (second_order::overshoot((z - u).max(0.0)), second_order::overshoot(z + u));
        (0.5 * (low - high)).max((second_order::overshoot((z - 2.0 * u).max(0.0)) - value) / 2.0)
    };
    Estimate { value, scatter: off(damping.scatter), resolution: off(damping.resolution), choice: 0.0 }
}

impl Said {
    /// Twice the gain in log likelihood of `richer` over this model, neighbours' likeness allowed for.
    pub(super) fn gain_of(&self, richer: &Said) -> f64 {
        if richer.squares <= 0.0 {
            return 0.0;
        }
        (richer.independent * (self.squares / richer.squares).ln()).max(0.0)
    }

    pub(super) fn independent(&self) -> f64 {
        self.independent
    }

    /// Both models' answers, `share` of them the other's; a time constant stays this one's.
    pub(super) fn shared(self, other: &Said, share: f64) -> Said {
        Said {
            change: self.change.shared(other.change, share),
            onset_s: self.onset_s.shared(other.onset_s, share),
            rise_time_s: self.rise_time_s.shared(other.rise_time_s, share),
            overshoot: Estimate {
                value: self.overshoot.value,
                scatter: self.overshoot.scatter.max(other.overshoot.scatter),
                choice: share * other.overshoot.value,
                ..self.overshoot
            },
            ..self
        }
    }
}

/// Sum of squares, not below what recorder and rounding make of it.
fn squares_of(residuals: &[f64], grain: Grain) -> f64 {
    let squares: f64 = residuals.iter().map(|r| r * r).sum();
    squares.max(residuals.len() as f64 * grain.sample * grain.sample)
}

fn unit<const P: usize>(k: usize) -> SVector<f64, P> {
    SVector::from_fn(|i, _| f64::from(u8::from(i == k)))
}

fn estimates<const P: usize>(
    scatter: &Scatter<P>,
    grain: Grain,
) -> impl Fn(f64, SVector<f64, P>) -> Estimate {
    move |value, by| Estimate {
        value,
        scatter: scatter.uncertainty(&by),
        resolution: scatter.by_levels(&by, grain.level),
        choice: 0.0,
    }
}

fn flat_parts(time_s: &[f64], onset_s: f64, length_s: f64) -> (usize, usize) {
    let place = |t_s: f64| time_s.partition_point(|t| *t < t_s);
    (place(onset_s), place(onset_s + length_s))
}

/// Where a wrong shape would show: from a little before the onset.
fn response(time_s: &[f64], onset_s: f64, slowest_s: f64) -> (usize, usize) {
    let place = |t_s: f64| time_s.partition_point(|t| *t < t_s);
    (place(onset_s - 0.5 * slowest_s), place(onset_s + SHAPE_TIME_CONSTANTS * slowest_s))
}
