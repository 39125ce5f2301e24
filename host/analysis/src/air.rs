//! Air left in the rail, from the shape of a dead-headed pressure rise.
//!
//! With every way out shut, a pump that delivers liquid first has to squeeze the air: pressure
//! creeps, then bends into the straight rise of the liquid. Volume balance of the rail at absolute
//! pressure p, per volume of the rail:
//!
//! `G(p) - G(p0) = volume that came in over volume of the rail`, `G = c(p) (1 + pg/Kw - x (pa/p)^(1/n))`
//!
//! with x the air as a fraction of the rail at atmospheric pressure, pg the gauge pressure, Kw the
//! wall's stiffness and c the density of the liquid over that at atmospheric pressure (Murnaghan's
//! law, K = K0 + K' pg). Where the inflow is recorded its integral is what came in; otherwise it
//! is taken as steady, and its size comes from the straight part of the rise and the liquid's modulus.
//! Pressure, which is noisy, is fitted over inflow, which is not (or whose noise is allowed for).
//!
//! **Dissolved air is not seen.** Liquid holds some tenth of its volume of air in solution at
//! atmospheric pressure and more under pressure; what dissolves while the pressure rises counts as
//! squeezed. A fast rise finds the free air; a rail that has stood under pressure shows less of it than
//! it will once the pressure is off.

mod budget;
mod forms;
mod onset;
mod rail;
mod record;
mod walk;
mod washout;
mod window;

pub use record::{BuildUp, InflowRipple};
pub use washout::{CyclesNeeded, cycles_needed};

use crate::reason::{Signal, Unmeasured};
use crate::series::{
    check_columns, check_finite, check_not_clipped, check_not_frozen, check_positive, noise_sd, resolution,
    spacing_without_gaps_s,
};
use crate::shape::{thinned, wander};
use crate::stats::{extremes, mean};
use crate::uncertainty::{Input, Measured};
use budget::budget;
use forms::{Averaged, by_form};
use onset::Onset;
use walk::{flow_walk, pushed_in};
use window::{Fitted, RATE, Stray, Window};

/// Fewest samples that count as a base line before the rise. None is needed.
pub const BASE_SAMPLES_MIN: usize = 3;

/// Fewest samples on the rise itself.
pub const RISE_SAMPLES_MIN: usize = 12;

/// The rise is used up to this pressure, Pa gauge. Above, all air is squeezed to nothing, and only the
/// law by which the liquid stiffens would be fitted.
pub const FITTED_PA_MAX: f64 = 20.0e6;

/// Where the whole rise does not follow the law, only this share of the highest pressure reached is
/// used, beyond which a valve may begin to open...
pub const FITTED_SHARE: f64 = 0.6;

/// ... and in the end no more than this pressure, Pa gauge.
pub const FITTED_PA_LOW: f64 = 5.0e6;

/// A pressure must rise by so many standard deviations of its noise.
const NOISES_MIN: f64 = 5.0;

/// Largest misfit, as a share of the fitted pressure range, before the rise is no longer taken for
/// a dead-headed one. The plunger ripple of a three-plunger pump alone (7 % at
/// 12.5 Hz) displaces the rise by up to 0.9 ms, 2 % of a range that takes 40 ms.
const MISFIT_SHARE_MAX: f64 = 0.05;

/// What comes in must be known this well (relative standard uncertainty) from the straight part of the
/// rise. Beyond, the fraction is a quotient by something that may be zero.
const RATE_UNCERTAINTY_MAX: f64 = 0.2;

/// A pressure that ends by this share of its rise below its highest, and by so many standard deviations of a
/// sample, is let out there: one in 1e15 for white noise.
const FALL_SHARE_MIN: f64 = 0.1;
const FALL_NOISES_MIN: f64 = 8.0;

/// The law is believed to this share of the pressure range at best, however quiet the recording is.
const BELIEVED_SHARE: f64 = 2.0e-4;

/// Longer recordings are averaged in groups to this many samples.
const SAMPLES_MAX: usize = 2_000;

/// Air in the rail.
#[derive(Clone, Debug, PartialEq)]
pub struct Air {
    /// Volume of the air at atmospheric pressure over the volume of the rail (`air_fraction`, unit 1).
    /// Never negative; a rail without air gives 0 with its uncertainty. Air dissolved in the
    /// liquid is not seen.
    pub fraction_at_atmosphere: Measured,
    /// Volume of the air at atmospheric pressure, m3; not without the volume of the rail.
    pub volume_m3: Result<Measured, Unmeasured>,
    /// Where the curve leaves the base line, s on the recording's time axis; the first sample when
    /// there is no base line.
    pub begins_s: f64,
    /// When the pressure began to fall again, s on the same axis, where it did: only what comes before was used.
    pub fell_s: Option<f64>,
    /// The fitted pressure, Pa gauge, at the first so many samples; those after it were not used.
    pub curve_pa: Vec<f64>,
}

/// Air in the rail from the first part of a dead-headed rise.
///
/// # Errors
/// [`Unmeasured::TooFewSamples`], [`Unmeasured::Gap`], [`Unmeasured::OutOfOrder`],
/// [`Unmeasured::Unpaired`], [`Unmeasured::NotANumber`], [`Unmeasured::Clipped`], [`Unmeasured::Frozen`],
/// [`Unmeasured::Impossible`] for an unusable recording; [`Unmeasured::NotGiven`] without the liquid's
/// modulus; [`Unmeasured::NoStep`] when the pressure does not rise; [`Unmeasured::NotReached`] when
/// it stays so low that air and inflow cannot be told apart; [`Unmeasured::NoFit`] when the rise has
/// another shape.
pub fn air_fraction(rise: &BuildUp<'_>) -> Result<Air, Unmeasured> {
    let modulus_pa = check(rise)?;
    let highest = falls_from(rise.pressure_pa);
    let fell_s = highest.map(|highest| rise.time_s[highest]);
    let rise = &until(rise, highest);
    let whole = whole_window(rise, modulus_pa)?;
    let (mut window, mut fit) = fitted(&whole)?;
    let mut averaged = Averaged::default();
    let onset_unknown = rise.flow_m3_per_s.is_none() && rise.soft_start_s.is_none() && rise.ripple.is_none();
    if onset_unknown && let Some(found) = onset::found(&window, &fit) {
        (window, fit, averaged) = found;
    }
    let (lowest_pa, highest_pa) = (fit.base_pa, mean(&window.pressure_pa[window.pressure_pa.len() - 3..]));
    if wander(&fit.residuals, 0.0).rms > MISFIT_SHARE_MAX * (highest_pa - lowest_pa).abs() {
        let why = "the rise has another shape than that of a closed rail";
        return Err(Unmeasured::NoFit { curve: "dead-headed pressure rise", why });
    }
    if rise.form.standard_uncertainty > 0.0
        && let Some((best_window, best, of_forms)) = by_form(&window, &fit)
    {
        averaged = Averaged { more: averaged.more + of_forms.more, u: averaged.u.hypot(of_forms.u) };
        (window, fit) = (best_window, best);
    }
    let rate_u = fit.rate_with[RATE].sqrt() / fit.parameters[RATE];
    if rate_u.is_nan() || rate_u > RATE_UNCERTAINTY_MAX {
        let reached_pa = highest_pa - whole.atmosphere_pa;
        let needed_pa = reached_pa * (rate_u / RATE_UNCERTAINTY_MAX).clamp(1.0, 100.0);
        return Err(Unmeasured::NotReached { reached_pa, needed_pa });
    }

    let fraction_at_atmosphere = budget(rise, &window, &fit, averaged)?;
    let volume_m3 = match rise.volume_m3 {
        Some(volume) => Ok(fraction_at_atmosphere.scaled(volume.value).with_given(
            "rail volume",
            fraction_at_atmosphere.value,
            volume.standard_uncertainty,
        )),
        None => Err(Unmeasured::NotGiven {
            name: "the volume of the rail",
            what_to_do: "give it to turn the fraction of air into a volume",
        }),
    };
    let samples = rise.time_s.len();
    let time_s = thinned(rise.time_s, SAMPLES_MAX);
    let to_s = time_s[window.pressure_pa.len() - 1];
    let curve_pa = window.curve_pa(&fit);
    let used =
        if samples > SAMPLES_MAX { rise.time_s.partition_point(|t| *t <= to_s) } else { curve_pa.len() };
    let gauge_pa = |p_pa: f64| (p_pa - window.atmosphere_pa) / rise.gain.value;
    Ok(Air {
        fraction_at_atmosphere,
        volume_m3,
        begins_s: match window.stray {
            Stray::Onset(_) => Onset::begins_s(&fit.strays),
            _ => time_s[fit.edge],
        },
        fell_s,
        curve_pa: rise.time_s[..used].iter().map(|t| gauge_pa(between(&time_s, &curve_pa, *t))).collect(),
    })
}

/// The sample of the highest pressure, where pressure falls away after it: a rail that was opened, or a pump
/// that stopped. What follows is no rise, and the corner must not be smoothed into it.
fn falls_from(pressure_pa: &[f64]) -> Option<usize> {
    let means_pa: Vec<f64> = pressure_pa.windows(3).map(mean).collect();
    let highest = (0..means_pa.len()).max_by(|a, b| means_pa[*a].total_cmp(&means_pa[*b]))?;
    let lowest_pa = extremes(means_pa[..=highest].iter().copied()).0;
    let needed_pa =
        (FALL_SHARE_MIN * (means_pa[highest] - lowest_pa)).max(FALL_NOISES_MIN * noise_sd(pressure_pa));
    (means_pa[highest] - means_pa[means_pa.len() - 1] > needed_pa).then_some(highest + 1)
}

/// The samples before `end` alone, where there is one.
fn until<'a>(rise: &BuildUp<'a>, end: Option<usize>) -> BuildUp<'a> {
    let end = end.unwrap_or(rise.time_s.len());
    BuildUp {
        time_s: &rise.time_s[..end],
        pressure_pa: &rise.pressure_pa[..end],
        flow_m3_per_s: rise.flow_m3_per_s.map(|flow| &flow[..end]),
        ..*rise
    }
}

/// Value at `t` of a column given at rising times, straight in between.
fn between(time_s: &[f64], values: &[f64], t: f64) -> f64 {
    let right = time_s[..values.len()].partition_point(|s| *s < t).clamp(1, values.len() - 1);
    let share = ((t - time_s[right - 1]) / (time_s[right] - time_s[right - 1])).clamp(0.0, 1.0);
    values[right - 1] + share * (values[right] - values[right - 1])
}

/// Refuses what cannot be used; the liquid's modulus.
fn check(rise: &BuildUp<'_>) -> Result<Input, Unmeasured> {
    check_columns(rise.time_s, rise.pressure_pa, RISE_SAMPLES_MIN)?;
    spacing_without_gaps_s(rise.time_s, Signal::Pressure)?;
    if let Some(flow) = rise.flow_m3_per_s {
        check_columns(rise.time_s, flow, RISE_SAMPLES_MIN)?;
        check_not_clipped(rise.time_s, flow, Signal::Flow)?;
    }
    check_not_clipped(rise.time_s, rise.pressure_pa, Signal::Pressure)?;
    check_not_frozen(rise.time_s, rise.pressure_pa, Signal::Pressure)?;
    let modulus_pa = rise.liquid_modulus_pa.ok_or(Unmeasured::NotGiven {
        name: "the liquid's bulk modulus",
        what_to_do: "give it (diesel-like oil: about 1.4 GPa) with its uncertainty",
    })?;
    check_positive("the atmospheric pressure in Pa", rise.atmosphere_pa.value)?;
    check_positive("the liquid's bulk modulus in Pa", modulus_pa.value)?;
    check_positive("the gas exponent", rise.gas_exponent.value)?;
    check_positive("the pressure gain", rise.gain.value)?;
    check_positive("the flow gain", rise.flow_gain.value)?;
    if let Some(volume) = rise.volume_m3 {
        check_positive("the rail volume in m3", volume.value)?;
    }
    let given = [rise.atmosphere_pa, modulus_pa, rise.modulus_slope, rise.gas_exponent, rise.form, rise.gain];
    check_finite(&given.map(|input| input.value))?;
    check_finite(&given.map(|input| input.standard_uncertainty))?;
    Ok(modulus_pa)
}

/// All samples, with all that is known.
fn whole_window(rise: &BuildUp<'_>, modulus_pa: Input) -> Result<Window, Unmeasured> {
    let time_s = thinned(rise.time_s, SAMPLES_MAX);
    let reported_pa = thinned(rise.pressure_pa, SAMPLES_MAX);
    let averaged = (rise.time_s.len() as f64 / reported_pa.len() as f64).sqrt();
    let sample_u_pa = noise_sd(&reported_pa).max(resolution(rise.pressure_pa) / 12.0_f64.sqrt() / averaged);
    let (lowest_pa, highest_pa) = extremes(smoothed(&reported_pa));
    let rises_by_pa = highest_pa - lowest_pa;
    if rises_by_pa <= NOISES_MIN * sample_u_pa || rises_by_pa <= 0.0 {
        return Err(Unmeasured::NoStep { signal: Signal::Pressure });
    }
    if (lowest_pa + NOISES_MIN * sample_u_pa) * rise.gain.value <= -rise.atmosphere_pa.value {
        let name = "the lowest pressure in Pa gauge";
        return Err(Unmeasured::Impossible { name, found: lowest_pa, expected: "above vacuum" });
    }
    let nothing = Input::new(0.0, f64::INFINITY);
    // A steady flow is rounded to the same step all the time: this does not average out.
    let per_volume = |volume: Input, flow: &[f64]| {
        let per_m3 = rise.flow_gain.value / volume.value;
        let rounding = resolution(flow) / 12.0_f64.sqrt() / extremes(smoothed(flow)).1;
        let relative =
            volume.relative_uncertainty().hypot(rise.flow_gain.relative_uncertainty()).hypot(rounding);
        Input::relative(per_m3, relative)
    };
    let (inflow, stray, rate) = match rise.flow_m3_per_s {
        None => (time_s, Stray::None, nothing),
        Some(flow) => {
            let absolute_pa: Vec<f64> =
                reported_pa.iter().map(|p| p * rise.gain.value + rise.atmosphere_pa.value).collect();
            let walk = flow_walk(rise, flow, &time_s, &absolute_pa);
            let inflow = thinned(&pushed_in(rise.time_s, flow), SAMPLES_MAX);
            (inflow, Stray::Noise(walk), rise.volume_m3.map_or(nothing, |volume| per_volume(volume, flow)))
        }
    };
    let known = [nothing, rate, nothing, rise.gas_exponent, modulus_pa, rise.modulus_slope, rise.form];
    Ok(Window {
        inflow,
        pressure_pa: reported_pa.iter().map(|p| p * rise.gain.value + rise.atmosphere_pa.value).collect(),
        middle: 0,
        sample_u_pa: sample_u_pa * rise.gain.value,
        least_u_pa: BELIEVED_SHARE * rises_by_pa.min(FITTED_PA_MAX),
        atmosphere_pa: rise.atmosphere_pa.value,
        start_pa: (mean(&reported_pa[..(reported_pa.len() / 40).max(1)]) * rise.gain.value
            + rise.atmosphere_pa.value)
            .max(0.1 * rise.atmosphere_pa.value),
        per_wall_pa: 1.0 / rise.wall_modulus_pa,
        known,
        stray,
    })
}

/// The samples averaged with their neighbours, so that levels are crossed once.
fn smoothed(values: &[f64]) -> Vec<f64> {
    let half = (values.len() / 100).clamp(2, 20).min((values.len() - 1) / 2);
    (0..values.len())
        .map(|i| {
            let middle = i.clamp(half, values.len() - 1 - half);
            mean(&values[middle - half..=middle + half])
        })
        .collect()
}

/// The fit over the longest first part of the rise that follows the law.
fn fitted(whole: &Window) -> Result<(Window, Fitted), Unmeasured> {
    let smooth_pa = smoothed(&whole.pressure_pa);
    let gauge_pa = |p_pa: f64| p_pa - whole.atmosphere_pa;
    let reached_pa = gauge_pa(extremes(smooth_pa.iter().copied()).1);
    let limits_pa = [
        FITTED_PA_MAX.min(reached_pa),
        FITTED_PA_MAX.min(FITTED_SHARE * reached_pa),
        FITTED_PA_LOW.min(FITTED_SHARE * reached_pa),
    ];
    let too_few = |found| Unmeasured::TooFew {
        what: "samples on the part of the rise that air shapes",
        found,
        needed: RISE_SAMPLES_MIN,
        what_to_do: "sample faster",
    };
    let mut best = Err(too_few(0));
    for limit_pa in limits_pa {
        let above = |p: &f64| gauge_pa(*p) >= limit_pa;
        // The highest level of all may last.
        let last = if limit_pa < reached_pa {
            smooth_pa.iter().position(above)
        } else {
            smooth_pa.iter().rposition(above)
        };
        let to = last.map_or(smooth_pa.len(), |i| i + 1);
        if to < RISE_SAMPLES_MIN {
            return best.map_err(|why| match why {
                Unmeasured::TooFew { .. } => too_few(to),
                _ => why,
            });
        }
        let half_pa = f64::midpoint(extremes(smooth_pa[..to].iter().copied()).0, smooth_pa[to - 1]);
        let mut window = Window {
            inflow: whole.inflow[..to].to_vec(),
            pressure_pa: whole.pressure_pa[..to].to_vec(),
            middle: smooth_pa[..to].iter().rposition(|p| *p < half_pa).unwrap_or(to / 2),
            stray: whole.stray.first(to),
            ..whole.clone()
        };
        let found = window.found().and_then(|fit| window.weighed(fit));
        let follows = found
            .as_ref()
            .is_ok_and(|fit| !wander(&fit.residuals, 0.1 * whole.sample_u_pa.max(whole.least_u_pa)).is_real);
        if found.is_ok() || best.is_err() {
            best = found.map(|fit| (window, fit));
        }
        if follows {
            break;
        }
    }
    best
}
