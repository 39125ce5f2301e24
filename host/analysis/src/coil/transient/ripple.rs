//! The closest curve to a current under a PWM voltage that is known but for its phase.

use super::budget::colour;
use super::model::{Drive, EDGE, G, Jump, P, SHARE, START, TAU};
use super::search::{Closest, Problem};
use crate::reason::Unmeasured;

/// How many samples the instant of switching on is looked for to both sides of where the current bends most.
const OFFSETS: i32 = 2;

/// Noise below this share of the ripple is rounding.
const NOISE_SHARE_MIN: f64 = 1.0e-4;

/// A current and the voltage that makes it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct RippleShape<'a> {
    pub(crate) current_a: &'a [f64],
    pub(crate) spacing_s: f64,
    pub(crate) period_s: f64,
    pub(crate) duty: f64,
    pub(crate) on_v: f64,
    pub(crate) off_v: f64,
    /// Conductance of the loop, S.
    pub(crate) siemens: f64,
}

/// What fits: values with the standard uncertainty by scatter and shape.
#[derive(Clone, Copy, Debug)]
pub(crate) struct RippleFit {
    pub(crate) inductance_h: (f64, f64),
    pub(crate) tau_s: (f64, f64),
    pub(crate) degrees_of_freedom: f64,
}

impl RippleShape<'_> {
    /// The voltage when the switch first turns on `on_s` after the first sample.
    fn drive(&self, on_s: f64) -> Drive {
        let n = self.current_a.len();
        let is_on = |t: f64| (t - on_s).rem_euclid(self.period_s) < self.duty * self.period_s;
        let time_s: Vec<f64> = (0..n).map(|k| k as f64 * self.spacing_s).collect();
        let on: Vec<bool> = time_s.iter().map(|t| is_on(*t)).collect();
        let jumps = (1..n)
            .filter(|k| on[*k] != on[*k - 1])
            .map(|k| {
                let since_on_s = (time_s[k] - on_s).rem_euclid(self.period_s);
                let before_s = if on[k] { since_on_s } else { since_on_s - self.duty * self.period_s };
                Jump { at: k, before_s, u_s: 0.0 }
            })
            .collect();
        let voltage_v = on.iter().map(|on| if *on { self.on_v } else { self.off_v }).collect();
        Drive { time_s, voltage_v, jumps, even_s: Some(self.spacing_s), energy_j: Vec::new() }
    }

    /// Where the current bends upwards most at the beginning and downwards at the end of an on-time, periods laid
    /// on top of one another: the instant of switching on, s, to within a sample.
    fn on_s(&self) -> f64 {
        let i = self.current_a;
        let per_period = self.period_s / self.spacing_s;
        let bins = per_period.round() as usize;
        let mut bend = vec![0.0; bins];
        for k in 1..i.len() - 1 {
            let phase = (k as f64).rem_euclid(per_period) as usize % bins;
            bend[phase] += i[k + 1] - 2.0 * i[k] + i[k - 1];
        }
        // A jump of the slope spreads over two samples, one of the current itself over two with both signs.
        let rise = |m: usize| bend[m % bins] + bend[(m + bins - 1) % bins];
        let on_bins = (self.duty * per_period).round() as usize;
        let score = |m: &usize| rise(*m) - rise(*m + on_bins);
        let best = (0..bins).max_by(|a, b| score(a).total_cmp(&score(b))).unwrap_or(0);
        best as f64 * self.spacing_s
    }
}

pub(crate) fn fit_ripple(shape: &RippleShape<'_>) -> Result<RippleFit, Unmeasured> {
    // Slopes while on and while off: L = (v_on - v_off)/(difference of the slopes), near enough to start.
    let swing = shape.current_a.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), i| (a.min(*i), b.max(*i)));
    let span_v = shape.on_v - shape.off_v;
    let henry = span_v * shape.duty * (1.0 - shape.duty) * shape.period_s / (swing.1 - swing.0);
    let mut p = [0.0; P];
    p[G] = shape.siemens;
    p[TAU] = henry * shape.siemens;
    p[SHARE] = 0.02;
    let mut free = [false; P];
    for q in [TAU, SHARE, EDGE, START] {
        free[q] = true;
    }
    let guess_s = shape.on_s();
    let u_s = shape.spacing_s / 12.0_f64.sqrt();
    let no_fit = Unmeasured::NoFit { curve: "current of a coil under PWM", why: "no minimum was found" };
    let mut best: Option<(Closest, Drive)> = None;
    for offset in -OFFSETS..=OFFSETS {
        let drive = shape.drive(guess_s + (f64::from(offset) - 0.5) * shape.spacing_s);
        let mut start = p;
        start[START] = shape.current_a[0] / shape.siemens - drive.voltage_v[0];
        let mut noise_a = 0.01 * (swing.1 - swing.0);
        let mut last = None;
        for _ in 0..2 {
            let problem = Problem {
                drive: &drive,
                current_a: shape.current_a,
                noise_a,
                edge_reach_s: 2.0 * u_s,
                edge_weight: (noise_a / u_s).powi(2),
            };
            let Ok(found) = problem.search(start, free) else { break };
            start = found.parameters;
            noise_a = found.residual_sd().max(NOISE_SHARE_MIN * (swing.1 - swing.0));
            last = Some(found);
        }
        let Some(found) = last else { continue };
        if best.as_ref().is_none_or(|(closest, _)| found.squares < closest.squares) {
            best = Some((found, drive));
        }
    }
    let (closest, drive) = best.ok_or(no_fit)?;
    let mut residuals = Vec::with_capacity(shape.current_a.len());
    drive.each(&closest.parameters, |k, value, _| residuals.push(shape.current_a[k] - value));
    let variance = closest.residual_sd().powi(2);
    let inflated = variance * colour(&residuals, variance).inflation;
    let p = &closest.parameters;
    let slow = 1.0 - p[SHARE];
    let u_tau_squared = inflated * closest.inverse[(TAU, TAU)];
    let (by_tau, by_share) = (slow / p[G], -p[TAU] / p[G]);
    let u_henry_squared = inflated
        * (by_tau.powi(2) * closest.inverse[(TAU, TAU)]
            + 2.0 * by_tau * by_share * closest.inverse[(TAU, SHARE)]
            + by_share.powi(2) * closest.inverse[(SHARE, SHARE)]);
    Ok(RippleFit {
        inductance_h: (p[TAU] * slow / p[G], u_henry_squared.max(0.0).sqrt()),
        tau_s: (p[TAU], u_tau_squared.sqrt()),
        degrees_of_freedom: closest.degrees_of_freedom,
    })
}
