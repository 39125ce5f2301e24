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

mod onset;
mod rail;
mod washout;
mod window;

pub use washout::{CyclesNeeded, cycles_needed};

use crate::edges::edges;
use crate::reason::{Signal, Unmeasured};
use crate::series::{
    check_columns, check_count, check_finite, check_not_clipped, check_positive, noise_sd, resolution,
    spacing_without_gaps_s,
};
use crate::shape::{inflation, thinned, wander};
use crate::stats::mean;
use crate::uncertainty::{Input, Measured};
use core::f64::consts::{FRAC_PI_2, TAU};
use onset::Onset;
use window::{AIR, FIXED, FORM, Fitted, RATE, Stray, WAVES, Walk, Window};

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

/// The law is believed to this share of the pressure range at best, however quiet the recording is.
const BELIEVED_SHARE: f64 = 2.0e-4;

/// Longer recordings are averaged in groups to this many samples.
const SAMPLES_MAX: usize = 2_000;

/// The exponent lies between 1.0 and 1.4. Recordings are made at either end (isothermal, adiabatic) more often
/// than between, and a rectangle would hold its ends as unlikely: they are one standard deviation away.
const GAS_EXPONENT_U: f64 = 0.2;

/// The three published forms of the balance, one as good as another.
const FORMS: [f64; 3] = [0.0, 1.0, 2.0];

/// Their mean and standard deviation.
const FORM_KNOWN: (f64, f64) = (1.0, 0.816_496_580_927_726);

/// Rise of an oil's modulus per rise of pressure: none in the figures of whoever states one modulus, up to
/// 12 in oils (n-dodecane: 11; common practice). Both ends are one standard deviation away.
const MODULUS_SLOPE: (f64, f64) = (6.0, 6.0);

/// Wavering of the inflow with the plungers.
#[derive(Clone, Copy, Debug)]
pub struct InflowRipple {
    /// Period, s.
    pub period_s: f64,
    /// Amplitude over the mean inflow: 0.07 for +-7 %.
    pub amplitude: f64,
}

/// A pressure rise with all ways out of the rail shut. It may begin before, at or after the first
/// sample; a base line is used where there is one.
#[derive(Clone, Copy, Debug)]
pub struct BuildUp<'a> {
    /// Time, s, rising, without gaps.
    pub time_s: &'a [f64],
    /// Rail pressure, Pa gauge.
    pub pressure_pa: &'a [f64],
    /// Flow into the rail at each sample, m3/s; `None` for a steady inflow that was not recorded.
    pub flow_m3_per_s: Option<&'a [f64]>,
    /// True flow over reported flow, about 1; does not matter without a flow column.
    pub flow_gain: Input,
    /// Atmospheric pressure, Pa.
    pub atmosphere_pa: Input,
    /// Bulk modulus of the liquid at zero gauge pressure, Pa. Needed.
    pub liquid_modulus_pa: Option<Input>,
    /// Rise of the modulus per rise of pressure, dimensionless (about 10).
    pub modulus_slope: Input,
    /// Stiffness of the walls, V dp/dV, Pa; infinite for rigid ones.
    pub wall_modulus_pa: f64,
    /// Volume of the rail and everything connected to it, m3. The fraction needs it only to make the
    /// most of a flow column; the volume of the air needs it.
    pub volume_m3: Option<Input>,
    /// Exponent of the gas law: 1 for slow squeezing or fine bubbles, 1.4 for a fast squeeze of
    /// large ones.
    pub gas_exponent: Input,
    /// How the balance is written: 0 for a rail that keeps its air and takes in liquid, 1 for the
    /// effective modulus of a mixture that comes in as it is, 2 where the liquid keeps the share that it
    /// had at first. They differ by up to about x, relatively. With an uncertainty: any of the three, by
    /// their evidence.
    pub form: Input,
    /// True pressure over reported pressure, about 1.
    pub gain: Input,
    /// Standard uncertainty of the pressure zero, Pa.
    pub zero_u_pa: f64,
    /// Wavering of a steady inflow, when the pump's speed is known. Together with the soft start, or not at
    /// all: where neither is known both are looked for in the recording, if it has a base line.
    pub ripple: Option<InflowRipple>,
    /// How long a steady inflow may take to come on in full, s: closing of the valve and lag of the
    /// sensor. A soft start looks like a little air.
    pub soft_start_s: Option<f64>,
}

impl<'a> BuildUp<'a> {
    /// A recording made elsewhere, of which no more is known than its columns.
    ///
    /// Atmospheric pressure is 101 325 Pa within 2 kPa (weather); the gas exponent anywhere between 1
    /// and 1.4; the modulus may be constant or rise by up to 12 times the pressure rise, as that of oils
    /// does (n-dodecane: 11; common practice); any form of the balance may hold. The instruments
    /// are taken as exact. How the inflow came on and whether it wavers is looked for in the recording.
    #[must_use]
    pub fn recorded(
        time_s: &'a [f64],
        pressure_pa: &'a [f64],
        flow_m3_per_s: Option<&'a [f64]>,
        volume_m3: Option<Input>,
        liquid_modulus_pa: Option<Input>,
    ) -> BuildUp<'a> {
        BuildUp {
            time_s,
            pressure_pa,
            flow_m3_per_s,
            flow_gain: Input::exact(1.0),
            atmosphere_pa: Input::rectangular(101_325.0, 2_000.0),
            liquid_modulus_pa,
            modulus_slope: Input::new(MODULUS_SLOPE.0, MODULUS_SLOPE.1),
            wall_modulus_pa: f64::INFINITY,
            volume_m3,
            gas_exponent: Input::new(1.2, GAS_EXPONENT_U),
            form: Input::new(FORM_KNOWN.0, FORM_KNOWN.1),
            gain: Input::exact(1.0),
            zero_u_pa: 0.0,
            ripple: None,
            soft_start_s: None,
        }
    }
}

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
    /// The fitted pressure, Pa gauge, at the first so many samples; those after it were not used.
    pub curve_pa: Vec<f64>,
}

/// Air in the rail from the first part of a dead-headed rise.
///
/// # Errors
/// [`Unmeasured::TooFewSamples`], [`Unmeasured::Gap`], [`Unmeasured::OutOfOrder`],
/// [`Unmeasured::Unpaired`], [`Unmeasured::NotANumber`], [`Unmeasured::Clipped`],
/// [`Unmeasured::Impossible`] for an unusable recording; [`Unmeasured::NotGiven`] without the liquid's
/// modulus; [`Unmeasured::NoStep`] when the pressure does not rise; [`Unmeasured::NotReached`] when
/// it stays so low that air and inflow cannot be told apart; [`Unmeasured::NoFit`] when the rise has
/// another shape.
pub fn air_fraction(rise: &BuildUp<'_>) -> Result<Air, Unmeasured> {
    let modulus_pa = check(rise)?;
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
        curve_pa: rise.time_s[..used].iter().map(|t| gauge_pa(between(&time_s, &curve_pa, *t))).collect(),
    })
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
    let (lowest_pa, highest_pa) = extremes(&smoothed(&reported_pa));
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
        let rounding = resolution(flow) / 12.0_f64.sqrt() / extremes(&smoothed(flow)).1;
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

/// Volume that came in up to each sample by the trapezium rule, m3.
fn pushed_in(time_s: &[f64], flow_m3_per_s: &[f64]) -> Vec<f64> {
    let mut total = 0.0;
    let mut volumes = vec![0.0];
    for (t, q) in time_s.windows(2).zip(flow_m3_per_s.windows(2)) {
        total += 0.5 * (q[0] + q[1]) * (t[1] - t[0]);
        volumes.push(total);
    }
    volumes
}

/// How far a pressure is on its way from the lowest to the highest, in the logarithm, at the knots between
/// which noise of the flow adds up: closely spaced where there is air to be squeezed.
const KNOTS: [f64; WAVES - 1] = [0.01, 0.05, 0.12, 0.25, 0.4, 0.65, 1.0];

/// What noise of the flow may add to the volume at each sample: white noise adds up to a random walk of
/// variance u^2 h t, here straight between knots with independent increments, each one standard deviation.
fn flow_walk(rise: &BuildUp<'_>, flow_m3_per_s: &[f64], time_s: &[f64], pressure_pa: &[f64]) -> Vec<Walk> {
    let length_s = time_s[time_s.len() - 1] - time_s[0];
    let spacing_s = length_s / (rise.time_s.len() - 1) as f64;
    let noise = noise_sd(flow_m3_per_s);
    let smooth_pa = smoothed(pressure_pa);
    let (lowest_pa, highest_pa) = extremes(&smooth_pa);
    let lowest_pa = lowest_pa.max(0.1 * rise.atmosphere_pa.value);
    let mut from_s = time_s[0];
    let steps = KNOTS.map(|share| {
        let level_pa = lowest_pa * (highest_pa / lowest_pa).powf(share);
        let knot = smooth_pa.iter().position(|p| *p >= level_pa).unwrap_or(time_s.len() - 1);
        let step = (from_s, time_s[knot].max(from_s));
        from_s = step.1;
        step
    });
    // A flow that comes on between two samples: half of what it would bring in between them is counted,
    // all or nothing may be true.
    let onset = edges(flow_m3_per_s).first().map(|edge| (edge.instant_s(rise.time_s), edge.change));
    let mut before_s = time_s[0];
    time_s
        .iter()
        .map(|t| {
            let waves = core::array::from_fn(|k| match (steps.get(k), onset) {
                (Some((from_s, to_s)), _) if to_s > from_s => {
                    let way = ((t - from_s) / (to_s - from_s)).clamp(0.0, 1.0);
                    noise * (spacing_s * (to_s - from_s)).sqrt() * way
                }
                (None, Some(((instant_s, half_s), change))) if *t > instant_s => {
                    change * half_s / 3.0_f64.sqrt()
                }
                _ => 0.0,
            });
            let variance = noise * noise * spacing_s * (t - before_s);
            before_s = *t;
            Walk { waves, variance }
        })
        .collect()
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

fn extremes(values: &[f64]) -> (f64, f64) {
    values.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(*v), high.max(*v)))
}

/// The fit over the longest first part of the rise that follows the law.
fn fitted(whole: &Window) -> Result<(Window, Fitted), Unmeasured> {
    let smooth_pa = smoothed(&whole.pressure_pa);
    let gauge_pa = |p_pa: f64| p_pa - whole.atmosphere_pa;
    let reached_pa = gauge_pa(extremes(&smooth_pa).1);
    let limits_pa = [
        FITTED_PA_MAX.min(reached_pa),
        FITTED_PA_MAX.min(FITTED_SHARE * reached_pa),
        FITTED_PA_LOW.min(FITTED_SHARE * reached_pa),
    ];
    let mut best = Err(Unmeasured::TooFewSamples { found: 0, needed: RISE_SAMPLES_MIN });
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
            return best.or_else(|_| {
                check_count(to, RISE_SAMPLES_MIN).and(Err(Unmeasured::NoStep { signal: Signal::Pressure }))
            });
        }
        let half_pa = f64::midpoint(extremes(&smooth_pa[..to]).0, smooth_pa[to - 1]);
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

/// What other ways to see the same rise make of the air: added to the value, and in its uncertainty.
#[derive(Clone, Copy, Debug, Default)]
struct Averaged {
    more: f64,
    u: f64,
}

/// The rise by each form of the balance alone.
fn by_form(window: &Window, fit: &Fitted) -> Option<(Window, Fitted, Averaged)> {
    let of = |form: f64| {
        let mut only = window.clone();
        only.known[FORM] = Input::exact(form);
        let mut parameters = fit.parameters;
        parameters[FORM] = form;
        let fit = only.fit(parameters, fit.edge).ok()?;
        Some((only, fit, 0.0))
    };
    averaged(FORMS.into_iter().filter_map(of).collect())
}

/// The best of several fits of the same samples, and what their mean by evidence (and by
/// the logarithm of what spoke for each beforehand) makes of the air.
fn averaged(fits: Vec<(Window, Fitted, f64)>) -> Option<(Window, Fitted, Averaged)> {
    let again = |(mut window, fit, ln_before): (Window, Fitted, f64)| {
        window.begin_at(&fit);
        window.fit(fit.parameters, fit.edge).ok().map(|fit| (window, fit, ln_before))
    };
    let mut fits: Vec<(Window, Fitted, f64)> = fits.into_iter().filter_map(again).collect();
    let ln = |(_, fit, ln_before): &(Window, Fitted, f64)| fit.ln_evidence + ln_before;
    fits.sort_by(|a, b| ln(b).total_cmp(&ln(a)));
    let most = ln(fits.first()?);
    let shares: Vec<f64> = fits.iter().map(|fit| (ln(fit) - most).exp()).collect();
    let total: f64 = shares.iter().sum();
    let mean_of = |of: &dyn Fn(&Fitted) -> f64| {
        fits.iter().zip(&shares).map(|((_, fit, _), share)| share * of(fit)).sum::<f64>() / total
    };
    let air = mean_of(&|fit| fit.parameters[AIR]);
    let variance = mean_of(&|fit| fit.air_with[AIR] + (fit.parameters[AIR] - air).powi(2));
    let (window, best, _) = fits.swap_remove(0);
    let u = (variance - best.air_with[AIR]).max(0.0).sqrt();
    let more = air - best.parameters[AIR];
    Some((window, best, Averaged { more, u }))
}

/// Puts the budget together: what the fit knows of, and everything else by fitting again.
fn budget(
    rise: &BuildUp<'_>,
    window: &Window,
    fit: &Fitted,
    averaged: Averaged,
) -> Result<Measured, Unmeasured> {
    let air = fit.parameters[AIR];
    // What is given moves the air by its covariance with it over its own uncertainty; the rest of the
    // variance is scatter.
    let mut scatter = fit.air_with[AIR];
    let mut share = |with: f64, u: f64| {
        let moved = if u > 0.0 && u.is_finite() { (with / u).abs() } else { 0.0 };
        scatter -= moved * moved;
        moved
    };
    let names = [
        "",
        "rail volume and flow gain",
        "",
        "gas exponent",
        "bulk modulus",
        "rise of the bulk modulus",
        "form of the balance",
    ];
    let known: Vec<(&'static str, f64)> = (0..FIXED)
        .filter(|k| !names[*k].is_empty())
        .map(|k| (names[k], share(fit.air_with[k], window.known[k].standard_uncertainty)))
        .collect();
    // All of the noise in place of its slow part, which the waves follow; the last of them is no noise.
    let of_waves: [f64; WAVES] = core::array::from_fn(|k| match window.stray {
        Stray::Noise(_) => share(fit.air_with[FIXED + k], 1.0),
        _ => 0.0,
    });
    let flow = window.walk_u(fit).hypot(of_waves[WAVES - 1]);
    let degrees = ((fit.residuals.len() as f64 - 4.0) / inflation(&fit.residuals)).max(1.0);
    let mut fraction = Measured::new(air + averaged.more)
        .with_given("form of the balance and how the inflow came on", 1.0, averaged.u)
        .with_scatter("scatter about the rise", scatter.max(0.0).sqrt(), degrees)
        .with_given("noise of the flow", 1.0, flow);
    for (name, u) in known {
        fraction = fraction.with_given(name, 1.0, u);
    }

    let gauge_pa = |p: &f64| p - window.atmosphere_pa;
    let atmosphere_u_pa = rise.atmosphere_pa.standard_uncertainty;
    let gain = 1.0 + rise.gain.relative_uncertainty();
    let moved = [
        ("atmosphere", atmosphere_u_pa, 1.0, atmosphere_u_pa),
        ("pressure gain", rise.gain.standard_uncertainty, gain, 0.0),
        ("pressure zero", rise.zero_u_pa, 1.0, 0.0),
    ];
    for (name, u, gain, atmosphere_by_pa) in moved {
        if u > 0.0 {
            let by_pa = if gain == 1.0 { u } else { 0.0 };
            let there = Window {
                atmosphere_pa: window.atmosphere_pa + atmosphere_by_pa,
                pressure_pa: window
                    .pressure_pa
                    .iter()
                    .map(|p| gauge_pa(p) * gain + window.atmosphere_pa + by_pa)
                    .collect(),
                ..window.clone()
            };
            fraction = fraction.with_given(name, 1.0, there.again(fit)? - air);
        }
    }
    if rise.flow_m3_per_s.is_none() {
        fraction = unsteady(rise, window, fit, fraction)?;
    }
    Ok(fraction)
}

/// What an inflow that is not as steady as it was taken to be may do.
fn unsteady(
    rise: &BuildUp<'_>,
    window: &Window,
    fit: &Fitted,
    mut fraction: Measured,
) -> Result<Measured, Unmeasured> {
    let air = fit.parameters[AIR];
    let start_s = window.inflow[fit.edge.saturating_sub(1)];
    let warped = |warp: &dyn Fn(f64) -> f64| Window {
        inflow: window.inflow.iter().map(|t| warp(*t)).collect(),
        ..window.clone()
    };
    if let Some(soft_s) = rise.soft_start_s.filter(|soft_s| *soft_s > 0.0) {
        // Inflow that rises in proportion to time over the soft start has brought in
        // run^2/(2 soft) by then. It may or may not be so: the full effect is a half-width.
        let soft = warped(&|t| {
            let run_s = t - start_s;
            if run_s <= 0.0 || run_s >= soft_s { t } else { t + 0.5 * (soft_s - run_s).powi(2) / soft_s }
        });
        fraction = fraction.with_given("soft start", 1.0 / 3.0_f64.sqrt(), soft.again(fit)? - air);
    }
    if let Some(ripple) = rise.ripple {
        check_positive("the ripple period in s", ripple.period_s)?;
        let turn_per_s = TAU / ripple.period_s;
        let mut squares = 0.0;
        // Inflow `Q (1 + a cos(w t + f))` brings in `t + a (sin(w t + f) - sin f)/w` of mean time. The
        // phase is unknown: root mean square over four that stand for all.
        for phase in [0.0, FRAC_PI_2, 2.0 * FRAC_PI_2, 3.0 * FRAC_PI_2] {
            let there = warped(&|t| {
                let run_s = (t - start_s).max(0.0);
                t + ripple.amplitude * ((turn_per_s * run_s + phase).sin() - phase.sin()) / turn_per_s
            });
            squares += (there.again(fit)? - air).powi(2) / 4.0;
        }
        fraction = fraction.with_given("inflow ripple", 1.0, squares.sqrt());
    }
    Ok(fraction)
}
