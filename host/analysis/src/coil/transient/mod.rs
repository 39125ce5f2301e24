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
//!                                                                       steady end (settled) ─┘
//! ```

mod budget;
mod evidence;
mod findings;
mod guess;
pub mod model;
mod readings;
mod ridge;
mod ripple;
mod search;
mod settled;
mod steady;
mod stretch;
mod sums;
mod train;
mod voltage;

use self::evidence::{Candidate, weigh};
use self::findings::findings;
use self::model::{EDGE, G, HEAT, P, SHARE, START, TAU, ZERO};
use self::readings::{Readings, check, check_range};
use self::voltage::{Prepared, prepare};
use crate::coil::CoilTemperature;
use crate::reason::{Signal, Unmeasured};
use crate::series::is_noisy;
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

/// Fewest samples from one jump of a switched voltage to the next, on average.
const SAMPLES_PER_JUMP_MIN: usize = 4;

/// Noise below this share of the range of the current is rounding.
const NOISE_SHARE_MIN: f64 = 1.0e-6;

/// A parameter that is held joins the fit when it would move by this many standard uncertainties.
const PULL_MIN: f64 = 4.0;

/// A winding is looked at for warming when the recording lasts this many time constants.
const WARMING_TIME_CONSTANTS_MIN: f64 = 10.0;

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
    /// The rise leads elsewhere than to the steady end of the recording: the resistance is that of the end, and
    /// there is neither inductance nor time constant.
    pub is_from_steady_end: bool,
}

/// Resistance, inductance and time constant from a recording of any shape: a step on or off, the middle of
/// a rise, a PWM voltage sampled fast, or steady direct current (resistance only).
///
/// The zero of the current is taken from rest where the recording shows rest (voltage below 5 % of the
/// largest, three samples or more, before or after everything; a driver that chops is not at rest between its
/// pulses); elsewhere the current is taken to be zeroed unless it plainly contradicts that. An offset of the
/// voltage does no harm where rest is seen. Both probes the wrong way round are as good as both the right way.
/// A step's instant is known to within the interval between two samples, all of it being equally likely;
/// what the current itself tells of it is used. Warming of the winding during a long recording is found
/// from the current's droop and taken back to the first sample. A probe that lags, channels that are not sampled
/// together and iron that saturates bend the rise: where the current has settled afterwards, the resistance is
/// taken from there when the rise contradicts it.
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
    let [current, voltage] = [record.current_a, record.voltage_v].map(Readings::of);
    check_range(record.time_s, record.current_a, &current, Signal::CoilCurrent)?;
    check_range(record.time_s, record.voltage_v, &voltage, Signal::CoilVoltage)?;
    let mut prepared = prepare(record, &voltage)?;
    let jumps = prepared.drive.jumps.len();
    let switchings = jumps.max(voltage.switchings(record.voltage_v));
    if switchings > 2 && (jumps < switchings || record.time_s.len() < SAMPLES_PER_JUMP_MIN * switchings) {
        return Err(TOO_COARSE);
    }
    let noise_a = current.noise.max(current.step / 12.0_f64.sqrt());
    let span_a = check_flows(&prepared, noise_a)?;
    if jumps == 0 && steady::is_steady(&prepared.current_a, noise_a, current.step) {
        return steady::steady(record, [&current, &voltage]);
    }
    let candidates = fit(&mut prepared, noise_a.max(NOISE_SHARE_MIN * span_a), NOISE_SHARE_MIN * span_a)?;
    let best = candidates.iter().max_by(|a, b| a.weight.total_cmp(&b.weight)).unwrap_or(&candidates[0]);
    if best.covariances.misfit_a > MISFIT_SHARE_MAX * span_a {
        let why = "the current does not follow the voltage as that of one coil does";
        return Err(Unmeasured::NoFit { curve: "current of a coil", why });
    }
    let taken_j = prepared.drive.energy_j.last().copied().unwrap_or(0.0);
    if best.closest.parameters[HEAT] * taken_j > steady::DROOP_SHARE_MAX {
        let why = "it droops by more than a winding that warms does; couple the current channel dc";
        return Err(Unmeasured::NoFit { curve: "current of a coil", why });
    }
    let length_s = record.time_s[record.time_s.len() - 1] - record.time_s[0];
    let level_a = prepared.current_a.iter().fold(0.0_f64, |most, i| most.max(i.abs()));
    if prepared.drive.jumps.is_empty()
        && best.closest.parameters[TAU] > length_s / 2.0
        && span_a < 0.1 * level_a
    {
        // No rise of a coil, but the slow droop of one that warms.
        return steady::steady(record, [&current, &voltage]);
    }
    Ok(findings(record, [&current, &voltage], &prepared, &candidates, best))
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
/// noise of the current, a probe whose zero is off, a coil that was not settled before its step, a winding that
/// warms.
fn refine(prepared: &mut Prepared, noise_a: f64, first: Closest) -> Result<Closest, Unmeasured> {
    let mut closest = first;
    if prepared.sags() {
        let mut curve_a = Vec::with_capacity(prepared.current_a.len());
        prepared.drive.each(&closest.parameters, |_, value, _| curve_a.push(value));
        prepared.smooth(&curve_a);
        closest = driven(prepared, noise_a).search(closest.parameters, closest.free)?;
    }
    closest = closest.with_all(&driven(prepared, noise_a));
    for held in [ZERO, START, HEAT] {
        // Instants of many jumps that are a little off would be taken for a zero that is.
        let may_join = held != ZERO || prepared.drive.jumps.len() <= 2;
        let joins = may_join
            && !closest.free[held]
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
