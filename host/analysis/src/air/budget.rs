//! The budget of the air: what the fit knows of, and what is left by fitting again.

use super::BuildUp;
use super::forms::Averaged;
use super::walk::WAVES;
use super::window::{AIR, FIXED, Fitted, Stray, Window};
use crate::reason::Unmeasured;
use crate::series::check_positive;
use crate::shape::inflation;
use crate::uncertainty::Measured;
use core::f64::consts::{FRAC_PI_2, TAU};

/// Puts the budget together: what the fit knows of, and everything else by fitting again.
pub(super) fn budget(
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
