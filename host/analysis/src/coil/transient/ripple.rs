//! The closest curve to a current under a PWM voltage that is known but for its phase.

use super::budget::colour;
use super::model::{Drive, EDGE, G, Jump, P, SHARE, START, TAU};
use super::search::{Closest, Driven};
use crate::reason::Unmeasured;
use crate::series::check_count;

/// How many samples the instant of switching on is looked for to both sides of where the current bends most.
const OFFSETS: i32 = 2;

/// A stretch of fewer samples than this loses one of them to the amplifier, a longer one two.
const SHORT_SAMPLES: f64 = 8.0;

/// Fewest samples that are left.
const SAMPLES_MIN: usize = 12;

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
    /// The voltage when the switch first turns on `on_s` after the first sample, and the current. The first
    /// samples after a jump are left out: an amplifier is still on its way there.
    fn driven(&self, on_s: f64) -> (Drive, Vec<f64>) {
        let [on_for_s, off_for_s] = [self.duty, 1.0 - self.duty].map(|share| share * self.period_s);
        let (mut time_s, mut voltage_v, mut current_a) = (Vec::new(), Vec::new(), Vec::new());
        let mut jumps = Vec::new();
        let mut was_on = None;
        for (k, &ampere) in self.current_a.iter().enumerate() {
            let t = k as f64 * self.spacing_s;
            let since_on_s = (t - on_s).rem_euclid(self.period_s);
            let is_on = since_on_s < on_for_s;
            let (since_s, for_s) =
                if is_on { (since_on_s, on_for_s) } else { (since_on_s - on_for_s, off_for_s) };
            let skipped = if for_s < SHORT_SAMPLES * self.spacing_s { 1.5 } else { 2.5 };
            if since_s < skipped * self.spacing_s {
                continue;
            }
            if was_on.is_some_and(|was_on| was_on != is_on) {
                jumps.push(Jump { at: time_s.len(), before_s: since_s, u_s: 0.0 });
            }
            was_on = Some(is_on);
            time_s.push(t);
            voltage_v.push(if is_on { self.on_v } else { self.off_v });
            current_a.push(ampere);
        }
        (Drive::new(time_s, voltage_v, jumps, None), current_a)
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
    let swing =
        shape.current_a.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), i| (a.min(*i), b.max(*i)));
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
    let search = |on_s: f64| -> Result<(Closest, Drive, Vec<f64>), Unmeasured> {
        let (drive, current_a) = shape.driven(on_s);
        check_count(current_a.len(), SAMPLES_MIN)?;
        let mut start = p;
        start[START] = current_a[0] / shape.siemens - drive.voltage_v[0];
        let mut noise_a = 0.01 * (swing.1 - swing.0);
        let mut found = None;
        // Once with a guess of the noise that the edge is weighed against, once with what was found.
        for _ in 0..2 {
            let (edge_reach_s, edge_weight) = (2.0 * u_s, (noise_a / u_s).powi(2));
            let driven = Driven { drive: &drive, current_a: &current_a, noise_a, edge_reach_s, edge_weight };
            let closest = driven.search(start, free)?;
            start = closest.parameters;
            noise_a = closest.residual_sd().max(NOISE_SHARE_MIN * (swing.1 - swing.0));
            found = Some(closest);
        }
        found.map(|closest| (closest, drive, current_a)).ok_or(no_fit)
    };
    let (closest, drive, current_a) = (-OFFSETS..=OFFSETS)
        .filter_map(|offset| search(guess_s + (f64::from(offset) - 0.5) * shape.spacing_s).ok())
        .min_by(|a, b| a.0.residual_sd().total_cmp(&b.0.residual_sd()))
        .ok_or(no_fit)?;
    let mut residuals = Vec::with_capacity(current_a.len());
    drive.each(&closest.parameters, |k, value, _| residuals.push(current_a[k] - value));
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
    let henry = p[TAU] * slow / p[G];
    // An edge that is taken to be one sample off moves the share that follows at once by h/tau. Which of two
    // neighbouring intervals holds it is hardly told from samples of which the nearest are left out: it may be
    // off by one interval and a half.
    let u_edge_h = henry * 1.5 * shape.spacing_s / p[TAU] / 3.0_f64.sqrt();
    Ok(RippleFit {
        inductance_h: (henry, u_henry_squared.max(0.0).sqrt().hypot(u_edge_h)),
        tau_s: (p[TAU], u_tau_squared.sqrt()),
        degrees_of_freedom: closest.degrees_of_freedom,
    })
}
