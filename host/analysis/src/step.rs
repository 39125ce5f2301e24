//! Pressure after a small duty step: how far it rose, how late, how fast, and by how much it overshot.
//!
//! A record is read by models that may explain it, and without one where none does:
//!
//! 1. *First order with dead time*, by maximum likelihood over all samples: the only one with a time
//!    constant.
//! 2. *Second order with dead time*, damping free. Both are believed as likely as the Bayesian information
//!    criterion makes them (Schwarz, Ann. Stat. 6, 1978); findings are the mean over those that are in doubt,
//!    with the variance of that mixture, so that how far models lie apart counts by how little either is
//!    ruled out. The likelier one is the shape that is told; only first order has a time constant.
//! 3. *Levels and crossings* of IEEE Std 181 without a model, when what either model leaves is more
//!    than noise.
//!
//! Either may stand on a base line that drifts evenly, by up to [`DRIFT_PERCENT_MAX`] of the step over the
//! record, which is believed by the same criterion and left out when the odds are long against it; the rise is that of the curve, at the onset. Ripple of
//! the plungers is fitted together with the curve, in step with its period, which is looked for where it is
//! not given. A falling step is a rising one turned over; `pressure_rise` is then negative and times
//! stay positive.

mod answer;
mod candidates;
mod first_order;
mod free;
mod instant;
mod level;
mod misfit;
mod model;
mod opened;
mod overshoot;
mod record;
mod ripple;
mod scatter;
mod second_order;
mod shape;
mod start;
mod transition;
mod under;

use crate::reason::{Signal, Unmeasured};
use crate::series::{
    check_columns, check_not_clipped, check_not_frozen, check_positive, check_rising, noise_sd,
    spacing_without_gaps_s,
};
use crate::stats::mean;
use crate::uncertainty::{Input, Measured};
use answer::{by_model, without_model};
use candidates::{even_spacing, modelled};
pub use first_order::{FirstOrder, FirstOrderFit};
pub use instant::{Found, find_step};
use record::{grain_of, ripple_of};
use shape::Rough;

/// Fewest samples before the step, and in the settled window, where no model fits.
pub const LEVEL_SAMPLES_MIN: usize = 16;

/// Without a model the settled level is looked for in this last share of the record after the step.
pub const SETTLED_SHARE: f64 = 0.5;

/// Largest drift over that window, in per cent of the step, that still counts as settled.
pub const DRIFT_PERCENT_MAX: f64 = 5.0;

/// Without a model a step must exceed this many standard deviations of a single sample, or its
/// crossings cannot be told from noise; and as many standard uncertainties, with a model too.
pub const NOISE_FACTOR_MIN: f64 = 5.0;

/// Fewest samples on the way, from the onset on, for which times are stated.
pub const TRANSITION_SAMPLES_MIN: usize = 4;

/// A model may say where pressure is going when the record holds this share of the way.
pub const REACHED_MIN: f64 = 0.8;

/// Pressure around a change of duty.
#[derive(Clone, Copy, Debug)]
pub struct StepRecord<'a> {
    /// Time, s, rising, on any axis.
    pub time_s: &'a [f64],
    /// Rail pressure, Pa gauge.
    pub pressure_pa: &'a [f64],
    /// When duty changed, s on the same axis: exact, or known to lie in an interval
    /// ([`Input::rectangular`]). `None` when nobody knows; there is no dead time then.
    pub instant_s: Option<Input>,
    /// Period of the plunger ripple, or of the shaft that all plungers hang on, s; `None` when it is not
    /// known: it is then looked for.
    pub ripple_period_s: Option<f64>,
    /// True pressure change over reported pressure change, about 1.
    pub gain: Input,
}

/// Which reading of the record was taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shape {
    /// First order with dead time.
    FirstOrder,
    /// Second order with dead time.
    SecondOrder,
    /// Neither; levels and crossings.
    Other,
}

/// What the step tells.
#[derive(Clone, Debug, PartialEq)]
pub struct StepResponse {
    /// Settled level less level before, Pa; negative when pressure fell.
    pub pressure_rise: Result<Measured, Unmeasured>,
    /// Time from the step to where pressure starts to move, s. Without a model it is where the line
    /// through the 10 % and the 50 % crossing meets the level before; how far from there pressure may
    /// really have started is in its uncertainty. May come out slightly negative where there is none;
    /// [`Unmeasured::BeganBefore`] when pressure surely moves before the step.
    pub dead_time: Result<Measured, Unmeasured>,
    /// Where pressure starts to move, s on the record's own time axis.
    pub onset_s: Result<Measured, Unmeasured>,
    /// Time constant, s; only of a response of first order.
    pub time_constant: Result<Measured, Unmeasured>,
    /// Transition duration between the 10 % and the 90 % reference level, s.
    pub rise_time_10_90: Result<Measured, Unmeasured>,
    /// Highest level beyond the settled one, as a fraction of the rise; 0 when there is none, with the
    /// uncertainty of saying so.
    pub overshoot: Result<Measured, Unmeasured>,
    /// How the record was read.
    pub shape: Shape,
    /// Level before, as reported (gain not applied), Pa gauge.
    pub before_pa: f64,
    /// Level after, as reported (gain not applied), Pa gauge.
    pub after_pa: f64,
    /// The ripple's period, s, given or found; `None` when there is none.
    pub ripple_period_s: Option<f64>,
    /// When the rail was opened during the recording, s on the record's own time axis: only what comes before
    /// was used.
    pub fell_s: Option<f64>,
    /// Fitted curve over the times of the record, ripple included, Pa as reported; without a model the
    /// record less its ripple, averaged over a twentieth of the rise. Past what was used it stays at the level after.
    pub curve_pa: Vec<f64>,
}

/// A record on the scale of its own step: about 0 before and 1 after, rising.
#[derive(Clone, Copy)]
struct Trace<'a> {
    time_s: &'a [f64],
    way: &'a [f64],
    spacing_s: f64,
    ripple_period_s: Option<f64>,
    /// Standard uncertainty of a level that the recorder rounds.
    resolution_u: f64,
    /// What 1 is, Pa as reported.
    scale_pa: f64,
}

impl Trace<'_> {
    fn no_response(&self, change: f64, needed: f64) -> Unmeasured {
        let scale_pa = self.scale_pa.abs();
        Unmeasured::NoResponse { change_pa: change * self.scale_pa, needed_pa: needed * scale_pa }
    }
}

/// Fewest samples of a record.
pub const SAMPLES_MIN: usize = 32;

/// Measures a step.
///
/// # Errors
/// What makes the whole record useless: [`Unmeasured::TooFewSamples`], [`Unmeasured::Gap`],
/// [`Unmeasured::OutOfOrder`], [`Unmeasured::Unpaired`], [`Unmeasured::NotANumber`],
/// [`Unmeasured::Clipped`], [`Unmeasured::Frozen`], [`Unmeasured::Impossible`]; [`Unmeasured::NoStep`] and
/// [`Unmeasured::NoResponse`] when there is no change or none beyond noise; [`Unmeasured::Unfinished`] and [`Unmeasured::NotSettled`]
/// when pressure still moves at the end, or moved before the step, and no model tells where to;
/// [`Unmeasured::TooFew`] when a level is hardly seen, [`Unmeasured::TooShort`] when no whole ripple period fits
/// one; [`Unmeasured::SeveralSteps`]; [`Unmeasured::Opened`] when pressure falls away before it has settled.
/// What only one finding lacks is in its own result.
pub fn step_response(record: &StepRecord<'_>) -> Result<StepResponse, Unmeasured> {
    let found = read(record).map_err(|why| match why {
        Unmeasured::NoStep { .. } | Unmeasured::NoResponse { .. } => there_and_back(record).unwrap_or(why),
        why => why,
    });
    let found = opened::before_the_fall(record, found, read);
    let Some(instant) = record.instant_s else { return found };
    if matches!(found, Err(Unmeasured::Opened { .. }) | Ok(StepResponse { fell_s: Some(_), .. })) {
        return found;
    }
    if matches!(found, Ok(StepResponse { dead_time: Ok(_), .. }) | Err(Unmeasured::Impossible { .. })) {
        return found;
    }
    // A step that is stated too late takes part of the response for the level before it: what does not need the
    // instant is read without it.
    match read(&StepRecord { instant_s: None, ..*record }) {
        Ok(alone) if alone.onset_s.as_ref().is_ok_and(|onset| is_before(onset, instant)) => {
            let began_s = alone.onset_s.as_ref().map_or(instant.value, |onset| onset.value);
            let dead_time = Err(Unmeasured::BeganBefore { began_s, stated_s: instant.value });
            Ok(StepResponse { dead_time, ..alone })
        }
        _ => found,
    }
}

/// An onset comes before the step when it does so by more than this many expanded uncertainties of the two: one in
/// a thousand that really follow it at once.
const BEFORE_UNCERTAINTIES: f64 = 1.5;

fn is_before(onset_s: &Measured, instant_s: Input) -> bool {
    let dead_s = since(onset_s, instant_s);
    dead_s.value < -BEFORE_UNCERTAINTIES * dead_s.expanded_uncertainty()
}

fn since(onset_s: &Measured, instant_s: Input) -> Measured {
    let dead_s = Measured { value: onset_s.value - instant_s.value, ..onset_s.clone() };
    dead_s.with_given("instant of the step", 1.0, instant_s.standard_uncertainty)
}

fn read(record: &StepRecord<'_>) -> Result<StepResponse, Unmeasured> {
    let (time_s, pressure_pa) = (record.time_s, record.pressure_pa);
    check_columns(time_s, pressure_pa, SAMPLES_MIN)?;
    let spacing_s = spacing_without_gaps_s(time_s, Signal::Pressure)?;
    if let Some(period_s) = record.ripple_period_s {
        check_positive("the ripple period in s", period_s)?;
    }
    check_not_clipped(time_s, pressure_pa, Signal::Pressure)?;
    check_not_frozen(time_s, pressure_pa, Signal::Pressure)?;
    let edge = edge_of(record)?;
    let rough =
        Rough::of(time_s, pressure_pa, edge).ok_or(Unmeasured::NoStep { signal: Signal::Pressure })?;
    let (before_pa, scale_pa) = (rough.before, rough.change);
    let scaled: Vec<f64> = pressure_pa.iter().map(|p| (p - before_pa) / scale_pa).collect();
    let rough = Rough { before: 0.0, change: 1.0, ..rough };
    let grain = grain_of(record, &rough, scale_pa);
    let mut trace = Trace {
        time_s,
        way: &scaled,
        spacing_s,
        ripple_period_s: record.ripple_period_s,
        resolution_u: grain.level,
        scale_pa,
    };
    let ripple = ripple_of(&trace, &rough);
    if let Some(ripple) = &ripple {
        trace.ripple_period_s = Some(ripple.period_s);
    }
    let mut response = if let Some(said) = modelled(&trace, &rough, grain, ripple.as_ref())? {
        by_model(record, &trace, &said)
    } else {
        let start = edge.unwrap_or_else(|| {
            // A straight line's foot, and a little more.
            let foot_s = rough.early_s - 0.5 * (rough.middle_s - rough.early_s);
            time_s.partition_point(|t| *t < foot_s)
        });
        let under: Vec<f64> = match &ripple {
            Some(ripple) => time_s.iter().map(|t| ripple.at(*t)).collect(),
            None => vec![0.0; time_s.len()],
        };
        let calm: Vec<f64> = scaled.iter().zip(&under).map(|(y, r)| y - r).collect();
        let calmed = Trace { way: &calm, ..trace };
        let mut response = without_model(record, &calmed, &free::read(&calmed, start)?);
        response.curve_pa.iter_mut().zip(under).for_each(|(p, r)| *p += r);
        response
    };
    for p in &mut response.curve_pa {
        *p = before_pa + scale_pa * *p;
    }
    response.before_pa = before_pa + scale_pa * response.before_pa;
    response.after_pa = before_pa + scale_pa * response.after_pa;
    Ok(response)
}

/// Fits a first-order response with dead time to data of any unit by least squares, which is maximum
/// likelihood in white noise: the fit that [`step_response`] makes of every record, with the covariances of
/// its numbers. Needs no start. Nothing is judged: [`step_response`] does that.
///
/// # Errors
/// [`Unmeasured::TooFewSamples`], [`Unmeasured::Unpaired`], [`Unmeasured::NotANumber`],
/// [`Unmeasured::OutOfOrder`], [`Unmeasured::NoStep`] or [`Unmeasured::NoFit`].
pub fn fit_first_order(time_s: &[f64], values: &[f64]) -> Result<FirstOrderFit, Unmeasured> {
    check_columns(time_s, values, 8)?;
    check_rising(time_s)?;
    let rough = Rough::of(time_s, values, None).ok_or(Unmeasured::NoStep { signal: Signal::Pressure })?;
    let scaled: Vec<f64> = values.iter().map(|v| (v - rough.before) / rough.change).collect();
    let scale = Rough { before: 0.0, change: 1.0, ..rough };
    first_order::fit(time_s, &scaled, even_spacing(time_s), &scale)
        .and_then(|found| FirstOrderFit::scaled_back(&found, values.len(), rough.before, rough.change))
        .ok_or(Unmeasured::NoFit { curve: "first-order response", why: "no minimum was found" })
}

/// A pressure that went there and back in the middle of the record: two steps, not none.
fn there_and_back(record: &StepRecord<'_>) -> Option<Unmeasured> {
    let (time_s, pressure_pa) = (record.time_s, record.pressure_pa);
    let before_pa = mean(&pressure_pa[..LEVEL_SAMPLES_MIN]);
    let away_pa: Vec<f64> = pressure_pa.windows(3).map(|three| (mean(three) - before_pa).abs()).collect();
    let most_pa = away_pa.iter().copied().fold(0.0, f64::max);
    let is_away = |away_pa: &f64| *away_pa > 0.5 * most_pa;
    let (first, last) = (away_pa.iter().position(is_away)?, away_pa.iter().rposition(is_away)?);
    let is_inside = first > LEVEL_SAMPLES_MIN && last + LEVEL_SAMPLES_MIN < pressure_pa.len();
    (is_inside && most_pa > NOISE_FACTOR_MIN * noise_sd(pressure_pa)).then(|| Unmeasured::SeveralSteps {
        signal: Signal::Pressure,
        found: 2,
        first_s: time_s[first + 1],
        second_s: time_s[last + 1],
    })
}

/// First sample that may follow the step, where the instant is known.
fn edge_of(record: &StepRecord<'_>) -> Result<Option<usize>, Unmeasured> {
    let Some(instant) = record.instant_s else { return Ok(None) };
    let last_s = record.time_s[record.time_s.len() - 1];
    if !(record.time_s[0]..=last_s).contains(&instant.value) {
        let (name, expected) = ("the instant of the step in s", "within the recording");
        return Err(Unmeasured::Impossible { name, found: instant.value, expected });
    }
    Ok(Some(record.time_s.partition_point(|t| *t < instant.value)))
}
