//! A sliding mass with dry friction and two hard stops.
//!
//! Coulomb friction with a Stribeck drop is put in by implicit projection (time stepping after Moreau, 1988;
//! Studer, Leine and Glocker, 2008): unconditionally stable, and a stuck mass truly stands still.

/// Friction of a sliding mass.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FrictionParameters {
    /// Coulomb friction when sliding, N.
    pub sliding_n: f64,
    /// Friction to be overcome from rest, N.
    pub static_n: f64,
    /// Speed over which one goes to the other, m/s.
    pub stribeck_m_per_s: f64,
}

/// Position and speed of a sliding mass.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Slider {
    /// Position, m.
    pub x_m: f64,
    /// Speed, m/s.
    pub v_m_per_s: f64,
}

/// Constants of one projection step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Projection {
    dt_s: f64,
    /// `h/(m den)`, s/kg.
    gain_s_per_kg: f64,
    /// `1/den`, 1.
    per_den: f64,
}

impl Projection {
    /// For mass `m`, damping `c` N s/m and stiffness `k` N/m over `dt_s`: `den = 1 + h c/m + h^2 k/m`.
    pub fn new(dt_s: f64, mass_kg: f64, damping_n_s_per_m: f64, stiffness_n_per_m: f64) -> Self {
        let per_den = mass_kg / (mass_kg + dt_s * damping_n_s_per_m + dt_s * dt_s * stiffness_n_per_m);
        Self { dt_s, gain_s_per_kg: dt_s * per_den / mass_kg, per_den }
    }
}

impl Slider {
    /// Moves on under force `force_n` (springs taken at the present position; damping and stiffness are in
    /// `step`), between stops at 0 and `travel_m`, which are inelastic.
    pub fn advance(&mut self, force_n: f64, step: &Projection, friction: &FrictionParameters, travel_m: f64) {
        let free = self.v_m_per_s * step.per_den + force_n * step.gain_s_per_kg;
        let grip_n = if self.v_m_per_s == 0.0 {
            friction.static_n
        } else {
            let u = self.v_m_per_s / friction.stribeck_m_per_s;
            friction.sliding_n + (friction.static_n - friction.sliding_n) / (1.0 + u * u)
        };
        let held = grip_n * step.gain_s_per_kg;
        let v = if free > held {
            free - held
        } else if free < -held {
            free + held
        } else {
            0.0
        };
        let x = self.x_m + step.dt_s * v;
        *self = if x <= 0.0 {
            Self { x_m: 0.0, v_m_per_s: v.max(0.0) }
        } else if x >= travel_m {
            Self { x_m: travel_m, v_m_per_s: v.min(0.0) }
        } else {
            Self { x_m: x, v_m_per_s: v }
        };
    }
}
