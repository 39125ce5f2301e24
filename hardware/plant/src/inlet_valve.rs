//! The inlet-metering valve: a spool that current pulls against a spring, and its metering slot.
//!
//! Travel `x` is 0 without current. Normally open: the slot is widest at `x = 0`; normally closed: at full travel.

use crate::coil::{Armature, CoilParameters};
use crate::friction::{FrictionParameters, Projection, Slider};

/// Where a valve stands without current.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ValveRest {
    /// Open without current.
    Open,
    /// Closed without current.
    Closed,
}

/// What an inlet valve is made of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct InletValveParameters {
    /// Where it stands without current.
    pub rest: ValveRest,
    /// Moving mass, kg.
    pub mass_kg: f64,
    /// Viscous damping, N s/m.
    pub damping_n_s_per_m: f64,
    /// Spring rate, N/m.
    pub spring_n_per_m: f64,
    /// Spring force at `x = 0`, N.
    pub preload_n: f64,
    /// Full travel, m.
    pub travel_m: f64,
    /// Dry friction.
    pub friction: FrictionParameters,
    /// Area of the slot when fully open, m2.
    pub open_area_m2: f64,
    /// Travel from open at which the slot is covered, m.
    pub covered_m: f64,
    /// Leak past the covered slot, m2.
    pub leak_area_m2: f64,
    /// Closing flow force over area times pressure drop, 1 (about `2 C_d cos 69 deg`; Merritt, 1967).
    pub flow_force: f64,
}

impl Default for InletValveParameters {
    fn default() -> Self {
        Self {
            rest: ValveRest::Open,
            mass_kg: 0.020,
            damping_n_s_per_m: 25.0,
            spring_n_per_m: 5_000.0,
            preload_n: 1.8,
            travel_m: 1.0e-3,
            friction: FrictionParameters { sliding_n: 0.25, static_n: 0.35, stribeck_m_per_s: 5e-3 },
            open_area_m2: 2.0e-6,
            covered_m: 0.90e-3,
            leak_area_m2: 6e-9,
            flow_force: 0.43,
        }
    }
}

impl InletValveParameters {
    /// Area open to flow at travel `x_m`, m2: `A_leak + A_max (1 - y/y_c)^1.5`, `y` = travel away from open.
    pub fn area_m2(&self, x_m: f64) -> f64 {
        let from_open = match self.rest {
            ValveRest::Open => x_m,
            ValveRest::Closed => self.travel_m - x_m,
        };
        let u = (1.0 - from_open / self.covered_m).max(0.0);
        self.leak_area_m2 + self.open_area_m2 * u * libm::sqrt(u)
    }

    /// Net force towards larger travel except damping and friction, N, under magnetic force `magnet_n` and
    /// pressure drop `drop_pa` across the slot. The flow force always works towards closed.
    pub fn force_n(&self, x_m: f64, magnet_n: f64, drop_pa: f64) -> f64 {
        let flow_n = self.flow_force * self.area_m2(x_m) * drop_pa;
        let closing = match self.rest {
            ValveRest::Open => flow_n,
            ValveRest::Closed => -flow_n,
        };
        magnet_n - self.preload_n - self.spring_n_per_m * x_m + closing
    }

    /// The projection constants for steps of `dt_s`.
    pub fn projection(&self, dt_s: f64) -> Projection {
        Projection::new(dt_s, self.mass_kg, self.damping_n_s_per_m, self.spring_n_per_m)
    }

    /// How the armature loads the coil: inductance grows with travel.
    pub fn armature(&self, coil: &CoilParameters, spool: &Slider) -> Armature {
        Armature {
            force_h: coil.gap_h + coil.gradient_h_per_m * spool.x_m,
            emf_v_per_a: coil.gradient_h_per_m * spool.v_m_per_s,
        }
    }
}
