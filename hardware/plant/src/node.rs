//! A low-pressure volume: its contents are the state, its pressure follows.
//!
//! Integrating contents instead of pressure makes filling from empty, gas compression, cavitation and refilling
//! one rule, and conserves both liquid and gas.

use crate::constants::{P_ATMOSPHERE_PA, P_VAPOUR_PA};
use crate::fluid::Fluid;

/// Contents and pressure of a volume.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Node {
    /// Pressure, Pa absolute.
    pub p_pa: f64,
    /// Liquid, as its volume at one atmosphere, m3.
    pub liquid_m3: f64,
    /// Free gas, kg.
    pub gas_kg: f64,
}

impl Node {
    /// A volume full of liquid at one atmosphere.
    pub fn full(volume_m3: f64) -> Self {
        Self { p_pa: P_ATMOSPHERE_PA, liquid_m3: volume_m3, gas_kg: 0.0 }
    }

    /// A volume full of air at one atmosphere.
    pub fn empty(volume_m3: f64, fluid: &Fluid) -> Self {
        Self { p_pa: P_ATMOSPHERE_PA, liquid_m3: 0.0, gas_kg: fluid.gas_from_one_atmosphere_kg(volume_m3) }
    }

    /// Share of `volume_m3` that is gas, 0..=1.
    pub fn gas_share(&self, volume_m3: f64, fluid: &Fluid) -> f64 {
        if self.gas_kg == 0.0 {
            return 0.0;
        }
        (self.gas_kg * fluid.gas_j_per_kg / (self.p_pa * volume_m3)).min(1.0)
    }

    /// Moves liquid (m3 at one atmosphere) and gas (kg) in, or out if negative.
    pub fn add(&mut self, liquid_m3: f64, gas_kg: f64) {
        self.liquid_m3 += liquid_m3;
        self.gas_kg += gas_kg;
    }

    /// Brings the pressure into line with the contents: `V_L (1 - (p - p_a)/K0) + m R T/p = V` solved in closed
    /// form (a quadratic), not below vapour pressure. The last trace of gas is
    /// cut to none.
    pub fn settle(&mut self, volume_m3: f64, fluid: &Fluid) {
        if self.gas_kg < NO_GAS_KG {
            self.gas_kg = 0.0;
        }
        let k0 = fluid.bulk_modulus_pa;
        let a = self.liquid_m3 / k0;
        let b = self.liquid_m3 * (1.0 + P_ATMOSPHERE_PA / k0) - volume_m3;
        let c = self.gas_kg * fluid.gas_j_per_kg;
        let p = if a <= NO_LIQUID_M3_PER_PA {
            c / volume_m3
        } else {
            let root = libm::sqrt(b * b + 4.0 * a * c);
            if b > 0.0 { (b + root) / (2.0 * a) } else { 2.0 * c / (root - b + f64::MIN_POSITIVE) }
        };
        self.p_pa = p.max(P_VAPOUR_PA);
    }
}

/// Less gas than this is none, kg: a thousandth of a cubic micrometre at one atmosphere.
pub const NO_GAS_KG: f64 = 1e-21;
/// Below this much liquid over bulk modulus the volume holds gas only, m3/Pa.
const NO_LIQUID_M3_PER_PA: f64 = 1e-30;
