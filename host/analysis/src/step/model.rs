//! What a fitted model says of a step, and how two models share the answer.

use super::first_order::FirstOrder;
use super::misfit::Misfit;
use super::scatter::{Memory, Scatter};
use super::second_order::{self, SecondOrder};
use super::under::{Curve, Under};
use super::{DRIFT_PERCENT_MAX, Shape};

/// From the onset on, a response is over after so many of its slowest time constants.
const OVER_TIME_CONSTANTS: f64 = 7.0;
/// The part in which a wrong shape is looked for, in slowest time constants.
const SHAPE_TIME_CONSTANTS: f64 = 4.0;

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
    /// Mean and spread of what several models say, each with the weight it is believed with: of a mixture the
    /// variance is the mean of the variances and the variance of the means. `None` without any.
    fn mixed(parts: &[(f64, Estimate)]) -> Option<Estimate> {
        let all: f64 = parts.iter().map(|(weight, _)| weight).sum();
        let mean = |of: &dyn Fn(&Estimate) -> f64| parts.iter().map(|(w, e)| w * of(e)).sum::<f64>() / all;
        let value = mean(&|e| e.value);
        let mixed = Estimate {
            value,
            scatter: mean(&|e| e.scatter.powi(2)).sqrt(),
            resolution: mean(&|e| e.resolution.powi(2)).sqrt(),
            choice: mean(&|e| e.choice.powi(2) + (e.value - value).powi(2)).sqrt(),
        };
        (all > 0.0).then_some(mixed)
    }
}

/// The findings of a model.
#[derive(Clone, Copy, Debug)]
pub(super) struct Findings {
    pub(super) change: Estimate,
    pub(super) onset_s: Estimate,
    pub(super) rise_time_s: Estimate,
    pub(super) overshoot: Estimate,
    /// `None` for a response that no single time constant describes.
    pub(super) tau_s: Option<Estimate>,
}

/// What a model says.
#[derive(Clone, Debug)]
pub(super) struct Said {
    pub(super) findings: Findings,
    pub(super) degrees_of_freedom: f64,
    pub(super) before: f64,
    /// How much of the change the record holds.
    pub(super) reached: f64,
    pub(super) shape: Shape,
    pub(super) is_misfit: bool,
    /// Fitted curve over the times of the record, with all that lies under it.
    pub(super) curve: Vec<f64>,
    /// Residuals' sum of squares, what independent samples they amount to, and numbers fitted.
    squares: f64,
    independent: f64,
    numbers: usize,
    drifts: bool,
    /// What a drift that is not fitted would take of the squares, and the odds for it.
    drift_squares: f64,
    drift_odds: f64,
    /// How far such a drift moves the change; of what models say together, the standard uncertainty of the change
    /// from a drift that may hide.
    pub(super) drift_u: f64,
}

/// What a recorder's steps and rounding leave unknown in one sample, on the scale of the data.
#[derive(Clone, Copy, Debug)]
pub(super) struct Grain {
    /// Standard uncertainty of a level.
    pub(super) level: f64,
    /// Least standard deviation that a residual is believed to have.
    pub(super) sample: f64,
}

/// A fitted curve, what lies under it and what both leave of a record.
struct Fitted<'a, C> {
    model: (&'a C, &'a Under),
    time_s: &'a [f64],
    curve: Vec<f64>,
    residuals: Vec<f64>,
    grain: Grain,
    onset_s: f64,
    slowest_s: f64,
}

impl<'a, C: Curve> Fitted<'a, C> {
    fn of(
        time_s: &'a [f64],
        y: &[f64],
        model: (&'a C, &'a Under),
        grain: Grain,
        (onset_s, slowest_s): (f64, f64),
    ) -> Self {
        let curve: Vec<f64> = time_s.iter().map(|t| model.0.value(*t) + model.1.at(*t)).collect();
        let residuals = y.iter().zip(&curve).map(|(y, c)| y - c).collect();
        Fitted { model, time_s, curve, residuals, grain, onset_s, slowest_s }
    }

    fn place(&self, time_constants: f64) -> usize {
        let t_s = self.onset_s + time_constants * self.slowest_s;
        self.time_s.partition_point(|t| *t < t_s)
    }

    /// The answer, of which `say` puts in the findings, given how to make an estimate of a value and its
    /// derivatives.
    fn said(
        self,
        shape: Shape,
        (before, change): (f64, f64),
        say: impl Fn(&dyn Fn(f64, &[f64]) -> Estimate, Memory, &[f64]) -> Findings,
    ) -> Option<Said> {
        let memory = Memory::of(&self.residuals);
        let flat = (self.place(0.0), self.place(OVER_TIME_CONSTANTS));
        let (grain, time_s) = (self.grain, self.time_s);
        let scatter = Scatter::of(self.model, time_s, &self.residuals, memory, grain.sample, flat)?;
        // Where a wrong shape would show: from a little before the onset.
        let response = (self.place(-0.5), self.place(SHAPE_TIME_CONSTANTS));
        let misfit = Misfit::of(&self.residuals, response, grain.sample);
        let drift = scatter.unfitted_drift.as_ref();
        let beforehand_u = change.abs() * DRIFT_U;
        let estimate = |value: f64, by: &[f64]| {
            let u = scatter.uncertainty(by);
            Estimate {
                value,
                scatter: u,
                resolution: scatter.by_levels(by, grain.level),
                choice: u * misfit.hidden,
            }
        };
        let findings = say(&estimate, memory, &self.residuals);
        let squares: f64 = self.residuals.iter().map(|r| r * r).sum();
        let n = self.residuals.len() as f64;
        Some(Said {
            findings,
            degrees_of_freedom: scatter.degrees_of_freedom,
            before: before + self.model.1.base(self.onset_s),
            reached: -((self.onset_s - time_s[time_s.len() - 1]) / self.slowest_s).exp_m1(),
            shape,
            is_misfit: misfit.is_plain,
            squares: squares.max(n * grain.sample * grain.sample),
            independent: n / memory.inflation(),
            numbers: C::NUMBERS + self.model.1.numbers(),
            drifts: self.model.1.drift.is_some(),
            drift_squares: drift.map_or(0.0, |drift| drift.squares),
            drift_odds: drift.map_or(0.0, |drift| (-0.5 * DRIFT_ODDS).exp() * drift.evidence(beforehand_u)),
            drift_u: drift.map_or(0.0, |drift| drift.off(CHANGE, beforehand_u)),
            curve: self.curve,
        })
    }
}

pub(super) fn first_order(
    time_s: &[f64],
    y: &[f64],
    model: (&FirstOrder, &Under),
    grain: Grain,
) -> Option<Said> {
    let m = model.0;
    let fitted = Fitted::of(time_s, y, model, grain, (m.onset_s, m.tau_s));
    let rise = 9.0_f64.ln();
    let top = fitted.place(0.5) - fitted.place(0.0);
    fitted.said(Shape::FirstOrder, (m.before, m.change), |estimate, memory, residuals| {
        let change = estimate(m.change, CHANGE);
        Findings {
            change,
            onset_s: estimate(m.onset_s, &[0.0, 0.0, 1.0]),
            rise_time_s: estimate(rise * m.tau_s, &[0.0, 0.0, 0.0, rise * m.tau_s]),
            overshoot: no_overshoot(&change, residuals, memory, top),
            tau_s: Some(estimate(m.tau_s, &[0.0, 0.0, 0.0, m.tau_s])),
        }
    })
}

pub(super) fn second_order(
    time_s: &[f64],
    y: &[f64],
    model: (&SecondOrder, &Under),
    grain: Grain,
) -> Option<Said> {
    let m = model.0;
    let (z, w) = (m.damping, m.natural_per_s);
    // A pole that is over between two samples is not recorded.
    let spacing_s = (time_s[time_s.len() - 1] - time_s[0]) / (time_s.len() - 1) as f64;
    if z > 1.0 && (z + (z * z - 1.0).sqrt()) * w * spacing_s > 1.0 {
        return None;
    }
    let slowest_s = if z > 1.0 { (z + (z * z - 1.0).sqrt()) / w } else { 1.0 / (z * w) };
    let fitted = Fitted::of(time_s, y, model, grain, (m.onset_s, slowest_s));
    let rise_s = second_order::unit_rise(z) / w;
    let by_damping = {
        let h = 1e-4 * z;
        (second_order::unit_rise(z + h) - second_order::unit_rise(z - h)) / (2.0 * h * w)
    };
    let top = fitted.place(0.5) - fitted.place(0.0);
    fitted.said(Shape::SecondOrder, (m.before, m.change), |estimate, memory, residuals| {
        let change = estimate(m.change, CHANGE);
        let hidden = no_overshoot(&change, residuals, memory, top);
        Findings {
            change,
            onset_s: estimate(m.onset_s, &[0.0, 0.0, 1.0]),
            rise_time_s: estimate(rise_s, &[0.0, 0.0, 0.0, -rise_s, by_damping]),
            overshoot: overshoot(z, &estimate(z, &[0.0, 0.0, 0.0, 0.0, 1.0]), &hidden),
            tau_s: None,
        }
    })
}

/// Overshoot falls so steeply towards a damping of 1 that its derivative there says nothing; how far it
/// would be off for a response that is off by one and by two standard uncertainties does. They are taken
/// of beta = 1/(2 z)^2, the number that is fitted: a damping far above 1 is hardly known, and yet known
/// to be far above 1. Below what would stand out of the record, `hidden`, it is not known any better.
fn overshoot(z: f64, damping: &Estimate, hidden: &Estimate) -> Estimate {
    let value = second_order::overshoot(z);
    let beta = 0.25 / (z * z);
    let at = |beta: f64| second_order::overshoot(0.5 / beta.max(0.0).sqrt());
    let off = |u: f64, least: f64| {
        let u = u * 2.0 * beta / z;
        let off = (0.5 * (at(beta + u) - at(beta - u))).max(0.5 * (at(beta + 2.0 * u) - value));
        if value < hidden.scatter { off.max(least) } else { off }
    };
    Estimate {
        value,
        scatter: off(damping.scatter, hidden.scatter),
        resolution: off(damping.resolution, hidden.resolution),
        choice: off(damping.choice, 0.0),
    }
}

/// An overshoot of 0, as uncertain as noise makes the mean over half a time constant, out of which one
/// would have to stand, and the level after.
fn no_overshoot(change: &Estimate, residuals: &[f64], memory: Memory, samples: usize) -> Estimate {
    let sd = (residuals.iter().map(|r| r * r).sum::<f64>() / residuals.len() as f64).sqrt();
    let u_top = sd * (memory.inflation() / samples.max(1) as f64).sqrt().min(1.0);
    Estimate {
        value: 0.0,
        scatter: u_top.hypot(change.scatter) / change.value.abs(),
        resolution: change.resolution / change.value.abs(),
        choice: 0.0,
    }
}

/// Standard uncertainty of a drift about which nothing is known but that a base line moves by no more than
/// [`DRIFT_PERCENT_MAX`] of the step, as a share of it: rectangular (JCGM 100, 4.3.7).
const DRIFT_U: f64 = DRIFT_PERCENT_MAX / 100.0 / 1.732_050_807_568_877_2;

/// Derivatives of the change with respect to the numbers of either curve.
const CHANGE: &[f64] = &[0.0, 1.0];

/// How much rarer records that drift are held to be, as twice the logarithm of the odds, 2 to 1.
const DRIFT_ODDS: f64 = 1.39;

/// Odds up to which evidence is not worth more than a mention, 10^(1/2) to 1 (Jeffreys, Theory of Probability,
/// 1961, appendix B).
const ODDS_DOUBTED: f64 = 3.162_277_660_168_379_5;
/// Odds beyond which a drift is out of the question. A base line always drifts a little, and how little is a
/// matter of degree: of a drift there is doubt for longer than of a shape.
const DRIFT_ODDS_DOUBTED: f64 = 20.0;

impl Said {
    /// Twice the logarithm of the odds against this model by Schwarz's criterion, but for what all models of one
    /// record have in common.
    fn against(&self, independent: f64) -> f64 {
        let (numbers, odds) = (self.numbers as f64, if self.drifts { DRIFT_ODDS } else { 0.0 });
        independent * self.squares.max(f64::MIN_POSITIVE).ln() + numbers * independent.ln() + odds
    }

    /// Whether the same with a drift could be worth a doubt beside `models` that have none. Its gain is known
    /// to first order only: twice as much is hoped for. (Fewer independent samples than there are make it no
    /// likelier.)
    pub(super) fn may_drift(&self, models: &[Said]) -> bool {
        let n = self.curve.len() as f64;
        let squares = self.squares - (2.0 * self.drift_squares).min(self.squares);
        let hoped = Said { squares, numbers: self.numbers + 1, drifts: true, curve: Vec::new(), ..*self };
        !models.iter().any(|said| !said.is_misfit && hoped.is_needless(said, n))
    }

    /// Probability that a drift hides under this model, where models without one have the share `steady`: what
    /// is left of its odds when those that drift have had theirs.
    fn hides(&self, steady: f64) -> f64 {
        let none = 1.0 / (1.0 + self.drift_odds);
        if self.drifts || none >= steady { 0.0 } else { 1.0 - none / steady }
    }

    /// Whether this model holds `simpler`, and evidence speaks for that by more than leaves a doubt.
    fn is_needless(&self, simpler: &Said, independent: f64) -> bool {
        let odds = if self.drifts == simpler.drifts { ODDS_DOUBTED } else { DRIFT_ODDS_DOUBTED };
        let much = 2.0 * odds.ln();
        self.holds(simpler) && self.against(independent) - simpler.against(independent) > much
    }

    /// Whether `simpler` is this model with a number less, or two.
    fn holds(&self, simpler: &Said) -> bool {
        let (second, drift) = (self.shape == Shape::SecondOrder, self.drifts);
        let of_simpler = (simpler.shape == Shape::SecondOrder, simpler.drifts);
        of_simpler != (second, drift) && of_simpler.0 <= second && of_simpler.1 <= drift
    }
}

/// What the sound ones among several models say together: the mean over them, each believed as likely as
/// Schwarz's criterion makes it, with the variance of that mixture. A model that holds a simpler one which the
/// evidence favours is left out: by more than a mention where it has another shape, by 20 to 1 where it drifts
/// (after Occam's window of Madigan and Raftery, J. Am. Stat. Assoc. 89, 1994, from memory).
///
/// Schwarz's criterion asks the more of a drift the longer the record is, which keeps the scatter of a drift that
/// nobody needs out of the values. The uncertainty of the change has the drift with the odds it really has. (Times
/// are moved by a good deal less than their own uncertainty.)
pub(super) fn together(models: Vec<Said>) -> Option<Said> {
    let sound: Vec<Said> = models.into_iter().filter(|said| !said.is_misfit).collect();
    let independent = sound.iter().min_by(|a, b| a.squares.total_cmp(&b.squares))?.independent;
    let against = |said: &Said| said.against(independent);
    let best = sound.iter().min_by(|a, b| against(a).total_cmp(&against(b)))?;
    let counted: Vec<(f64, &Said)> = sound
        .iter()
        .filter(|said| !sound.iter().any(|other| said.is_needless(other, independent)))
        .map(|said| (((against(best) - against(said)) / 2.0).exp(), said))
        .collect();
    let sum = |drifts: bool| counted.iter().filter(|(_, s)| s.drifts == drifts).map(|(w, _)| w).sum::<f64>();
    let steady = sum(false) / (sum(false) + sum(true));
    let hidden = |(believed, said): &(f64, &Said)| believed * said.hides(steady) * said.drift_u.powi(2);
    let drift_u = (counted.iter().map(hidden).sum::<f64>() / (sum(false) + sum(true))).sqrt();
    let mixed = |of: &dyn Fn(&Findings) -> Option<Estimate>| {
        let parts: Vec<(f64, Estimate)> =
            counted.iter().filter_map(|(weight, said)| Some((*weight, of(&said.findings)?))).collect();
        Estimate::mixed(&parts)
    };
    let findings = Findings {
        change: mixed(&|f| Some(f.change))?,
        onset_s: mixed(&|f| Some(f.onset_s))?,
        rise_time_s: mixed(&|f| Some(f.rise_time_s))?,
        overshoot: mixed(&|f| Some(f.overshoot))?,
        // Of the models that have one, where the likeliest has.
        tau_s: best.findings.tau_s.and_then(|_| mixed(&|f| f.tau_s)),
    };
    Some(Said { findings, drift_u, ..best.clone() })
}
