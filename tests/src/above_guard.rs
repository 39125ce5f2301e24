//! How long a rail may stay above its guard: until the board stops, and then until the dump has let out what the pump
//! has put in meanwhile and puts in while it coasts.
//!
//! ```text
//!   in       q_p = D n π/3        the peak flow of three plungers at their best, over the mean of D n; the shaft does
//!                                 not slow down, and no valve lets any of it out
//!   out      q_d (1 − e^(−t/τ))   from the stop on, q_d = C_d A √(2 p_g/ρ): what the open dump lets out at the guard's
//!                                 pressure, at which the rail is or above
//!   sooner   t_s                  what docs/protocol.md promises for RailHigh
//!   back     q_p t_s + ∫₀ᵗ (q_p − q_d (1 − e^(−t'/τ))) dt' = 0
//! ```
//!
//! Each plunger delivers half a sine; of three, 120° apart, the sum peaks at what one does, and is 3/π of that in the mean.
//! The orifice's law is Bernoulli's with a coefficient of discharge, the turbulent branch of the model's
//! (hardware/plant/src/orifice.rs, Ellman and Piche 1999).
//!
//! What a rail holds is a function of its pressure, so that its volume and the fluid's stiffness do not matter: it is
//! back when as much has gone as came. D, n and p_g are the sheets', all else is the model's, with its fluid as cold
//! and dense as the bench sheet allows.

use crate::promised::within_ms;
use std::f64::consts::PI;
use stepwell_plant::Rig;
use stepwell_plant::constants::ZERO_CELSIUS_K;
use stepwell_plant::fluid::Fluid;
use stepwell_procedure::run::Plan;

/// For so long, in ms, rounded up, and one for when ticks come.
///
/// # Panics
/// When the pump delivers more than the dump lets out: then only relief valves bound the rail.
#[must_use]
pub fn above_guard_ms_max(plan: &Plan) -> usize {
    let rig = Rig::default();
    let fluid = Fluid::at(&rig.fluid, plan.bench.fluid_celsius.0 + ZERO_CELSIUS_K);
    let in_m3_per_s = plan.pump.displacement_m3_per_rev * plan.bench.drive.speed_max_rev_per_s * PI / 3.0;
    let speed_m_per_s = (2.0 * plan.pump.rail_guard_pa / fluid.density_kg_per_m3).sqrt();
    let out_m3_per_s = rig.low.discharge * rig.dump.open_area_m2 * speed_m_per_s;
    let stopped_s = within_ms("RailHigh") as f64 * 1e-3;
    let back_s = back_s(in_m3_per_s / out_m3_per_s, stopped_s, rig.dump.lag_s);
    ((stopped_s + back_s) * 1e3).ceil() as usize + 1
}

/// The time from the stop until as much has gone as came, in s; flow in is `share` of what the open dump lets out.
fn back_s(share: f64, stopped_s: f64, lag_s: f64) -> f64 {
    assert!(share < 1.0, "a dump that lets out less than the pump delivers");
    let left = |t_s: f64| share * (stopped_s + t_s) - t_s + lag_s * (1.0 - (-t_s / lag_s).exp());
    // It rises until as much goes as comes, and falls from there on.
    let mut from_s = -lag_s * (1.0 - share).ln();
    let mut to_s = (share * stopped_s + lag_s) / (1.0 - share);
    // Each halves it: to less than a nanosecond.
    for _ in 0..40 {
        let middle_s = 0.5 * (from_s + to_s);
        if left(middle_s) > 0.0 {
            from_s = middle_s;
        } else {
            to_s = middle_s;
        }
    }
    to_s
}

#[cfg(test)]
mod tests {
    use super::back_s;

    /// The same, step by step.
    fn stepped_s(share: f64, stopped_s: f64, lag_s: f64) -> f64 {
        let step_s = 1e-7;
        let (mut more, mut open, mut t_s) = (share * stopped_s, 0.0, 0.0);
        while more > 0.0 {
            open += step_s / lag_s * (1.0 - open);
            more += step_s * (share - open);
            t_s += step_s;
        }
        t_s
    }

    #[test]
    fn it_is_back_when_as_much_has_gone_as_came() {
        for share in [0.001, 0.03, 0.12, 0.6] {
            let (found_s, due_s) = (back_s(share, 20e-3, 20e-3), stepped_s(share, 20e-3, 20e-3));
            // First-order steps of 5e-6 of the lag.
            assert!((found_s - due_s).abs() < 1e-5 * (1.0 + due_s), "{share}: {found_s} s, {due_s} s");
        }
    }

    #[test]
    #[should_panic = "lets out less"]
    fn a_dump_that_is_too_small_bounds_nothing() {
        let _ = back_s(1.0, 20e-3, 20e-3);
    }
}
