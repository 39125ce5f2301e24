//! Fitting the volume balance to the samples of a rise.
//!
//! Samples before the rise lie on a base line of their own level; where it ends and the curve begins
//! is found by turns: the curve is fitted to the samples after the end, and the end is put where the
//! curve meets the base line. Quantities that are given with an uncertainty are fitted as well, each
//! held by one more "sample" of its own (a Gaussian prior); the recording may sharpen them.

use super::onset::{ONSET, Onset};
use super::rail::{Curve, Node, QUANTITIES, Rail};
use super::walk::{WAVES, Walk};
use super::{BASE_SAMPLES_MIN, RISE_SAMPLES_MIN};
use crate::fit::{Fit, least_squares};
use crate::reason::Unmeasured;
use crate::shape::{groups, inflation, thinned, wander};
use crate::stats::{line, mean};
use crate::uncertainty::Input;
use core::cell::RefCell;
use nalgebra::SMatrix;

/// Places of the parameters: pressure at the middle sample, volume that comes in per unit of the
/// inflow column over the volume of the rail, then the quantities of [`Rail`], then the flow's noise.
pub(super) const MIDDLE_PA: usize = 0;
pub(super) const RATE: usize = 1;
pub(super) const AIR: usize = 2;
pub(super) const FORM: usize = AIR + 4;
pub(super) const FIXED: usize = 2 + QUANTITIES;

/// Columns that a wave is looked for beside.
pub(super) const OTHERS: usize = 5;

/// Starting points are tried on groups of samples, at most so many.
const COARSE_SAMPLES: usize = 300;

/// A base line must improve the fit by so many standard deviations: one may be had by chance, at the
/// price of the first samples, which know most of the air.
const BASE_LINE_DEVIATIONS: f64 = 3.0;

/// The samples that are fitted, and what is known beforehand.
#[derive(Clone, Debug)]
pub(super) struct Window {
    /// What came in up to each sample, in any unit: time for a steady inflow, or a volume.
    pub(super) inflow: Vec<f64>,
    /// Absolute pressure, Pa.
    pub(super) pressure_pa: Vec<f64>,
    /// The sample that parameter [`MIDDLE_PA`] belongs to.
    pub(super) middle: usize,
    /// Standard deviation of a sample, Pa.
    pub(super) sample_u_pa: f64,
    /// What that is never below, Pa.
    pub(super) least_u_pa: f64,
    pub(super) atmosphere_pa: f64,
    /// Absolute, where the rise begins.
    pub(super) start_pa: f64,
    pub(super) per_wall_pa: f64,
    /// What is known of each parameter; an infinite uncertainty where nothing is.
    pub(super) known: [Input; FIXED],
    pub(super) stray: Stray,
}

/// How what really came in may differ from the inflow column.
#[derive(Clone, Debug)]
pub(super) enum Stray {
    /// Not at all.
    None,
    /// By the noise of a recorded flow.
    Noise(Vec<Walk>),
    /// By how a steady inflow came on and wavers.
    Onset(Onset),
}

impl Stray {
    /// The strays of the first so many samples.
    pub(super) fn first(&self, count: usize) -> Stray {
        match self {
            Stray::Noise(walk) => Stray::Noise(walk[..count].to_vec()),
            other => other.clone(),
        }
    }

    fn known(&self) -> [Input; WAVES] {
        match self {
            Stray::Onset(onset) => {
                core::array::from_fn(|k| onset.known.get(k).copied().unwrap_or(Input::exact(0.0)))
            }
            _ => [Input::new(0.0, 1.0); WAVES],
        }
    }
}

/// A fitted rise.
#[derive(Clone, Debug)]
pub(super) struct Fitted {
    pub(super) parameters: [f64; FIXED],
    /// Parameters of the stray.
    pub(super) strays: [f64; WAVES],
    /// First sample on the curve; those before lie on the base line.
    pub(super) edge: usize,
    pub(super) base_pa: f64,
    /// Data less curve, of the samples on the curve.
    pub(super) residuals: Vec<f64>,
    /// Covariances of the air and of the rate with everything, for samples that scatter by
    /// [`Window::sample_u_pa`].
    pub(super) air_with: [f64; FIXED + WAVES],
    pub(super) rate_with: [f64; FIXED + WAVES],
    /// Logarithm of the evidence, up to what fits of the same samples share (Laplace's approximation).
    pub(super) ln_evidence: f64,
}

impl Fitted {
    /// Standard deviation of a sample about curve and base line, neighbours' likeness included.
    pub(super) fn sample_u_pa(&self, known: usize) -> f64 {
        let squares: f64 = self.residuals.iter().map(|r| r * r).sum();
        let degrees = self.residuals.len().saturating_sub(known).max(1) as f64;
        (squares / degrees * inflation(&self.residuals)).sqrt()
    }

    /// Sum of squares of the samples on the curve.
    pub(super) fn squares(&self) -> f64 {
        self.residuals.iter().map(|r| r * r).sum()
    }

    pub(super) fn rail(&self, window: &Window) -> Rail {
        window.rail(&self.parameters)
    }
}

struct Table {
    of: [f64; FIXED + WAVES],
    curve: Curve,
    middle: Node,
    /// What came in up to the middle sample, and its derivatives by the strays.
    at_middle: (f64, [f64; WAVES]),
}

impl Window {
    fn rail(&self, p: &[f64]) -> Rail {
        Rail {
            atmosphere_pa: self.atmosphere_pa,
            start_pa: self.start_pa,
            air: p[AIR],
            gas_exponent: p[AIR + 1],
            modulus_pa: p[AIR + 2],
            modulus_slope: p[AIR + 3],
            form: p[AIR + 4],
            per_wall_pa: self.per_wall_pa,
        }
    }

    fn table(&self, p: &[f64]) -> Table {
        let rail = self.rail(p);
        let (from_pa, to_pa) = self.range_pa();
        let mut of = [0.0; FIXED + WAVES];
        of[..p.len()].copy_from_slice(p);
        Table {
            of,
            curve: Curve::new(&rail, from_pa, to_pa),
            middle: rail.at(p[MIDDLE_PA]),
            at_middle: self.came_in(self.middle, &p[FIXED..]),
        }
    }

    /// Pressures that the curve may take, with room for noise.
    fn range_pa(&self) -> (f64, f64) {
        let lowest = self.pressure_pa.iter().copied().fold(f64::INFINITY, f64::min);
        let highest = self.pressure_pa.iter().copied().fold(0.0, f64::max);
        (lowest.clamp(0.1 * self.atmosphere_pa, 0.5 * highest.max(self.atmosphere_pa)), 1.5 * highest)
    }

    /// The curve through all samples, those before the edge on the base line.
    pub(super) fn curve_pa(&self, fitted: &Fitted) -> Vec<f64> {
        let mut p = [0.0; FIXED + WAVES];
        p[..FIXED].copy_from_slice(&fitted.parameters);
        p[FIXED..].copy_from_slice(&fitted.strays);
        let table = self.table(&p);
        (0..self.inflow.len())
            .map(|i| {
                if i < fitted.edge {
                    return fitted.base_pa;
                }
                let since_middle = self.came_in(i, &fitted.strays).0 - table.at_middle.0;
                table.curve.at(table.middle.g + fitted.parameters[RATE] * since_middle).p_pa
            })
            .collect()
    }

    /// How the curve answers to a start in an earlier unit of inflow, to the rate, and to what the rail is
    /// made of, at each sample.
    pub(super) fn columns(&self, fitted: &Fitted) -> Vec<[f64; OTHERS]> {
        let rail = self.rail(&fitted.parameters);
        let lowest_pa = self.range_pa().0;
        let middle = rail.at(fitted.parameters[MIDDLE_PA]);
        let of = |(p_pa, inflow): (&f64, &f64)| {
            let node = rail.at(p_pa.max(lowest_pa));
            let by = |k: usize| (middle.by[k] - node.by[k]) / node.by_p;
            [fitted.parameters[RATE] / node.by_p, inflow / node.by_p, by(0), by(1), by(3)]
        };
        self.pressure_pa.iter().zip(&self.inflow).map(of).collect()
    }

    /// What came in up to a sample, in the unit of the inflow, and its derivatives by the strays.
    fn came_in(&self, i: usize, strays: &[f64]) -> (f64, [f64; WAVES]) {
        match &self.stray {
            Stray::None => (self.inflow[i], [0.0; WAVES]),
            Stray::Noise(walk) => {
                let waves = walk[i].waves;
                let stray: f64 = strays.iter().zip(waves).map(|(a, w)| a * w).sum();
                (self.inflow[i] + stray, waves)
            }
            Stray::Onset(_) => Onset::came_in(self.inflow[i], strays),
        }
    }

    /// Fits the curve to the samples from `edge` on.
    pub(super) fn fit(&self, start: [f64; FIXED], edge: usize) -> Result<Fitted, Unmeasured> {
        match self.stray {
            Stray::None => self.fit_of::<FIXED>(start, edge),
            Stray::Noise(_) => self.fit_of::<{ FIXED + WAVES }>(start, edge),
            Stray::Onset(_) => self.fit_of::<{ FIXED + ONSET }>(start, edge),
        }
    }

    /// The next fit begins where this one ended.
    pub(super) fn begin_at(&mut self, fit: &Fitted) {
        if let Stray::Onset(onset) = &mut self.stray {
            onset.first = core::array::from_fn(|k| fit.strays[k]);
        }
    }

    fn fit_of<const P: usize>(&self, start: [f64; FIXED], edge: usize) -> Result<Fitted, Unmeasured> {
        let samples = self.pressure_pa.len() - edge;
        let mut data = self.pressure_pa[edge..].to_vec();
        data.extend([0.0; P]);
        let strays = self.stray.known();
        let known: [Input; P] =
            core::array::from_fn(|k| if k < FIXED { self.known[k] } else { strays[k - FIXED] });
        let sample_u_pa = self.sample_u_pa.max(self.least_u_pa);
        // What is exact is held 1e10 times better than it matters.
        let known_u: [f64; P] = core::array::from_fn(|k| {
            known[k].standard_uncertainty.max(1.0e-10 * known[k].value.abs().max(1.0e-3))
        });
        let weights = known_u.map(|u| sample_u_pa / u);
        let mut first = [0.0; P];
        first[..FIXED].copy_from_slice(&start);
        let mut bounds = [(f64::NEG_INFINITY, f64::INFINITY); P];
        let highest_pa = self.range_pa().1;
        bounds[MIDDLE_PA] = (0.01 * self.atmosphere_pa, highest_pa);
        bounds[RATE] = (0.0, f64::INFINITY);
        bounds[AIR] = (0.0, 0.95);
        bounds[AIR + 1] = (0.8, 1.8);
        bounds[AIR + 2] = (0.2 * self.known[AIR + 2].value, 5.0 * self.known[AIR + 2].value);
        bounds[AIR + 3] = (-8.0, 30.0);
        bounds[AIR + 4] = (-0.5, 2.5);
        if let Stray::Onset(onset) = &self.stray {
            first[FIXED..FIXED + ONSET].copy_from_slice(&onset.first);
            bounds[FIXED..FIXED + ONSET].copy_from_slice(&onset.bounds);
        }
        let table = RefCell::new(self.table(&first));
        let fit: Fit<P> = least_squares("dead-headed pressure rise", &data, first, bounds, |i, p| {
            if i >= samples {
                let k = i - samples;
                let mut slopes = [0.0; P];
                slopes[k] = weights[k];
                return ((p[k] - known[k].value) * weights[k], slopes);
            }
            if table.borrow().of[..P] != p[..] {
                *table.borrow_mut() = self.table(p);
            }
            self.row(&table.borrow(), p, i + edge)
        })?;
        let variance = sample_u_pa.powi(2);
        let with = |j: usize| {
            core::array::from_fn(|k| if k < P { fit.unit_covariance(j, k) * variance } else { 0.0 })
        };
        Ok(Fitted {
            parameters: core::array::from_fn(|k| fit.parameters[k]),
            strays: core::array::from_fn(|k| if FIXED + k < P { fit.parameters[FIXED + k] } else { 0.0 }),
            edge,
            base_pa: if edge == 0 { self.pressure_pa[0] } else { mean(&self.pressure_pa[..edge]) },
            residuals: fit.residuals[..samples].to_vec(),
            air_with: with(AIR),
            rate_with: with(RATE),
            ln_evidence: ln_evidence(&fit, sample_u_pa, &known_u),
        })
    }

    /// The curve at a sample and its derivatives by the parameters.
    fn row<const P: usize>(&self, table: &Table, p: &[f64; P], i: usize) -> (f64, [f64; P]) {
        let (came_in, by) = self.came_in(i, &p[FIXED..]);
        let inflow = came_in - table.at_middle.0;
        let node = table.curve.at(table.middle.g + p[RATE] * inflow);
        let mut slopes = [0.0; P];
        slopes[MIDDLE_PA] = table.middle.by_p / node.by_p;
        slopes[RATE] = inflow / node.by_p;
        for k in 0..QUANTITIES {
            slopes[AIR + k] = (table.middle.by[k] - node.by[k]) / node.by_p;
        }
        for k in FIXED..P {
            slopes[k] = p[RATE] * (by[k - FIXED] - table.at_middle.1[k - FIXED]) / node.by_p;
        }
        (node.p_pa, slopes)
    }

    /// Standard uncertainty of the air by white noise of the flow, the faster part too that no wave follows.
    /// The fit answers to a pressure by so much, a volume too many at one sample is one too many at all after
    /// it, and what noise adds from sample to sample is independent (JCGM 100, 5.1.2).
    pub(super) fn walk_u(&self, fit: &Fitted) -> f64 {
        let Stray::Noise(walk) = &self.stray else { return 0.0 };
        let mut p = [0.0; FIXED + WAVES];
        p[..FIXED].copy_from_slice(&fit.parameters);
        p[FIXED..].copy_from_slice(&fit.strays);
        let table = self.table(&p);
        let sample_variance = self.sample_u_pa.max(self.least_u_pa).powi(2);
        let (mut of_all_after, mut variance) = (0.0, 0.0);
        for i in (fit.edge..walk.len()).rev() {
            let slopes = self.row(&table, &p, i).1;
            let air_by_pa = fit.air_with.iter().zip(slopes).map(|(with, slope)| with * slope).sum::<f64>()
                / sample_variance;
            // The pressure at the middle moves all by 1/G': so does a volume, times the rate.
            of_all_after += air_by_pa * p[RATE] * slopes[MIDDLE_PA] / table.middle.by_p;
            variance += of_all_after * of_all_after * walk[i].variance;
        }
        variance.sqrt()
    }

    /// As [`Window::fit`], moving the edge to where curve and base line meet.
    fn fit_with_edge(&self, start: [f64; FIXED], edge: usize) -> Result<Fitted, Unmeasured> {
        let last = self.pressure_pa.len().saturating_sub(RISE_SAMPLES_MIN);
        let usable = |edge: usize| if edge < BASE_SAMPLES_MIN { 0 } else { edge.min(last) };
        let mut fitted = self.fit(start, usable(edge))?;
        // A noisy edge may step to and fro between two samples for ever.
        for _ in 0..10 {
            if fitted.edge == 0 {
                break;
            }
            let rail = fitted.rail(self);
            let p = &fitted.parameters;
            let meets = self.inflow[self.middle]
                + (rail.at(fitted.base_pa.max(0.05 * self.atmosphere_pa)).g - rail.at(p[MIDDLE_PA]).g)
                    / p[RATE];
            let edge = usable(self.inflow.iter().position(|w| *w > meets).unwrap_or(last));
            if edge == fitted.edge {
                break;
            }
            fitted = self.fit(fitted.parameters, edge)?;
        }
        Ok(fitted)
    }

    /// Sum of squares of all samples about curve and base line.
    pub(super) fn squares(&self, fitted: &Fitted) -> f64 {
        let base = self.pressure_pa[..fitted.edge].iter().map(|p| p - fitted.base_pa);
        base.chain(fitted.residuals.iter().copied()).map(|r| r * r).sum()
    }

    /// The best fit, found on groups of samples first.
    pub(super) fn found(&self) -> Result<Fitted, Unmeasured> {
        let n = self.pressure_pa.len();
        if n <= 2 * COARSE_SAMPLES {
            return self.best_fit();
        }
        let each = n.div_ceil(COARSE_SAMPLES);
        let of = |values: &[f64]| thinned(values, COARSE_SAMPLES);
        let stray = match &self.stray {
            Stray::Noise(walk) => {
                let of_group = |group: core::ops::Range<usize>| Walk {
                    waves: core::array::from_fn(|k| {
                        mean(&walk[group.clone()].iter().map(|w| w.waves[k]).collect::<Vec<_>>())
                    }),
                    variance: walk[group].iter().map(|w| w.variance).sum(),
                };
                Stray::Noise(groups(n, COARSE_SAMPLES).map(of_group).collect())
            }
            other => other.clone(),
        };
        let coarse = Window {
            inflow: of(&self.inflow),
            pressure_pa: of(&self.pressure_pa),
            middle: (self.middle / each).min(n / each - 1),
            sample_u_pa: self.sample_u_pa / (each as f64).sqrt(),
            stray,
            ..self.clone()
        };
        let rough = coarse.best_fit()?;
        self.fit_with_edge(rough.parameters, rough.edge * each)
    }

    /// The best of several fits: air may account for none, half or all of the inflow between the first
    /// sample and the place where the straight rise, followed back, would have begun; or as much of
    /// it as the steepness of the first part tells.
    pub(super) fn best_fit(&self) -> Result<Fitted, Unmeasured> {
        let n = self.pressure_pa.len();
        let lead = (n / 40).clamp(1, 50);
        let start_pa = mean(&self.pressure_pa[..lead]).max(0.1 * self.atmosphere_pa);
        let top_pa = mean(&self.pressure_pa[n - lead..]);
        let below = |share: f64| {
            let level_pa = start_pa + share * (top_pa - start_pa);
            self.pressure_pa.iter().rposition(|p| *p < level_pa).unwrap_or(0)
        };
        let upper = below(0.5).min(n - 4);
        let straight = line(&self.inflow[upper..], &self.pressure_pa[upper..])?;
        if straight.slope <= 0.0 || top_pa <= start_pa {
            return Err(Unmeasured::NoFit {
                curve: "dead-headed pressure rise",
                why: "the pressure does not rise",
            });
        }
        let known = &self.known;
        let modulus_pa = known[AIR + 2].value + known[AIR + 3].value * straight.y_mean;
        let stiffness_pa = 1.0 / (1.0 / modulus_pa + self.per_wall_pa);
        let rate = if known[RATE].standard_uncertainty.is_finite() {
            known[RATE].value
        } else {
            straight.slope / stiffness_pa
        };
        let begins = straight.x_mean - (straight.y_mean - start_pa) / straight.slope - self.inflow[0];
        let begins = begins.clamp(0.0, self.inflow[n - 1] - self.inflow[0]);
        let start = |air: f64| {
            let mut p: [f64; FIXED] = core::array::from_fn(|k| known[k].value);
            p[MIDDLE_PA] = straight.at(self.inflow[self.middle]).clamp(start_pa, top_pa);
            if self.middle < upper {
                p[MIDDLE_PA] = f64::midpoint(start_pa, top_pa);
            }
            p[RATE] = rate;
            p[AIR] = air.clamp(0.0, 0.5);
            p
        };
        let edge_at = |inflow: f64| {
            self.inflow.iter().position(|w| *w - self.inflow[0] >= inflow).unwrap_or(0).min(upper)
        };
        let early = self.pressure_pa.iter().rposition(|p| *p < start_pa + 0.15 * (top_pa - start_pa));
        let early = early.unwrap_or(0).max(RISE_SAMPLES_MIN / 2).min(n - 1);
        let by_steepness = line(&self.inflow[..=early], &self.pressure_pa[..=early]).map_or(0.0, |l| {
            let per_pa = rate / l.slope.max(1.0e-9 * straight.slope) - 1.0 / stiffness_pa;
            per_pa * known[AIR + 1].value * l.y_mean * (l.y_mean / self.atmosphere_pa)
        });
        let share = |share: f64| start(rate * share * begins * start_pa / self.atmosphere_pa);
        let whole = self.fit(start(by_steepness), 0);
        // The inflow column knows when nothing came in: the base line is part of the curve then.
        let least_pa = 0.1 * self.sample_u_pa.max(self.least_u_pa);
        let follows = |fitted: &Fitted| !wander(&fitted.residuals, least_pa).is_real;
        if matches!(self.stray, Stray::Noise(_)) && whole.as_ref().is_ok_and(follows) {
            return whole;
        }
        let others = [0.0, 0.5, 1.0].map(|s| self.fit_with_edge(share(s), edge_at((1.0 - s) * begins)));
        let variance = self.sample_u_pa.max(self.least_u_pa).powi(2);
        let needed = |best: &Fitted, next: &Fitted| {
            if best.edge == 0 && next.edge > 0 { BASE_LINE_DEVIATIONS.powi(2) * variance } else { 0.0 }
        };
        others.into_iter().fold(whole, |best, next| match (best, next) {
            (Ok(best), Ok(next)) if self.squares(&next) < self.squares(&best) - needed(&best, &next) => {
                Ok(next)
            }
            (Ok(best), _) => Ok(best),
            (Err(_), next) => next,
        })
    }

    /// The same fit with samples weighed by how they scatter about it, so that what is known
    /// beforehand counts as much as it should.
    pub(super) fn weighed(&mut self, mut fit: Fitted) -> Result<Fitted, Unmeasured> {
        for _ in 0..2 {
            self.sample_u_pa = fit.sample_u_pa(4);
            fit = self.fit(fit.parameters, fit.edge)?;
        }
        Ok(fit)
    }

    /// The air when something given is a little different.
    pub(super) fn again(&self, from: &Fitted) -> Result<f64, Unmeasured> {
        self.fit(from.parameters, from.edge).map(|fit| fit.parameters[AIR])
    }
}

/// Laplace's approximation for samples of standard deviation `sample_u_pa` and parameters known beforehand
/// to `known_u`.
fn ln_evidence<const P: usize>(fit: &Fit<P>, sample_u_pa: f64, known_u: &[f64; P]) -> f64 {
    let squares: f64 = fit.residuals.iter().map(|r| r * r).sum();
    let sd = |k: usize| fit.unit_covariance(k, k).sqrt();
    let correlation = SMatrix::<f64, P, P>::from_fn(|j, k| fit.unit_covariance(j, k) / (sd(j) * sd(k)));
    let volume: f64 = correlation
        .cholesky()
        .map_or(f64::NEG_INFINITY, |lower| (0..P).map(|k| lower.l_dirty()[(k, k)].ln()).sum());
    let narrowed: f64 = (0..P)
        .map(|k| (sd(k) * sample_u_pa).ln() - if known_u[k].is_finite() { known_u[k].ln() } else { 0.0 })
        .sum();
    -0.5 * squares / (sample_u_pa * sample_u_pa) + volume + narrowed
}
