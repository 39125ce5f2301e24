//! How a steady inflow came on and whether it wavers, found in the recording itself.
//!
//! A pump that is let onto the rail takes some milliseconds to deliver in full (time constant tau), and its
//! plungers make the flow waver: `Q (1 - e^(-u/tau)) (1 + a cos(w u) + b sin(w u))`, u the time since the start.
//! Up to the product of the two small parts this has brought in
//! `u - tau (1 - e^(-u/tau)) + a sin(w u)/w + b (1 - cos(w u))/w` of full time. The start is fitted as the instant
//! at which an inflow that is full at once would have begun, tau later, which tau hardly moves. Four forms (steady at once, soft,
//! wavering, both) are fitted to base line and rise together and weighed by their evidence.

use super::BASE_SAMPLES_MIN;
use super::forms::{Averaged, averaged};
use super::window::{FIXED, Fitted, MIDDLE_PA, OTHERS, Stray, Window};
use crate::shape::{groups, wander};
use crate::uncertainty::Input;
use core::f64::consts::{LN_2, TAU};

/// Instant of a full start, s; time constant of the start, s; relative amplitudes; frequency, Hz.
pub(super) const ONSET: usize = 5;
const START_S: usize = 0;
const SOFT_S: usize = 1;
const COSINE: usize = 2;
const SINE: usize = 3;
const HZ: usize = 4;

/// Starts take some milliseconds, up to some tens (common practice, no source): half a Gaussian.
const SOFT_U_S: f64 = 0.02;

/// Tried in turn, s.
const SOFT_STARTS_S: [f64; 6] = [0.001, 0.002, 0.004, 0.008, 0.016, 0.032];

/// Three or more plungers waver by some per cent (three: 7 %, geometry), s of either amplitude.
const RIPPLE_U: f64 = 0.05;

/// Periods in the rise that are looked for; more of them hardly move the rise.
const PERIODS: (f64, f64) = (0.5, 80.0);
const PERIODS_STEP: f64 = 0.5;

/// Residuals are searched in groups, at most so many.
const SEARCHED_SAMPLES: usize = 400;

/// Base line and rise together may fit worse than each for itself by so many standard deviations.
const WORSE_DEVIATIONS: f64 = 4.0;

/// Where a fit of the onset begins, what is known of it and where it may go.
#[derive(Clone, Copy, Debug)]
pub(super) struct Onset {
    pub(super) known: [Input; ONSET],
    pub(super) first: [f64; ONSET],
    pub(super) bounds: [(f64, f64); ONSET],
}

impl Onset {
    /// Full time brought in up to `t_s`, and its derivatives.
    pub(super) fn came_in<const N: usize>(t_s: f64, onset: &[f64]) -> (f64, [f64; N]) {
        let mut by = [0.0; N];
        let soft_s = onset[SOFT_S];
        let run_s = t_s - Onset::begins_s(onset);
        if run_s <= 0.0 {
            return (0.0, by);
        }
        let (rest, run) =
            if run_s < 40.0 * soft_s { ((-run_s / soft_s).exp(), run_s / soft_s) } else { (0.0, 0.0) };
        let mut brought_s = run_s - soft_s * (1.0 - rest);
        let mut flow = 1.0 - rest;
        let (a, b, turn) = (onset[COSINE], onset[SINE], TAU * onset[HZ]);
        if turn > 0.0 {
            let (sin, cos) = (turn * run_s).sin_cos();
            by[COSINE] = sin / turn;
            by[SINE] = (1.0 - cos) / turn;
            let wave_s = a * by[COSINE] + b * by[SINE];
            brought_s += wave_s;
            flow += a * cos + b * sin;
            by[HZ] = TAU / turn * (run_s * (a * cos + b * sin) - wave_s);
        }
        by[START_S] = -flow;
        by[SOFT_S] = run * rest - (1.0 - rest) + flow;
        (brought_s, by)
    }

    /// When the inflow begins, s.
    pub(super) fn begins_s(onset: &[f64]) -> f64 {
        onset[START_S] - onset[SOFT_S]
    }
}

/// The best form with what the others say; `None` without a base line or when none of them follows it.
pub(super) fn found(window: &Window, apart: &Fitted) -> Option<(Window, Fitted, Averaged)> {
    if apart.edge < BASE_SAMPLES_MIN {
        return None;
    }
    // Held at the base line, which lies where the curve bends most.
    let base_pa = apart.base_pa.max(0.1 * window.atmosphere_pa);
    let window = &Window { start_pa: base_pa, middle: 0, ..window.clone() };
    let mut parameters = apart.parameters;
    parameters[MIDDLE_PA] = base_pa;
    let start_s = window.inflow[apart.edge];
    let length_s = window.inflow[window.inflow.len() - 1] - start_s;
    let steady = Onset {
        known: [
            Input::new(start_s, f64::INFINITY),
            Input::exact(0.0),
            Input::exact(0.0),
            Input::exact(0.0),
            Input::exact(0.0),
        ],
        first: [start_s, 0.0, 0.0, 0.0, 0.0],
        bounds: [
            (window.inflow[0], start_s + 0.5 * length_s),
            (0.0, length_s),
            (-0.5, 0.5),
            (-0.5, 0.5),
            (0.0, 2.0 * PERIODS.1 / length_s),
        ],
    };
    let fit = |onset: Onset, parameters: [f64; FIXED]| {
        let with = Window { stray: Stray::Onset(onset), ..window.clone() };
        with.fit(parameters, 0).ok().map(|fit| (with, fit))
    };
    let softly = |onset: Onset, from: &Fitted| {
        let mut soft = onset;
        soft.known[SOFT_S] = Input::new(0.0, SOFT_U_S);
        soft.first[START_S] = from.strays[START_S];
        soft.first[SOFT_S] = from.strays[SOFT_S];
        soft
    };
    let at_once = fit(steady, parameters)?;
    // With the time constant held the curve has no kink, and none of these is far from any other.
    let held = SOFT_STARTS_S.iter().filter(|soft_s| **soft_s < 0.3 * length_s).filter_map(|soft_s| {
        let mut held = steady;
        held.known[SOFT_S] = Input::exact(*soft_s);
        held.first[SOFT_S] = *soft_s;
        held.first[START_S] = start_s.min(window.inflow[0].max(start_s - soft_s) + soft_s);
        fit(held, parameters)
    });
    let held = held.min_by(|a, b| a.1.squares().total_cmp(&b.1.squares()));
    let soft = held.and_then(|(with, held)| {
        fit(softly(steady, &held), held.parameters)
            .filter(|(_, free)| free.squares() < 1.01 * held.squares())
            .or_else(|| {
                let mut with = with;
                if let Stray::Onset(onset) = &mut with.stray {
                    onset.known[SOFT_S] = Input::new(held.strays[SOFT_S], 0.3 * held.strays[SOFT_S]);
                }
                with.begin_at(&held);
                Some((with, held))
            })
    });
    let searched = match &soft {
        Some((_, soft)) if soft.squares() < at_once.1.squares() => soft.clone(),
        _ => at_once.1.clone(),
    };
    let mut forms: Vec<(Window, Fitted, f64)> = vec![(at_once.0, at_once.1, 0.0)];
    forms.extend(soft.map(|(with, fit)| (with, fit, LN_2)));
    if let Some(ripple) = rippled(&steady, window, &searched, length_s) {
        // Each of the independent frequencies might have been the one, of every octave as likely (Jeffreys): nobody
        // knows how long a rise takes beside a turn of the shaft.
        let periods = ripple.known[HZ].value * length_s;
        let ln_prior = (PERIODS_STEP * TAU.sqrt() / (periods * (PERIODS.1 / PERIODS.0).ln())).ln();
        let wavering = fit(ripple, searched.parameters);
        let both = fit(softly(ripple, &searched), searched.parameters);
        forms.extend(wavering.map(|(with, fit)| (with, fit, ln_prior)));
        forms.extend(both.map(|(with, fit)| (with, fit, ln_prior + LN_2)));
    }
    weighed(window, apart, forms)
}

/// The frequency that explains most of the residuals.
fn rippled(steady: &Onset, window: &Window, fit: &Fitted, length_s: f64) -> Option<Onset> {
    let begins_s = Onset::begins_s(&fit.strays);
    let columns = window.columns(fit);
    let rise =
        groups(window.inflow.len(), SEARCHED_SAMPLES).filter(|group| window.inflow[group.start] > begins_s);
    let rise: Vec<_> = rise.collect();
    let of = |value: &dyn Fn(usize) -> f64| -> Vec<f64> {
        rise.iter().map(|group| group.clone().map(value).sum::<f64>() / group.len() as f64).collect()
    };
    let run_s = of(&|i| window.inflow[i] - begins_s);
    let slope = of(&|i| columns[i][0]);
    let residuals = of(&|i| fit.residuals[i]);
    // What the other parameters would take for theirs is no wave.
    let mut others: Vec<Vec<f64>> = Vec::new();
    let of_others: [Vec<f64>; OTHERS] = core::array::from_fn(|k| of(&|i| columns[i][k]));
    for mut column in of_others {
        let before = dot(&column, &column);
        less(&mut column, &others);
        let size = dot(&column, &column);
        if size > 1.0e-12 * before {
            for v in &mut column {
                *v /= size.sqrt();
            }
            others.push(column);
        }
    }
    let most = PERIODS.1.min(rise.len() as f64 / 3.0);
    let mut best = (0.0, None);
    let mut periods = PERIODS.0;
    while periods <= most {
        let turn = TAU * periods / length_s;
        let (mut c, mut s): (Vec<f64>, Vec<f64>) = run_s
            .iter()
            .zip(&slope)
            .map(|(run_s, slope)| {
                let (sin, cos) = (turn * run_s).sin_cos();
                (slope * sin / turn, slope * (1.0 - cos) / turn)
            })
            .unzip();
        less(&mut c, &others);
        less(&mut s, &others);
        let (cc, cs, ss) = (dot(&c, &c), dot(&c, &s), dot(&s, &s));
        let (cr, sr) = (dot(&c, &residuals), dot(&s, &residuals));
        let det = cc * ss - cs * cs;
        if det > 1.0e-9 * cc * ss {
            let (a, b) = ((ss * cr - cs * sr) / det, (cc * sr - cs * cr) / det);
            let explained = a * cr + b * sr;
            if explained > best.0 {
                best = (explained, Some((a, b, periods / length_s)));
            }
        }
        periods += PERIODS_STEP;
    }
    best.1.map(|(a, b, hz)| {
        let mut ripple = *steady;
        ripple.known[COSINE] = Input::new(0.0, RIPPLE_U);
        ripple.known[SINE] = Input::new(0.0, RIPPLE_U);
        ripple.known[HZ] = Input::new(hz, PERIODS_STEP / length_s);
        ripple.first = [fit.strays[START_S], 0.0, a.clamp(-0.15, 0.15), b.clamp(-0.15, 0.15), hz];
        ripple
    })
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// Takes the parts along columns of unit size out of a column.
fn less(column: &mut [f64], others: &[Vec<f64>]) {
    for other in others {
        let share = dot(column, other);
        for (v, o) in column.iter_mut().zip(other) {
            *v -= share * o;
        }
    }
}

/// All forms with the scatter of the richest, and their mean by evidence.
fn weighed(
    window: &Window,
    apart: &Fitted,
    mut forms: Vec<(Window, Fitted, f64)>,
) -> Option<(Window, Fitted, Averaged)> {
    let least = forms.iter().map(|(_, fit, _)| fit).min_by(|a, b| a.squares().total_cmp(&b.squares()))?;
    let sample_u_pa = least.sample_u_pa(4 + ONSET);
    let scatter_pa = sample_u_pa.max(window.least_u_pa);
    let allowed = window.squares(apart) + WORSE_DEVIATIONS.powi(2) * scatter_pa * scatter_pa;
    if least.squares() > allowed && wander(&least.residuals, 0.1 * scatter_pa).is_real {
        return None;
    }
    for (with, _, _) in &mut forms {
        with.sample_u_pa = sample_u_pa;
    }
    averaged(forms)
}
