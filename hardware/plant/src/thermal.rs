//! Heat in a coil: copper and body as two nodes.
//!
//! `C_c dT_c/dt = P - (T_c - T_b)/R_cb`, `C_b dT_b/dt = (T_c - T_b)/R_cb - (T_b - T_amb)/R_ba`.

/// Heat capacities and resistances of one coil.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CoilHeatParameters {
    /// Heat capacity of the copper, J/K.
    pub copper_j_per_k: f64,
    /// Heat capacity of the body, J/K.
    pub body_j_per_k: f64,
    /// Copper to body, K/W.
    pub copper_to_body_k_per_w: f64,
    /// Body to ambient, K/W.
    pub body_to_ambient_k_per_w: f64,
}

impl Default for CoilHeatParameters {
    fn default() -> Self {
        Self {
            copper_j_per_k: 15.0,
            body_j_per_k: 120.0,
            copper_to_body_k_per_w: 6.0,
            body_to_ambient_k_per_w: 3.0,
        }
    }
}

/// Temperatures of one coil.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CoilHeat {
    /// Copper, K.
    pub copper_k: f64,
    /// Body, K.
    pub body_k: f64,
}

impl CoilHeat {
    /// Moves on by `dt_s` (well below the copper's 78 s) with `heat_j` put into the copper meanwhile.
    pub fn advance(&mut self, dt_s: f64, heat_j: f64, ambient_k: f64, coil: &CoilHeatParameters) {
        let inwards_w = (self.copper_k - self.body_k) / coil.copper_to_body_k_per_w;
        let outwards_w = (self.body_k - ambient_k) / coil.body_to_ambient_k_per_w;
        self.copper_k += (heat_j - dt_s * inwards_w) / coil.copper_j_per_k;
        self.body_k += dt_s * (inwards_w - outwards_w) / coil.body_j_per_k;
    }
}
