//! The volume balance of a closed rail: what pressure a given inflow leads to.

use super::BuildUp;

/// Everything that is given, in the form the volume balance needs.
#[derive(Clone, Copy)]
pub(super) struct Rail {
    pub(super) atmosphere_pa: f64,
    pub(super) modulus_pa: f64,
    pub(super) modulus_slope: f64,
    pub(super) per_wall_pa: f64,
    pub(super) gas_exponent: f64,
    pub(super) gain: f64,
    pub(super) zero_pa: f64,
}

impl Rail {
    pub(super) fn of(rise: &BuildUp<'_>) -> Rail {
        Rail {
            atmosphere_pa: rise.atmosphere_pa.value,
            modulus_pa: rise.liquid_modulus_pa.value,
            modulus_slope: rise.modulus_slope,
            per_wall_pa: 1.0 / rise.wall_modulus_pa,
            gas_exponent: rise.gas_exponent.value,
            gain: rise.gain.value,
            zero_pa: 0.0,
        }
    }

    /// Stiffness of liquid and wall together at zero gauge pressure, Pa.
    pub(super) fn stiffness_pa(&self) -> f64 {
        1.0 / (1.0 / self.modulus_pa + self.per_wall_pa)
    }

    /// G, dG/dp and dG/dx at absolute pressure `p_pa` with air `x`.
    fn balance(&self, p_pa: f64, x: f64) -> (f64, f64, f64) {
        let gauge_pa = p_pa - self.atmosphere_pa;
        let modulus_pa = self.modulus_pa + self.modulus_slope * gauge_pa;
        let density = (modulus_pa / self.modulus_pa).powf(1.0 / self.modulus_slope);
        let squeezed = (self.atmosphere_pa / p_pa).powf(1.0 / self.gas_exponent);
        let volume = 1.0 + gauge_pa * self.per_wall_pa - x * squeezed;
        let slope =
            density * (volume / modulus_pa + self.per_wall_pa + x * squeezed / (self.gas_exponent * p_pa));
        (density * volume, slope, -density * squeezed)
    }

    /// Gauge pressure after `inflow` (volume per rail volume) has come in, and its derivatives
    /// with respect to start pressure (gauge), inflow and air.
    pub(super) fn pressure_after(&self, inflow: f64, start_gauge_pa: f64, x: f64) -> (f64, [f64; 3]) {
        let start_pa = start_gauge_pa + self.atmosphere_pa;
        if inflow <= 0.0 {
            return (start_gauge_pa, [1.0, 0.0, 0.0]);
        }
        let (g0, slope0, air0) = self.balance(start_pa, x);
        // First guess: constant stiffness and isothermal air, a quadratic in p.
        let a = 1.0 / self.stiffness_pa();
        let c = x * self.atmosphere_pa;
        let b = c / start_pa - a * start_pa - inflow;
        let mut p_pa = (-b + (b * b + 4.0 * a * c).sqrt()) / (2.0 * a);
        // G is rising and, where it bends, concave: Newton from any side lands left of the root
        // and climbs to it. Six steps leave rounding only.
        for _ in 0..6 {
            let (g, slope, _) = self.balance(p_pa, x);
            let step_pa = (g - g0 - inflow) / slope;
            p_pa = (p_pa - step_pa).max(start_pa);
            if step_pa.abs() < 1.0e-3 {
                break;
            }
        }
        let (_, slope, air) = self.balance(p_pa, x);
        (p_pa - self.atmosphere_pa, [slope0 / slope, 1.0 / slope, (air0 - air) / slope])
    }
}
