//! The rail: liquid, free, trapped and dissolved air in a slightly elastic volume, and what leaves it.
//!
//! `V_L/c(p) + (m_free + m_trapped) R T/p = V (1 + (p - p_a)/K_wall)`, solved for `p` by Newton's method.

use crate::constants::{P_ATMOSPHERE_PA, P_VAPOUR_PA};
use crate::fluid::{Fluid, outlet_gas_share};
use crate::node::NO_GAS_KG;
use crate::orifice::{self, Flow};

/// What the rail and its fittings are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RailParameters {
    /// Volume with its pipes, m3.
    pub volume_m3: f64,
    /// Stiffness of the wall, Pa.
    pub wall_pa: f64,
    /// Laminar leak to tank at reference viscosity, m3/(s Pa).
    pub leak_m3_per_s_pa: f64,
    /// Gauge pressure at which the relief valve opens, Pa.
    pub relief_pa: f64,
    /// Slope of the open relief valve, m3/(s Pa).
    pub relief_m3_per_s_pa: f64,
    /// Slip of free gas on its way out, 1; below 1 gas is held back.
    pub slip: f64,
    /// Slip of gas leaving at the union, which stands on top, 1.
    pub union_slip: f64,
    /// Share of an empty rail's air that ends up in high points.
    pub trapped_share: f64,
    /// Share of the trapped gas carried off per rail volume of flow, 1.
    pub entrainment: f64,
    /// Gas the oil can dissolve, volume per volume and atmosphere, 1.
    pub solubility: f64,
    /// Time in which gas dissolves, s.
    pub dissolving_s: f64,
    /// Time in which it comes out again, s.
    pub releasing_s: f64,
    /// Share of dissolved gas that comes out as bubbles behind the seat, 1.
    pub bubbling_share: f64,
    /// Volume of the return line, m3.
    pub return_m3: f64,
    /// Back-pressure of the return line, Pa s2/m6.
    pub return_pa_s2_per_m6: f64,
}

impl Default for RailParameters {
    fn default() -> Self {
        Self {
            volume_m3: 25e-6,
            wall_pa: 50e9,
            leak_m3_per_s_pa: 4.5e-16,
            relief_pa: 180e6,
            relief_m3_per_s_pa: 4e-12,
            slip: 0.6,
            union_slip: 2.0,
            trapped_share: 0.05,
            entrainment: 0.02,
            solubility: 0.12,
            dissolving_s: 5.0,
            releasing_s: 1.0,
            bubbling_share: 0.5,
            return_m3: 30e-6,
            return_pa_s2_per_m6: 2e13,
        }
    }
}

/// A hand-operated or solenoid opening from the rail to the outside.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OpeningParameters {
    /// Area when open, m2.
    pub open_area_m2: f64,
    /// Time constant of its movement, s.
    pub lag_s: f64,
    /// Whether what holds a solenoid opening shut has power.
    pub powered: bool,
    /// Where it is jammed, share of the open area; `None` moves freely.
    pub jammed_at: Option<f64>,
}

impl OpeningParameters {
    /// The rig's dump: 1 mm bore, 20 ms.
    pub fn dump() -> Self {
        Self { open_area_m2: 0.785e-6, lag_s: 20e-3, powered: true, jammed_at: None }
    }

    /// A union cracked by hand: 0.3 mm2 in about a third of a second.
    pub fn union() -> Self {
        Self { open_area_m2: 0.3e-6, lag_s: 0.3, powered: true, jammed_at: None }
    }
}

/// State of an opening: its present area, m2.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Opening {
    /// Present area, m2.
    pub area_m2: f64,
}

/// An opening this near its goal, share of the open area, is there: it closes tight in the end.
const ARRIVED: f64 = 1e-4;

impl Opening {
    /// Where the opening is heading, m2.
    pub fn goal_m2(open: bool, opening: &OpeningParameters) -> f64 {
        let share = opening.jammed_at.unwrap_or(if open { 1.0 } else { 0.0 });
        share * opening.open_area_m2
    }

    /// Moves on by `dt_s`: first order towards open or shut, implicit.
    pub fn advance(&mut self, dt_s: f64, open: bool, opening: &OpeningParameters) {
        let goal = Self::goal_m2(open, opening);
        if self.area_m2 == goal {
            return;
        }
        let next = self.area_m2 + dt_s / (dt_s + opening.lag_s) * (goal - self.area_m2);
        self.area_m2 = if (next - goal).abs() <= ARRIVED * opening.open_area_m2 { goal } else { next };
    }

    /// Flow out at rail pressure `p_pa`, negative when the outside is sucked back in.
    pub fn flow(&self, p_pa: f64, density_kg_per_m3: f64, viscosity_m2_per_s: f64, discharge: f64) -> Flow {
        if self.area_m2 <= 0.0 {
            return Flow::NONE;
        }
        let diameter = orifice::round_diameter_m(self.area_m2);
        let transition = orifice::transition_pa(density_kg_per_m3, viscosity_m2_per_s, discharge, diameter);
        orifice::orifice(p_pa - P_ATMOSPHERE_PA, discharge * self.area_m2, density_kg_per_m3, transition)
    }
}

/// Contents and pressure of the rail.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rail {
    /// Pressure, Pa absolute.
    pub p_pa: f64,
    /// Liquid, as its volume at one atmosphere, m3.
    pub liquid_m3: f64,
    /// Free gas, kg.
    pub free_kg: f64,
    /// Gas trapped in high points, kg.
    pub trapped_kg: f64,
    /// Dissolved gas, kg.
    pub dissolved_kg: f64,
    /// Gas share in the return line, 0..=1.
    pub return_gas_share: f64,
    /// `c(p)` at the present pressure, 1.
    pub compression: f64,
    /// The base whose power that is, 1.
    base: f64,
}

impl Rail {
    /// A rail at `p_pa` holding `air_m3` of free air (measured at one atmosphere), the rest liquid.
    pub fn primed(p_pa: f64, air_m3: f64, rail: &RailParameters, fluid: &Fluid) -> Self {
        let compression = fluid.compression(p_pa);
        let gas_m3 = air_m3 * P_ATMOSPHERE_PA / p_pa;
        let volume = rail.volume_m3 * (1.0 + (p_pa - P_ATMOSPHERE_PA) / rail.wall_pa);
        Self {
            p_pa,
            liquid_m3: (volume - gas_m3).max(0.0) * compression,
            free_kg: fluid.gas_from_one_atmosphere_kg(air_m3),
            trapped_kg: 0.0,
            dissolved_kg: 0.0,
            return_gas_share: 0.0,
            compression,
            base: fluid.compression_base(p_pa),
        }
    }

    /// A rail full of air at one atmosphere, some of it in high points.
    pub fn empty(rail: &RailParameters, fluid: &Fluid) -> Self {
        let all = fluid.gas_from_one_atmosphere_kg(rail.volume_m3);
        Self {
            liquid_m3: 0.0,
            free_kg: all * (1.0 - rail.trapped_share),
            trapped_kg: all * rail.trapped_share,
            return_gas_share: 1.0,
            ..Self::primed(P_ATMOSPHERE_PA, 0.0, rail, fluid)
        }
    }

    /// Share of the volume that is undissolved gas, 0..=1.
    pub fn gas_share(&self, rail: &RailParameters, fluid: &Fluid) -> f64 {
        if self.free_kg + self.trapped_kg == 0.0 {
            return 0.0;
        }
        ((self.free_kg + self.trapped_kg) * fluid.gas_j_per_kg / (self.p_pa * rail.volume_m3)).min(1.0)
    }

    /// Gas share of what flows out, with slip `slip`, 0..=1. The last of the liquid, under a thousandth of the volume,
    /// leaves in proportion to what is left of it.
    pub fn outlet_gas_share(&self, slip: f64, rail: &RailParameters, fluid: &Fluid) -> f64 {
        if self.free_kg == 0.0 {
            return 0.0;
        }
        let mobile = (self.free_kg * fluid.gas_j_per_kg / (self.p_pa * rail.volume_m3)).min(1.0);
        let liquid = 1.0 - self.gas_share(rail, fluid);
        outlet_gas_share(mobile, slip).max(1.0 - LAST_LIQUID * liquid)
    }

    /// Computes `c(p)` afresh: after a temperature change, and to shed rounding.
    pub fn refresh(&mut self, fluid: &Fluid) {
        self.base = fluid.compression_base(self.p_pa);
        self.compression = fluid.compression(self.p_pa);
    }

    /// Brings the pressure into line with the contents, starting from `guess_pa`: two Newton steps, not below
    /// vapour pressure. The last trace of free gas is cut to none.
    pub fn settle(&mut self, guess_pa: f64, rail: &RailParameters, fluid: &Fluid) {
        if self.free_kg < NO_GAS_KG {
            self.free_kg = 0.0;
        }
        let gas = (self.free_kg + self.trapped_kg) * fluid.gas_j_per_kg;
        let stretch = rail.volume_m3 / rail.wall_pa;
        let k0 = fluid.bulk_modulus_pa;
        let mut p = guess_pa.max(P_VAPOUR_PA);
        for _ in 0..2 {
            self.move_compression(p, fluid);
            let liquid = self.liquid_m3 / self.compression;
            let gas_m3 = gas / p;
            // What is too much, over -d/dp of it: liquid/(K0 base) + gas/p^2 + V/K_wall.
            let k = k0 * self.base;
            let volume = rail.volume_m3 + stretch * (p - P_ATMOSPHERE_PA);
            let divisor = (liquid + stretch * k) * p + gas_m3 * k;
            let excess = (liquid + gas_m3 - volume) * k * p;
            p = if divisor > 0.0 { (p + excess / divisor).max(0.2 * p) } else { P_VAPOUR_PA };
        }
        self.p_pa = p.max(P_VAPOUR_PA);
        self.move_compression(self.p_pa, fluid);
    }

    /// Carries `c(p)` along to `p_pa`: by series while the change is small, by power otherwise.
    fn move_compression(&mut self, p_pa: f64, fluid: &Fluid) {
        let base = fluid.compression_base(p_pa);
        let e = (base - self.base) / self.base;
        self.compression = if e.abs() < SERIES_MAX {
            self.compression * fluid.compression_change(e)
        } else {
            fluid.compression(p_pa)
        };
        self.base = base;
    }

    /// Exchange of air between free, trapped and dissolved over `dt_s` while `out_m3_per_s` flows off. Returns the
    /// dissolved gas that left with it, kg/s.
    ///
    /// Trapped gas is entrained at `k q/V`; the dissolved mass approaches `S V (1 - phi) p/(R T)`, slower in than
    /// out.
    pub fn exchange(&mut self, dt_s: f64, out_m3_per_s: f64, rail: &RailParameters, fluid: &Fluid) -> f64 {
        let undissolved = self.free_kg + self.trapped_kg;
        if undissolved <= 0.0 && self.dissolved_kg <= 0.0 {
            return 0.0;
        }
        let renewal = (out_m3_per_s.max(0.0) / rail.volume_m3).min(1.0 / dt_s);
        let leaving = self.dissolved_kg * renewal;
        let entrained = rail.entrainment * renewal * self.trapped_kg;
        let gas_share = self.gas_share(rail, fluid);
        let target = rail.solubility * rail.volume_m3 * (1.0 - gas_share) * self.p_pa / fluid.gas_j_per_kg;
        let gap = target - self.dissolved_kg;
        let dissolving =
            if gap > 0.0 { gap.min(undissolved) / rail.dissolving_s } else { gap / rail.releasing_s };
        let free_share = if undissolved > LITTLE_GAS_KG { self.free_kg / undissolved } else { 1.0 };
        self.free_kg = (self.free_kg + dt_s * (entrained - dissolving * free_share)).max(0.0);
        self.trapped_kg = (self.trapped_kg - dt_s * (entrained + dissolving * (1.0 - free_share))).max(0.0);
        self.dissolved_kg = (self.dissolved_kg + dt_s * (dissolving - leaving)).max(0.0);
        leaving
    }

    /// Mixes the return line over `dt_s`: `liquid` m3/s of oil and `gas_kg_per_s` came in. Returns what the line
    /// passes on, m3/s at one atmosphere, gas counted as volume.
    pub fn mix_return(
        &mut self,
        dt_s: f64,
        liquid_m3_per_s: f64,
        gas_kg_per_s: f64,
        rail: &RailParameters,
        fluid: &Fluid,
    ) -> f64 {
        let gas = fluid.gas_at_one_atmosphere_m3(gas_kg_per_s);
        let total = liquid_m3_per_s + gas;
        if total > NO_FLOW_M3_PER_S {
            let renewed = (dt_s * total / rail.return_m3).min(1.0);
            self.return_gas_share += renewed * (gas / total - self.return_gas_share);
        }
        total
    }
}

/// Largest change of the compression base that the series carries.
const SERIES_MAX: f64 = 0.01;
/// Of less undissolved gas than this, kg, it does not matter where it is.
const LITTLE_GAS_KG: f64 = 1e-18;
/// Share of liquid in the outflow over its share in the rail, at most.
const LAST_LIQUID: f64 = 100.0;
/// Less flow than this mixes nothing, m3/s.
const NO_FLOW_M3_PER_S: f64 = 1e-12;
