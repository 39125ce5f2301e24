//! Resistance, inductance and time constant of a coil from a recording of the voltage across it and the
//! current through it, made with any scope or logger.
//!
//! The coil is two terminals: whatever makes the voltage (a switch, a PWM driver with its freewheel diode, a
//! source that sags) makes no difference to how its current follows, so the measured voltage is what drives
//! the model (output-error method; L. Ljung, System Identification, 2nd ed. 1999, section 4.3, from memory).
//! The coil's part that follows at once, by eddy currents in its iron, is looked for and believed by the
//! evidence for it: both curves are fitted, and what they say is weighted by the probability of each.
//!
//! ```text
//!  samples ─► steady? ─► resistance only (steady)
//!     │ no
//!     ▼
//!  voltage, jumps, zero (voltage) ─► closest curve (search, model) ─► covariances (budget) ─► findings
//! ```

mod budget;
mod evidence;
mod guess;
pub mod model;
mod ridge;
mod ripple;
mod search;
mod steady;
mod sums;
mod train;
mod voltage;

use self::evidence::{Candidate, weigh};
use self::model::{EDGE, G, HEAT, P, SHARE, START, TAU, ZERO};
use self::voltage::{Prepared, prepare};
use crate::coil::CoilTemperature;
use crate::copper;
use crate::reason::{Signal, Unmeasured};
use crate::series::{check_columns, check_not_clipped, check_positive, is_noisy, noise_sd, resolution};
use crate::uncertainty::{Input, Measured};

pub use self::search::{Closest, Driven, Free};

pub(super) use self::ripple::{RippleFit, RippleShape, fit_ripple};

/// Fewest samples of a recording.
pub const SAMPLES_MIN: usize = 16;

/// How many standard deviations of its noise the current must reach.
const CURRENT_NOISES_MIN: f64 = 10.0;

/// A current whose deviation from the curve of one coil has a standard deviation above this share of its
/// range does not follow the voltage as a coil's does. Saturating iron stays below.
const MISFIT_SHARE_MAX: f64 = 0.05;

/// The edge is weighed again when the noise that was found differs by more than this share from that which it
/// was weighed by.
const NOISE_CHANGE_MAX: f64 = 0.1;

/// A level below this share of the largest is rest.
const REST_LEVEL_SHARE_MAX: f64 = 0.1;

/// Fewest samples from one jump of a switched voltage to the next, on average.
const SAMPLES_PER_JUMP_MIN: usize = 4;

/// Noise below this share of the range of the current is rounding.
const NOISE_SHARE_MIN: f64 = 1.0e-6;

/// Largest relative standard uncertainty that a resistance or an inductance is stated with: beyond it the
/// curve is no longer straight in its parameters, and an interval from its slopes means nothing.
const RELATIVE_U_MAX: f64 = 0.1;

/// A parameter that is held joins the fit when it would move by this many standard uncertainties.
const PULL_MIN: f64 = 4.0;

/// A winding is looked at for warming when the recording lasts this many time constants.
const WARMING_TIME_CONSTANTS_MIN: f64 = 10.0;

/// Eddy share that a recording without a jump of the voltage cannot show: anywhere up to this in valve
/// coils (15 ohm and more across 3 ohm, common practice, no source).
const EDDY_SHARE_UNSEEN_MAX: f64 = 0.2;

const CURRENT_STEPS: &str = "steps of the current readings";
const VOLTAGE_STEPS: &str = "steps of the voltage readings";

const TOO_COARSE: Unmeasured = Unmeasured::NoFit {
    curve: "current of a coil",
    why: "the voltage switches too often for so few samples; sample faster",
};

/// A recording of a coil. Readings times gains are true values.
#[derive(Clone, Copy, Debug)]
pub struct CoilRecord<'a> {
    /// Instants of the samples, s, rising, evenly spaced or not, without gaps.
    pub time_s: &'a [f64],
    /// Voltage across the coil (and across `lead_ohm`), V.
    pub voltage_v: &'a [f64],
    /// Current through it, A, positive in the direction of positive voltage.
    pub current_a: &'a [f64],
    /// True current over reported current, about 1.
    pub current_gain: Input,
    /// True voltage over reported voltage, about 1.
    pub voltage_gain: Input,
    /// What lies in series with the coil between the points where the voltage was taken, ohm; exactly 0 for
    /// probes on the coil's own terminals.
    pub lead_ohm: Input,
    /// Temperature of the copper at the first sample, when it is known.
    pub temperature: Option<CoilTemperature>,
    /// Instant of a step of the voltage, s on the recording's own time axis, when it is known better than
    /// to within a sample. It must lie beside a step that the voltage shows.
    pub at_s: Option<f64>,
}

/// What a recording tells of a coil.
#[derive(Clone, Debug, PartialEq)]
pub struct CoilFound {
    /// Resistance of the winding as it was at the first sample, leads taken off, ohm.
    pub resistance: Result<Measured, Unmeasured>,
    /// The same at 20 degC, ohm. [`Unmeasured::NotGiven`] without a temperature.
    pub resistance_20c: Result<Measured, Unmeasured>,
    /// Inductance, H: `tau R (1 - edge share)`, that of the straight line nearest to the coil's flux over the
    /// range of current in the recording. For saturating iron it lies between the inductances at the ends of
    /// the range, and how far the current departs from the curve is in its uncertainty.
    pub inductance_h: Result<Measured, Unmeasured>,
    /// Time constant of the slow part of the current, s.
    pub tau_s: Result<Measured, Unmeasured>,
    /// Share of the current that follows a step of the voltage at once, 1: eddy currents in the iron.
    /// An error when the recording speaks against it or cannot show it.
    pub edge_share: Result<Measured, Unmeasured>,
    /// Current of the fitted curve at each sample, in reported amperes.
    pub curve_a: Vec<f64>,
}

/// Resistance, inductance and time constant from a recording of any shape: a step on or off, the middle of
/// a rise, a PWM voltage sampled fast, or steady direct current (resistance only).
///
/// The zero of the current is taken from rest where the recording shows rest (voltage below 5 % of the
/// largest, three samples or more, before or after everything); elsewhere the current is taken to be zeroed.
/// A step's instant is known to within the interval between two samples, all of it being equally likely;
/// what the current itself tells of it is used. Warming of the winding during a long recording is found
/// from the current's droop and taken back to the first sample.
///
/// # Errors
/// [`Unmeasured::TooFewSamples`] below [`SAMPLES_MIN`], [`Unmeasured::Unpaired`], [`Unmeasured::NotANumber`],
/// [`Unmeasured::OutOfOrder`], [`Unmeasured::Gap`], [`Unmeasured::Impossible`] and [`Unmeasured::Clipped`] for
/// an unusable recording; [`Unmeasured::NoCurrent`] for an open coil; [`Unmeasured::NoFit`] for a current
/// that does not follow the voltage. What a sound recording cannot tell is an error of its own in
/// [`CoilFound`].
pub fn transient(record: &CoilRecord<'_>) -> Result<CoilFound, Unmeasured> {
    let found = measured(record)?;
    if found.resistance.as_ref().is_ok_and(|ohm| ohm.value <= 0.0) {
        let why = "it flows against the voltage: one of the two probes is the wrong way round";
        return Err(Unmeasured::NoFit { curve: "current of a coil", why });
    }
    Ok(found)
}

fn measured(record: &CoilRecord<'_>) -> Result<CoilFound, Unmeasured> {
    check(record)?;
    let prepared = prepare(
        record.time_s,
        record.voltage_v,
        record.current_a,
        record.at_s,
        unsmoothed_step(record.voltage_v),
    )?;
    let step_a = if repeats(record.current_a) { step_of(record.current_a) } else { 0.0 };
    let noise_a = noise_sd(&prepared.current_a).max(step_a / 12.0_f64.sqrt());
    let span_a = check_flows(&prepared, noise_a)?;
    if prepared.drive.jumps.is_empty() && steady::is_steady(&prepared.current_a, noise_a, step_a) {
        return steady::steady(record);
    }
    let jumps = prepared.drive.jumps.len();
    if jumps > 2 && prepared.current_a.len() < SAMPLES_PER_JUMP_MIN * jumps {
        return Err(TOO_COARSE);
    }
    let mut prepared = prepared;
    let candidates = fit(&mut prepared, noise_a.max(NOISE_SHARE_MIN * span_a), NOISE_SHARE_MIN * span_a)?;
    let best = candidates.iter().max_by(|a, b| a.weight.total_cmp(&b.weight)).unwrap_or(&candidates[0]);
    if best.covariances.misfit_a > MISFIT_SHARE_MAX * span_a {
        let why = "the current does not follow the voltage as that of one coil does";
        return Err(Unmeasured::NoFit { curve: "current of a coil", why });
    }
    let length_s = record.time_s[record.time_s.len() - 1] - record.time_s[0];
    let level_a = prepared.current_a.iter().fold(0.0_f64, |most, i| most.max(i.abs()));
    if prepared.drive.jumps.is_empty()
        && best.closest.parameters[TAU] > length_s / 2.0
        && span_a < 0.1 * level_a
    {
        // No rise of a coil, but the slow droop of one that warms.
        return steady::steady(record);
    }
    Ok(findings(record, &prepared, &candidates, best, length_s))
}

fn check(record: &CoilRecord<'_>) -> Result<(), Unmeasured> {
    check_columns(record.time_s, record.current_a, SAMPLES_MIN)?;
    check_columns(record.time_s, record.voltage_v, SAMPLES_MIN)?;
    check_positive("the gain of the current", record.current_gain.value)?;
    check_positive("the gain of the voltage", record.voltage_gain.value)?;
    check_range(record.time_s, record.current_a, Signal::CoilCurrent)?;
    check_range(record.time_s, record.voltage_v, Signal::CoilVoltage)
}

/// As [`check_not_clipped`], but no recorder's range ends at rest: a quiet level there is no cut-off top.
fn check_range(time_s: &[f64], values: &[f64], signal: Signal) -> Result<(), Unmeasured> {
    let largest = values.iter().fold(0.0_f64, |most, value| most.max(value.abs()));
    match check_not_clipped(time_s, values, signal) {
        Err(Unmeasured::Clipped { level, .. }) if level.abs() < REST_LEVEL_SHARE_MAX * largest => Ok(()),
        other => other,
    }
}

/// The range of the current, A, which must be more than noise.
fn check_flows(prepared: &Prepared, noise_a: f64) -> Result<f64, Unmeasured> {
    let zero_a = prepared.rest.map_or(0.0, |rest| rest.reading_a);
    let found_a = prepared.current_a.iter().fold(0.0_f64, |most, i| most.max((i - zero_a).abs()));
    // The largest of n readings of nothing but noise lies at most at sqrt(2 ln n) deviations, below 6.
    let needed_a = CURRENT_NOISES_MIN * noise_a;
    if found_a == 0.0 || found_a <= needed_a && is_noisy(&prepared.current_a) {
        return Err(Unmeasured::NoCurrent { found_a, needed_a });
    }
    let (least, most) = prepared
        .current_a
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), i| (a.min(*i), b.max(*i)));
    Ok(most - least)
}

/// The curves that may be: with and without a share that follows at once.
fn fit(prepared: &mut Prepared, noise_a: f64, noise_a_least: f64) -> Result<Vec<Candidate>, Unmeasured> {
    let jumps = prepared.drive.jumps.len();
    let mut free = [false; P];
    free[G] = true;
    free[TAU] = true;
    free[SHARE] = jumps > 0;
    free[EDGE] = prepared.edge_is_open;
    free[ZERO] = prepared.rest.is_some();
    free[START] = jumps == 0 || jumps > 1 && !prepared.rest.is_some_and(|rest| rest.is_before);
    let first = driven(prepared, noise_a).closest(prepared.rest.map_or(0.0, |rest| rest.reading_a), free)?;
    let length_s = prepared.drive.time_s[prepared.drive.len() - 1] - prepared.drive.time_s[0];
    if length_s > WARMING_TIME_CONSTANTS_MIN * first.parameters[TAU] {
        prepared.drive.energy_j = steady::energy_j(&prepared.drive, &prepared.current_a);
    }
    let first = refine(prepared, noise_a, first)?;
    // The prior knowledge of the edge weighs as much as the noise that was really found.
    let found_a = first.residual_sd().max(noise_a_least);
    let again = prepared.edge_is_open && (found_a / noise_a - 1.0).abs() > NOISE_CHANGE_MAX;
    let driven = driven(prepared, if again { found_a } else { noise_a });
    let first = if again { driven.search(first.parameters, first.free)? } else { first };
    let with = Candidate::new(prepared, &driven, first);
    if jumps == 0 {
        return Ok(vec![with]);
    }
    weigh(prepared, &driven, with)
}

fn driven(prepared: &Prepared, noise_a: f64) -> Driven<'_> {
    let (edge_reach_s, edge_weight) = match prepared.drive.jumps[..] {
        // Half the interval that has this standard deviation, and a little more for rounding of times.
        [jump] if prepared.edge_is_open => (2.0 * jump.u_s, (noise_a / jump.u_s).powi(2)),
        _ => (0.0, 0.0),
    };
    Driven { drive: &prepared.drive, current_a: &prepared.current_a, noise_a, edge_reach_s, edge_weight }
}

/// Improves on the first fit where the recording asks for it: a sag that follows the curve rather than the
/// noise of the current, a coil that was not settled before its step, a winding that warms.
fn refine(prepared: &mut Prepared, noise_a: f64, first: Closest) -> Result<Closest, Unmeasured> {
    let mut closest = first;
    if prepared.sags() {
        let mut curve_a = Vec::with_capacity(prepared.current_a.len());
        prepared.drive.each(&closest.parameters, |_, value, _| curve_a.push(value));
        prepared.smooth(&curve_a);
        closest = driven(prepared, noise_a).search(closest.parameters, closest.free)?;
    }
    closest = closest.with_all(&driven(prepared, noise_a));
    for held in [START, HEAT] {
        let joins = !closest.free[held]
            && closest.pull(held).is_some_and(|(deviations, moved)| {
                deviations.abs() > PULL_MIN && (held != HEAT || moved > 0.0)
            });
        if joins {
            let mut free = closest.free;
            free[held] = true;
            let driven = driven(prepared, noise_a);
            closest = driven.search(closest.parameters, free)?.with_all(&driven);
        }
    }
    Ok(closest)
}

fn findings(
    record: &CoilRecord<'_>,
    prepared: &Prepared,
    candidates: &[Candidate],
    best: &Candidate,
    length_s: f64,
) -> CoilFound {
    let gains = record.voltage_gain.value / record.current_gain.value;
    let stated = |name: fn(&model::Parameters) -> (f64, model::Parameters)| {
        let measured = evidence::combined(prepared, candidates, name);
        let most = RELATIVE_U_MAX * measured.value.abs();
        let of_jumps = measured.contributions.iter().find(|part| part.name == evidence::JUMPS);
        if measured.standard_uncertainty() <= most {
            Ok(measured)
        } else if of_jumps.is_some_and(|part| part.standard_uncertainty > most) {
            Err(TOO_COARSE)
        } else {
            let needed_s = (3.0 * best.closest.parameters[TAU]).max(2.0 * length_s);
            Err(Unmeasured::TooShort { found_s: length_s, needed_s })
        }
    };
    let mut steps = reading_steps(record, prepared.rest.is_some());
    if prepared.step_v > 0.0 {
        // Counted stretch by stretch.
        steps.retain(|(name, _)| *name != VOLTAGE_STEPS);
    }
    let scaled = |measured: Measured| {
        let value = measured.value * gains;
        steps
            .iter()
            .fold(measured.scaled(gains), |m, (name, relative)| m.with_given(name, value, *relative))
            .with_given("current gain", value, record.current_gain.relative_uncertainty())
            .with_given("voltage gain", value, record.voltage_gain.relative_uncertainty())
    };
    let loop_ohm = stated(|p| {
        let mut by = [0.0; P];
        by[G] = -1.0 / p[G].powi(2);
        (1.0 / p[G], by)
    })
    .map(&scaled);
    let resistance = loop_ohm.clone().map(|ohm| {
        let lead = record.lead_ohm;
        ohm.mapped(ohm.value - lead.value, 1.0).with_given("leads", 1.0, lead.standard_uncertainty)
    });
    // A voltage that sags or ripples passes through a share that no jump shows.
    let held = prepared.drive.jumps.is_empty().then(|| best.closest.moved_by(SHARE));
    let unseen = |measured: Measured, by: fn(&model::Parameters, &model::Parameters) -> f64| match &held {
        Some(moved) => {
            let slope = by(&best.closest.parameters, moved);
            measured.with_given("eddy share not seen", slope, EDDY_SHARE_UNSEEN_MAX / 3.0_f64.sqrt())
        }
        None => measured,
    };
    let inductance_h = stated(|p| {
        let slow = 1.0 - p[SHARE];
        let mut by = [0.0; P];
        by[G] = -p[TAU] * slow / p[G].powi(2);
        by[TAU] = slow / p[G];
        by[SHARE] = -p[TAU] / p[G];
        (p[TAU] * slow / p[G], by)
    })
    .map(|henry| {
        scaled(unseen(henry, |p, by| {
            (by[TAU] * (1.0 - p[SHARE]) - p[TAU] - p[TAU] * (1.0 - p[SHARE]) * by[G] / p[G]) / p[G]
        }))
    });
    let tau_s = stated(|p| {
        let mut by = [0.0; P];
        by[TAU] = 1.0;
        (p[TAU], by)
    })
    .map(|tau| {
        // What the last readings are off by moves the end that the rise is thought to go to.
        let value = tau.value;
        steps
            .iter()
            .filter(|(name, _)| *name == CURRENT_STEPS)
            .fold(unseen(tau, |_, by| by[TAU]), |m, (name, relative)| m.with_given(name, value, *relative))
    });
    CoilFound {
        resistance_20c: to_20c(&resistance, record.temperature),
        resistance,
        inductance_h,
        tau_s,
        edge_share: evidence::edge_share(prepared, best),
        curve_a: curve(record, prepared, &best.closest),
    }
}

/// What the step of a recorder's readings does to heights of current and voltage, relative, where its noise
/// is too small to smooth the steps out.
fn reading_steps(record: &CoilRecord<'_>, from_rest: bool) -> Vec<(&'static str, f64)> {
    let mut found = Vec::new();
    for (name, values) in [(CURRENT_STEPS, record.current_a), (VOLTAGE_STEPS, record.voltage_v)] {
        let step = unsmoothed_step(values);
        let (least, most) =
            values.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(*v), b.max(*v)));
        let height = if from_rest { most - least } else { most.max(-least) };
        if step > 0.0 {
            found.push((name, step / 12.0_f64.sqrt() / height));
        }
    }
    found
}

/// The step of a recorder's readings where its noise is too small to smooth it out, else 0.
fn unsmoothed_step(values: &[f64]) -> f64 {
    let step = if repeats(values) { step_of(values) } else { 0.0 };
    if noise_sd(values) < 0.5 * step { step } else { 0.0 }
}

/// The step of a recorder's readings. A record of two levels does not show it: it is then at most that of 8 bits
/// over the range (the coarsest recorders in use; common practice, no source).
fn step_of(values: &[f64]) -> f64 {
    let largest = values.iter().fold(0.0_f64, |most, value| most.max(value.abs()));
    resolution(values).min(largest / 256.0)
}

/// Whether neighbours are equal so often that a recorder's steps are not lost in its noise.
fn repeats(values: &[f64]) -> bool {
    values.windows(2).filter(|pair| pair[0] == pair[1]).count() > values.len() / 8
}

fn to_20c(
    resistance: &Result<Measured, Unmeasured>,
    temperature: Option<CoilTemperature>,
) -> Result<Measured, Unmeasured> {
    let ohm = resistance.as_ref().map_err(|reason| *reason)?;
    let celsius = temperature
        .ok_or(Unmeasured::NotGiven {
            name: "the temperature of the coil",
            what_to_do: "measure it and state it: 1 K is 0.4 % of a resistance",
        })?
        .celsius;
    let factor = copper::factor_from_20c(celsius.value);
    let per_k = ohm.value * copper::ALPHA_20_PER_K / factor.powi(2);
    Ok(ohm.scaled(1.0 / factor).with_given("coil temperature", per_k, celsius.standard_uncertainty))
}

/// The curve at every sample; straight across those that an edge of the voltage took.
fn curve(record: &CoilRecord<'_>, prepared: &Prepared, closest: &Closest) -> Vec<f64> {
    let mut curve_a = Vec::with_capacity(record.time_s.len());
    let mut last = (record.time_s[0], 0.0);
    prepared.drive.each(&closest.parameters, |k, value, _| {
        let place = prepared.places[k];
        let to_s = record.time_s[place];
        while curve_a.len() < place {
            let share = (record.time_s[curve_a.len()] - last.0) / (to_s - last.0);
            curve_a.push(last.1 + share * (value - last.1));
        }
        curve_a.push(value);
        last = (to_s, value);
    });
    curve_a
}
