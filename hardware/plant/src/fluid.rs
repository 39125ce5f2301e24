//! The oil: a diesel-like calibration oil with dissolved and free air.
//!
//! Laws follow ISO 4113:2010 for density at 15 degC (820-830 kg/m3) and kinematic viscosity at 40 degC
//! (2.45-2.75 mm2/s). The isentropic bulk modulus is used for everything, slow or fast; the isothermal one is
//! 1.15-1.2 times smaller. Slopes without a source are from memory.

use crate::constants::{AIR_J_PER_KG_K, P_ATMOSPHERE_PA};

/// What the oil is made of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FluidParameters {
    /// Density at 15 degC and one atmosphere, kg/m3 (ISO 4113: 820-830).
    pub density_15_kg_per_m3: f64,
    /// Change of density with temperature, kg/(m3 K).
    pub density_slope_kg_per_m3_k: f64,
    /// `A` of the Walther viscosity law (ASTM D341).
    pub walther_a: f64,
    /// `B` of the Walther viscosity law (ASTM D341).
    pub walther_b: f64,
    /// Bulk modulus at 20 degC and one atmosphere, Pa.
    pub bulk_modulus_20_pa: f64,
    /// Change of bulk modulus with temperature, Pa/K.
    pub bulk_modulus_slope_pa_per_k: f64,
    /// Change of bulk modulus with pressure, Pa/Pa.
    pub bulk_modulus_per_pa: f64,
    /// Dynamic viscosity to which all laminar conductances are referred, Pa s.
    pub viscosity_reference_pa_s: f64,
    /// Heat capacity, J/(kg K).
    pub heat_capacity_j_per_kg_k: f64,
    /// Temperature at the start, K.
    pub initial_temperature_k: f64,
}

impl Default for FluidParameters {
    fn default() -> Self {
        Self {
            density_15_kg_per_m3: 825.0,
            density_slope_kg_per_m3_k: -0.70,
            walther_a: 10.5029,
            walther_b: 4.3226,
            bulk_modulus_20_pa: 1.50e9,
            bulk_modulus_slope_pa_per_k: -8.5e6,
            bulk_modulus_per_pa: 10.5,
            viscosity_reference_pa_s: 2.10e-3,
            heat_capacity_j_per_kg_k: 2_000.0,
            initial_temperature_k: 313.15,
        }
    }
}

/// Kinematic viscosity at one atmosphere, m2/s, by `log10 log10(nu + 0.7) = A - B log10 T` with nu in mm2/s
/// (Walther, ASTM D341).
pub fn kinematic_viscosity_m2_per_s(oil: &FluidParameters, temperature_k: f64) -> f64 {
    let loglog = oil.walther_a - oil.walther_b * libm::log10(temperature_k);
    (libm::pow(10.0, libm::pow(10.0, loglog)) - 0.7) * 1e-6
}

/// The oil at one temperature: everything the step needs, computed once for many steps.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fluid {
    /// Temperature, K.
    pub temperature_k: f64,
    /// Density at one atmosphere, kg/m3.
    pub density_kg_per_m3: f64,
    /// Kinematic viscosity at one atmosphere, m2/s.
    pub viscosity_m2_per_s: f64,
    /// Dynamic viscosity over its reference value, 1.
    pub viscosity_ratio: f64,
    /// Bulk modulus at one atmosphere `K0`, Pa.
    pub bulk_modulus_pa: f64,
    /// Slope of the bulk modulus `K'`, Pa/Pa.
    pub bulk_modulus_per_pa: f64,
    /// `R T` of air at this temperature, J/kg.
    pub gas_j_per_kg: f64,
    /// `1/(R T)`, kg/J.
    pub gas_kg_per_j: f64,
    /// `K'/K0`, 1/Pa.
    base_per_pa: f64,
    /// `1/K0`, 1/Pa.
    compressibility_per_pa: f64,
    /// `1/K'`, the exponent of the compression law, 1.
    exponent: f64,
}

impl Fluid {
    /// The oil at `temperature_k`.
    pub fn at(oil: &FluidParameters, temperature_k: f64) -> Self {
        let density = oil.density_15_kg_per_m3 + oil.density_slope_kg_per_m3_k * (temperature_k - 288.15);
        let nu = kinematic_viscosity_m2_per_s(oil, temperature_k);
        let bulk_modulus_pa =
            oil.bulk_modulus_20_pa + oil.bulk_modulus_slope_pa_per_k * (temperature_k - 293.15);
        Self {
            temperature_k,
            density_kg_per_m3: density,
            viscosity_m2_per_s: nu,
            viscosity_ratio: nu * density / oil.viscosity_reference_pa_s,
            bulk_modulus_pa,
            bulk_modulus_per_pa: oil.bulk_modulus_per_pa,
            gas_j_per_kg: AIR_J_PER_KG_K * temperature_k,
            gas_kg_per_j: 1.0 / (AIR_J_PER_KG_K * temperature_k),
            base_per_pa: oil.bulk_modulus_per_pa / bulk_modulus_pa,
            compressibility_per_pa: 1.0 / bulk_modulus_pa,
            exponent: 1.0 / oil.bulk_modulus_per_pa,
        }
    }

    /// Base of the compression law, `1 + K' (p - p_a) / K0`, 1.
    pub fn compression_base(&self, p_pa: f64) -> f64 {
        1.0 + self.base_per_pa * (p_pa - P_ATMOSPHERE_PA)
    }

    /// How much denser the liquid is than at one atmosphere: `c(p) = (1 + K' (p - p_a)/K0)^(1/K')`, 1, the
    /// integral of `dp/K` with `K` linear in pressure.
    pub fn compression(&self, p_pa: f64) -> f64 {
        libm::pow(self.compression_base(p_pa), self.exponent)
    }

    /// How `c` changes when the base of its law grows by the small share `e`, |e| < 0.01: `(1 + e)^(1/K')` to fifth
    /// order, good to 1e-13.
    pub fn compression_change(&self, e: f64) -> f64 {
        let n = self.exponent;
        let (n2, n3, n4, n5) = ((n - 1.0) / 2.0, (n - 2.0) / 3.0, (n - 3.0) / 4.0, (n - 4.0) / 5.0);
        1.0 + n * e * (1.0 + n2 * e * (1.0 + n3 * e * (1.0 + n4 * e * (1.0 + n5 * e))))
    }

    /// `c(p)` for the low-pressure side, where one linear term is enough: `1 + (p - p_a)/K0`, 1.
    pub fn compression_low(&self, p_pa: f64) -> f64 {
        1.0 + (p_pa - P_ATMOSPHERE_PA) * self.compressibility_per_pa
    }

    /// Bulk modulus of the liquid at `p_pa` in series with the wall's `wall_pa`, Pa.
    pub fn stiffness_pa(&self, p_pa: f64, wall_pa: f64) -> f64 {
        let k = self.bulk_modulus_pa + self.bulk_modulus_per_pa * (p_pa - P_ATMOSPHERE_PA);
        k / (1.0 + k / wall_pa)
    }

    /// Effective stiffness of liquid with a free-gas share, Pa: `1/K = (1 - phi)/K_liquid + phi/p` (isothermal
    /// gas; form of the fluid bulk modulus survey by Gholizadeh, Burton and Schoenau, 2011).
    pub fn mixture_stiffness_pa(&self, gas_share: f64, p_pa: f64, wall_pa: f64) -> f64 {
        let k = self.stiffness_pa(p_pa, wall_pa);
        k * p_pa / ((1.0 - gas_share) * p_pa + gas_share * k)
    }

    /// Density of a flowing mixture, kg/m3: `(1 - phi) rho + phi p/(R T)`.
    pub fn mixture_density_kg_per_m3(&self, gas_share: f64, p_pa: f64) -> f64 {
        (1.0 - gas_share) * self.density_kg_per_m3 + gas_share * p_pa * self.gas_kg_per_j
    }

    /// Volume of `gas_kg` of air at one atmosphere, m3.
    pub fn gas_at_one_atmosphere_m3(&self, gas_kg: f64) -> f64 {
        gas_kg * self.gas_j_per_kg / P_ATMOSPHERE_PA
    }

    /// Mass of `volume_m3` of air measured at one atmosphere, kg.
    pub fn gas_from_one_atmosphere_kg(&self, volume_m3: f64) -> f64 {
        volume_m3 * P_ATMOSPHERE_PA * self.gas_kg_per_j
    }
}

/// Gas share of what leaves a volume holding gas share `phi`, with slip `k`: `k phi / (1 + (k - 1) phi)`.
/// `k = 1` is well mixed, above 1 gas leaves first, below 1 gas is held back.
pub fn outlet_gas_share(phi: f64, k: f64) -> f64 {
    if phi == 0.0 {
        return 0.0;
    }
    k * phi / (1.0 + (k - 1.0) * phi)
}
