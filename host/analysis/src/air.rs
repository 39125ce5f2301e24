//! Air left in the rail, from the shape of a dead-headed pressure rise.
//!
//! With every way out shut, a pump that delivers liquid at a steady rate first has to squeeze the
//! air: pressure creeps, then bends into the straight rise of the liquid. Volume balance of the
//! rail at absolute pressure p, per volume of the rail:
//!
//! `r (t - t0) = G(p) - G(p0)`, `G = c(p) (1 + pg/Kw - x (pa/p)^(1/n))`, `c = (1 + K' pg/K0)^(1/K')`
//!
//! with x the air as a fraction of the rail at atmospheric pressure, r = Q/V the inflow, pg the
//! gauge pressure, Kw the wall's stiffness and c the density of the liquid over that at
//! atmospheric pressure (Murnaghan's law, K = K0 + K' pg). Start level p0, start t0, r and x are
//! fitted to pressure, which is noisy, against time, which is not. Everything else that is given
//! gets its share of the uncertainty by fitting again with that quantity moved.

mod rail;
mod window;

use crate::fit::Fit;
use crate::reason::{Signal, Unmeasured};
use crate::series::{check_columns, check_count, check_positive, spacing_without_gaps_s};
use crate::stats::{mean, standard_deviation};
use crate::uncertainty::{Input, Measured};
use core::f64::consts::{FRAC_PI_2, TAU};
use rail::Rail;
use window::{AIR, INFLOW_PER_S, START_S, Window};

/// Fewest samples before the edge, for the start level.
pub const BEFORE_SAMPLES_MIN: usize = 20;

/// Fewest samples on the rise itself.
pub const RISE_SAMPLES_MIN: usize = 12;

/// The rise is used up to this pressure, Pa gauge. Above, air is squeezed to nothing and an error
/// of the liquid's modulus would be read as air.
pub const FITTED_PA_MAX: f64 = 5.0e6;

/// And not beyond this share of the highest pressure reached, where the valve begins to open.
pub const FITTED_SHARE_MAX: f64 = 0.6;

/// The rise must reach this pressure, Pa gauge: below, air and inflow cannot be told apart.
pub const REACHED_PA_MIN: f64 = 1.5e6;

/// Largest misfit, as a share of the fitted pressure range, before the rise is no longer taken for
/// a dead-headed one. The plunger ripple of a three-plunger pump alone (7 % at
/// 12.5 Hz) displaces the rise by up to 0.9 ms, 2 % of a range that takes 40 ms.
const MISFIT_SHARE_MAX: f64 = 0.05;

/// Wavering of the inflow with the plungers.
#[derive(Clone, Copy, Debug)]
pub struct InflowRipple {
    /// Period, s.
    pub period_s: f64,
    /// Amplitude over the mean inflow: 0.07 for +-7 %.
    pub amplitude: f64,
}

/// A pressure rise with all ways out of the rail shut.
#[derive(Clone, Copy, Debug)]
pub struct BuildUp<'a> {
    /// Time from the moment the valve was commanded shut, s, rising evenly; negative before.
    pub time_s: &'a [f64],
    /// Rail pressure, Pa gauge.
    pub pressure_pa: &'a [f64],
    /// Atmospheric pressure, Pa.
    pub atmosphere_pa: Input,
    /// Bulk modulus of the liquid at zero gauge pressure, Pa.
    pub liquid_modulus_pa: Input,
    /// Rise of the modulus per rise of pressure (about 10), dimensionless, above zero.
    pub modulus_slope: f64,
    /// Stiffness of the walls, V dp/dV, Pa; infinite for rigid ones.
    pub wall_modulus_pa: f64,
    /// Volume of the rail and everything connected to it, m3.
    pub volume_m3: Input,
    /// Exponent of the gas law: 1 for slow squeezing or fine bubbles, 1.4 for a fast squeeze of
    /// large ones.
    pub gas_exponent: Input,
    /// True pressure over reported pressure, about 1.
    pub gain: Input,
    /// Standard uncertainty of the pressure zero, Pa.
    pub zero_u_pa: f64,
    /// Wavering of the inflow, when the pump's speed is known.
    pub ripple: Option<InflowRipple>,
    /// How long the inflow may take to come on in full, s: closing of the valve and lag of the
    /// sensor. A soft start looks like a little air.
    pub soft_start_s: f64,
}

/// Air in the rail.
#[derive(Clone, Debug, PartialEq)]
pub struct Air {
    /// Volume of the air at atmospheric pressure over the volume of the rail. Never negative; a
    /// rail without air gives 0 with its uncertainty. Air dissolved in the liquid is not seen.
    pub fraction_at_atmosphere: Measured,
    /// Volume of the air at atmospheric pressure, m3.
    pub volume_m3: Measured,
    /// Rate of rise the rail would show without air at zero gauge pressure, K Q/V, Pa/s.
    pub slope_pa_per_s: Measured,
}

/// Air in the rail from the first part of a dead-headed rise.
///
/// # Errors
/// [`Unmeasured::TooFewSamples`], [`Unmeasured::Gap`], [`Unmeasured::OutOfOrder`],
/// [`Unmeasured::Unpaired`], [`Unmeasured::NotANumber`], [`Unmeasured::Impossible`] for an
/// unusable recording; [`Unmeasured::NotReached`] when pressure stays below [`REACHED_PA_MIN`];
/// [`Unmeasured::NoFit`] when the rise has another shape.
pub fn air_fraction(rise: &BuildUp<'_>) -> Result<Air, Unmeasured> {
    check_columns(rise.time_s, rise.pressure_pa, BEFORE_SAMPLES_MIN + RISE_SAMPLES_MIN)?;
    spacing_without_gaps_s(rise.time_s, Signal::Pressure)?;
    check_positive("the atmospheric pressure in Pa", rise.atmosphere_pa.value)?;
    check_positive("the liquid's bulk modulus in Pa", rise.liquid_modulus_pa.value)?;
    check_positive("the slope of the bulk modulus", rise.modulus_slope)?;
    check_positive("the rail volume in m3", rise.volume_m3.value)?;
    check_positive("the gas exponent", rise.gas_exponent.value)?;
    let edge = rise.time_s.partition_point(|t| *t < 0.0);
    check_count(edge, BEFORE_SAMPLES_MIN)?;
    let to = fitted_end(rise, edge)?;

    let base = Rail::of(rise);
    let window = Window { time_s: rise.time_s[..to].to_vec(), reported_pa: &rise.pressure_pa[..to], edge };
    let fit = window.best_fit(&base)?;
    let range_pa = rise.pressure_pa[to - 1] * rise.gain.value;
    let misfit_pa = standard_deviation(&fit.residuals[edge..]);
    if misfit_pa > MISFIT_SHARE_MAX * range_pa.max(REACHED_PA_MIN) {
        let why = "the rise has another shape than that of a closed rail";
        return Err(Unmeasured::NoFit { curve: "dead-headed pressure rise", why });
    }
    budget(rise, &window, &base, &fit)
}

/// First sample no longer used: where the smoothed rise leaves the fitted range.
fn fitted_end(rise: &BuildUp<'_>, edge: usize) -> Result<usize, Unmeasured> {
    const HALF: usize = 2;
    check_count(rise.pressure_pa.len() - edge, RISE_SAMPLES_MIN)?;
    let smooth = |i: usize| mean(&rise.pressure_pa[i - HALF..=i + HALF]);
    let inner = edge + HALF..rise.pressure_pa.len() - HALF;
    let reached_pa = inner.clone().map(smooth).fold(f64::NEG_INFINITY, f64::max);
    if reached_pa < REACHED_PA_MIN {
        return Err(Unmeasured::NotReached { reached_pa, needed_pa: REACHED_PA_MIN });
    }
    let limit_pa = FITTED_PA_MAX.min(FITTED_SHARE_MAX * reached_pa);
    let to = inner.clone().find(|i| smooth(*i) > limit_pa).unwrap_or(inner.end);
    check_count(to - edge, RISE_SAMPLES_MIN)?;
    Ok(to)
}

/// Puts the budget together: scatter from the fit, everything else by fitting again.
fn budget(rise: &BuildUp<'_>, window: &Window<'_>, base: &Rail, fit: &Fit<4>) -> Result<Air, Unmeasured> {
    let inflation = fit.inflation();
    let degrees = (fit.degrees_of_freedom / inflation).max(1.0);
    let air = fit.parameters[AIR];
    let slope = fit.parameters[INFLOW_PER_S] * base.stiffness_pa();
    let scatter = "scatter about the rise";
    let mut fraction =
        Measured::new(air).with_scatter(scatter, fit.uncertainty(AIR) * inflation.sqrt(), degrees);
    let mut rate = Measured::new(slope).with_scatter(
        scatter,
        fit.uncertainty(INFLOW_PER_S) * inflation.sqrt() * base.stiffness_pa(),
        degrees,
    );
    let mut add = |name, moved: (f64, f64)| {
        fraction = fraction.clone().with_given(name, 1.0, moved.0 - air);
        rate = rate.clone().with_given(name, 1.0, moved.1 - slope);
    };

    let given = |name, input: Input, moved: fn(&mut Rail, f64)| {
        let mut rail = *base;
        moved(&mut rail, input.standard_uncertainty);
        (name, input.standard_uncertainty, rail)
    };
    let moved = [
        given("bulk modulus", rise.liquid_modulus_pa, |rail, u| rail.modulus_pa += u),
        given("gas exponent", rise.gas_exponent, |rail, u| rail.gas_exponent += u),
        given("atmosphere", rise.atmosphere_pa, |rail, u| rail.atmosphere_pa += u),
        given("pressure gain", rise.gain, |rail, u| rail.gain += u),
        given("pressure zero", Input::new(0.0, rise.zero_u_pa), |rail, u| rail.zero_pa += u),
    ];
    for (name, u, rail) in moved {
        if u > 0.0 {
            add(name, window.again(&rail, fit)?);
        }
    }
    let start_s = fit.parameters[START_S];
    if rise.soft_start_s > 0.0 {
        // Inflow that rises in proportion to time over the soft start has brought in
        // run^2/(2 soft) by then. It may or may not be so: the full effect is a half-width.
        let soft_s = rise.soft_start_s;
        let warped = window.warped(|t| {
            let run_s = t - start_s;
            if run_s <= 0.0 || run_s >= soft_s { t } else { t + 0.5 * (soft_s - run_s).powi(2) / soft_s }
        });
        let (air_soft, slope_soft) = warped.again(base, fit)?;
        let half = 3.0_f64.sqrt();
        add("soft start", (air + (air_soft - air) / half, slope + (slope_soft - slope) / half));
    }
    if let Some(ripple) = rise.ripple {
        add("inflow ripple", rippled(window, base, fit, ripple)?);
    }

    let volume = rise.volume_m3;
    let volume_m3 = fraction.scaled(volume.value).with_given("rail volume", air, volume.standard_uncertainty);
    Ok(Air { fraction_at_atmosphere: fraction, volume_m3, slope_pa_per_s: rate })
}

/// Root mean square effect of the plunger ripple over its unknown phase, four phases standing for
/// all: inflow `Q (1 + a cos(w t + f))` brings in `t + a (sin(w t + f) - sin f)/w` of mean time.
fn rippled(
    window: &Window<'_>,
    base: &Rail,
    fit: &Fit<4>,
    ripple: InflowRipple,
) -> Result<(f64, f64), Unmeasured> {
    check_positive("the ripple period in s", ripple.period_s)?;
    let start_s = fit.parameters[START_S];
    let turn_per_s = TAU / ripple.period_s;
    let (air, slope) = (fit.parameters[AIR], fit.parameters[INFLOW_PER_S] * base.stiffness_pa());
    let (mut air_squares, mut slope_squares) = (0.0, 0.0);
    for phase in [0.0, FRAC_PI_2, 2.0 * FRAC_PI_2, 3.0 * FRAC_PI_2] {
        let warped = window.warped(|t| {
            let run_s = (t - start_s).max(0.0);
            t + ripple.amplitude * ((turn_per_s * run_s + phase).sin() - phase.sin()) / turn_per_s
        });
        let (air_there, slope_there) = warped.again(base, fit)?;
        air_squares += (air_there - air).powi(2) / 4.0;
        slope_squares += (slope_there - slope).powi(2) / 4.0;
    }
    Ok((air + air_squares.sqrt(), slope + slope_squares.sqrt()))
}
