//! Three plungers on an eccentric, with spring-loaded inlet and delivery checks.
//!
//! Chamber volume follows the angle exactly. A chamber that could not fill keeps a void, and delivers only after
//! the void has closed: metering on the inlet, partial filling and gas binding need no equation of their own.

use core::f64::consts::PI;

use crate::constants::{P_ATMOSPHERE_PA, P_VAPOUR_PA};
use crate::fluid::Fluid;
use crate::orifice::{self, Flow, TRANSITION_FLOOR_PA};

/// Number of plungers.
pub const PLUNGERS: usize = 3;

/// What the pump is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PumpParameters {
    /// Displacement of all plungers, m3/rev.
    pub displacement_m3_per_rev: f64,
    /// Dead volume of each chamber, m3.
    pub dead_m3: f64,
    /// Opening pressure of the inlet checks, Pa.
    pub inlet_check_pa: f64,
    /// Opening pressure of the delivery checks, Pa.
    pub delivery_check_pa: f64,
    /// Area of each inlet check, m2.
    pub inlet_area_m2: f64,
    /// Area through which feed passes both checks of each plunger, m2.
    pub through_area_m2: f64,
    /// Clearance leak of each delivering plunger at reference viscosity, m3/(s Pa).
    pub leak_m3_per_s_pa: f64,
    /// Wear: factor on that leak, 1 = new.
    pub wear: f64,
    /// How far each inlet check opens, 0..=1; 0 is a dead plunger.
    pub inlet_opening: [f64; PLUNGERS],
    /// Mechanical efficiency, 1.
    pub efficiency: f64,
    /// Shaft angle at the start, rad.
    pub initial_angle_rad: f64,
}

impl Default for PumpParameters {
    fn default() -> Self {
        Self {
            displacement_m3_per_rev: 0.6e-6,
            dead_m3: 0.1e-6,
            inlet_check_pa: 0.4e5,
            delivery_check_pa: 2.8e5,
            inlet_area_m2: 2.0e-6,
            through_area_m2: 1.0e-6,
            leak_m3_per_s_pa: 2.0e-15,
            wear: 1.0,
            inlet_opening: [1.0; PLUNGERS],
            efficiency: 0.85,
            initial_angle_rad: 0.0,
        }
    }
}

impl PumpParameters {
    /// Swept volume of one plunger, m3.
    pub fn swept_m3(&self) -> f64 {
        self.displacement_m3_per_rev / PLUNGERS as f64
    }

    /// Volume of a chamber whose eccentric angle has cosine `cosine`, m3: `V_dead + V_sw/2 (1 - cos)`.
    pub fn chamber_m3(&self, cosine: f64) -> f64 {
        self.dead_m3 + 0.5 * self.swept_m3() * (1.0 - cosine)
    }

    /// Share of a full charge that survives compressing the dead volume, 1:
    /// `1 - (V_dead + V_sw)/V_sw (p4 - p3)/K`.
    pub fn compression_share(&self, rise_pa: f64, stiffness_pa: f64) -> f64 {
        let ratio = (self.dead_m3 + self.swept_m3()) / self.swept_m3();
        (1.0 - ratio * rise_pa.max(0.0) / stiffness_pa).max(0.0)
    }

    /// Volumetric efficiency of full filling at gauge pressure `gauge_pa` and `rev_per_s` > 0, 1:
    /// compression share less the mean leak of half the plungers.
    pub fn volumetric_efficiency(
        &self,
        gauge_pa: f64,
        compression_share: f64,
        viscosity_ratio: f64,
        rev_per_s: f64,
    ) -> f64 {
        let leak = 0.5 * PLUNGERS as f64 * self.leak_m3_per_s_pa * self.wear * gauge_pa / viscosity_ratio;
        compression_share - leak / (rev_per_s * self.displacement_m3_per_rev)
    }
}

/// Contents of one chamber.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Chamber {
    /// Liquid, m3.
    pub liquid_m3: f64,
    /// Gas, kg.
    pub gas_kg: f64,
}

/// Sine and cosine of an angle.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Turn {
    /// Sine.
    pub sine: f64,
    /// Cosine.
    pub cosine: f64,
}

/// The three eccentric angles `theta`, `theta + 120 deg`, `theta + 240 deg`.
pub fn turns(angle_rad: f64) -> [Turn; PLUNGERS] {
    const HALF_ROOT_3: f64 = 0.866_025_403_784_438_6;
    let (s, c) = libm::sincos(angle_rad);
    [
        Turn { sine: s, cosine: c },
        Turn { sine: -0.5 * s + HALF_ROOT_3 * c, cosine: -0.5 * c - HALF_ROOT_3 * s },
        Turn { sine: -0.5 * s - HALF_ROOT_3 * c, cosine: -0.5 * c + HALF_ROOT_3 * s },
    ]
}

/// The pump's state.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Pump {
    /// Shaft angle, rad, 0..2 pi.
    pub angle_rad: f64,
    /// Chambers.
    pub chambers: [Chamber; PLUNGERS],
    turns: [Turn; PLUNGERS],
}

/// What the pump sees of the rig at the start of a step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Surroundings {
    /// Gallery pressure, Pa.
    pub gallery_pa: f64,
    /// Gas share of what leaves the gallery for the through-flow, 1.
    pub gallery_gas_share: f64,
    /// Gas share of this stroke's intake (the gallery's, with bubbles), 1.
    pub intake_gas_share: f64,
    /// Rail pressure, Pa.
    pub rail_pa: f64,
    /// Stiffness of liquid and wall at rail pressure, Pa.
    pub rail_stiffness_pa: f64,
    /// Discharge coefficient, 1.
    pub discharge: f64,
}

/// What the pump is about to do in a step, before pressures have moved.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Plan {
    intake: [Flow; PLUNGERS],
    volume_m3: [f64; PLUNGERS],
    compression_share: f64,
    leak_m3_per_s: f64,
    vented_pa: f64,
    /// All intakes together; the slope is by gallery pressure.
    pub intake_total: Flow,
    /// Feed that passes both checks; the slope is by gallery less rail pressure.
    pub through: Flow,
    /// Volume pushed into the rail, m3/s at delivery pressure.
    pub delivery_m3_per_s: f64,
    /// Torque on the shaft, N m.
    pub torque_n_m: f64,
}

/// What moved in a step, liquid as m3 at one atmosphere, gas as kg.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Moved {
    /// Liquid drawn from the gallery.
    pub drawn_m3: f64,
    /// Gas drawn from the gallery.
    pub drawn_kg: f64,
    /// Liquid given to the rail.
    pub delivered_m3: f64,
    /// Gas given to the rail.
    pub delivered_kg: f64,
    /// Liquid pushed back to the gallery by dead-volume expansion.
    pub returned_m3: f64,
    /// Liquid lost past the plungers.
    pub leaked_m3: f64,
}

impl Pump {
    /// A pump at its initial angle, chambers full of liquid.
    pub fn full(pump: &PumpParameters) -> Self {
        Self::with(pump, |volume_m3| Chamber { liquid_m3: volume_m3, gas_kg: 0.0 })
    }

    /// A pump at its initial angle, chambers full of air at one atmosphere.
    pub fn empty(pump: &PumpParameters, fluid: &Fluid) -> Self {
        Self::with(pump, |volume_m3| Chamber {
            liquid_m3: 0.0,
            gas_kg: fluid.gas_from_one_atmosphere_kg(volume_m3),
        })
    }

    fn with(pump: &PumpParameters, contents: impl Fn(f64) -> Chamber) -> Self {
        let turns = turns(pump.initial_angle_rad);
        Self {
            angle_rad: pump.initial_angle_rad,
            chambers: turns.map(|turn| contents(pump.chamber_m3(turn.cosine))),
            turns,
        }
    }

    /// Turns the shaft by `omega_rad_per_s * dt_s` and works out what that asks for.
    pub fn plan(
        &mut self,
        dt_s: f64,
        omega_rad_per_s: f64,
        around: &Surroundings,
        pump: &PumpParameters,
        fluid: &Fluid,
    ) -> Plan {
        let rt = fluid.gas_j_per_kg;
        if omega_rad_per_s != 0.0 {
            self.angle_rad += dt_s * omega_rad_per_s;
            if self.angle_rad > 2.0 * PI {
                self.angle_rad -= 2.0 * PI;
            }
            self.turns = turns(self.angle_rad);
        }
        let density = fluid.mixture_density_kg_per_m3(around.gallery_gas_share, around.gallery_pa);
        let filling_pa = (around.gallery_pa - pump.inlet_check_pa).max(P_VAPOUR_PA);
        let vented_pa = around.rail_pa + pump.delivery_check_pa;
        let suction_pa = around.gallery_pa - pump.inlet_check_pa - P_VAPOUR_PA;
        let passing_pa = around.gallery_pa - around.rail_pa - pump.inlet_check_pa - pump.delivery_check_pa;
        let widest = if suction_pa > 0.0 {
            let area = around.discharge * pump.inlet_area_m2;
            orifice::orifice(suction_pa, area, density, TRANSITION_FLOOR_PA).with_secant(suction_pa)
        } else {
            Flow::NONE
        };
        let passing = if passing_pa > 0.0 {
            let area = around.discharge * pump.through_area_m2;
            orifice::orifice(passing_pa, area, density, TRANSITION_FLOOR_PA).with_secant(passing_pa)
        } else {
            Flow::NONE
        };
        let gauge = (around.rail_pa - P_ATMOSPHERE_PA).max(0.0);
        let mut plan = Plan {
            compression_share: pump
                .compression_share(around.rail_pa - around.gallery_pa, around.rail_stiffness_pa),
            leak_m3_per_s: pump.leak_m3_per_s_pa * pump.wear / fluid.viscosity_ratio * gauge,
            vented_pa,
            ..Plan::default()
        };
        let half_swept = 0.5 * pump.swept_m3();
        let per_dt = 1.0 / dt_s;
        for (j, (chamber, turn)) in self.chambers.iter().zip(&self.turns).enumerate() {
            let volume = pump.chamber_m3(turn.cosine);
            let rate = half_swept * omega_rad_per_s * turn.sine;
            plan.volume_m3[j] = volume;
            let gas = chamber.gas_kg * rt;
            let void = (volume - chamber.liquid_m3 - gas / filling_pa) * per_dt;
            let opening = pump.inlet_opening[j];
            let most = widest.q_m3_per_s * opening;
            if void > 0.0 {
                plan.intake[j] = if void < most {
                    Flow { q_m3_per_s: void, slope_m3_per_s_pa: 0.0 }
                } else {
                    Flow { q_m3_per_s: most, slope_m3_per_s_pa: widest.slope_m3_per_s_pa * opening }
                };
                plan.intake_total.q_m3_per_s += plan.intake[j].q_m3_per_s;
                plan.intake_total.slope_m3_per_s_pa += plan.intake[j].slope_m3_per_s_pa;
            }
            let past = (passing.q_m3_per_s - 0.5 * rate.abs()) * opening;
            if past > 0.0 {
                plan.through.q_m3_per_s += past;
                plan.through.slope_m3_per_s_pa += passing.slope_m3_per_s_pa * opening;
            }
            let excess = chamber.liquid_m3 + gas / vented_pa - volume;
            if excess > 0.0 {
                plan.delivery_m3_per_s += excess * per_dt;
                if rate < 0.0 {
                    plan.torque_n_m += (around.rail_pa - P_ATMOSPHERE_PA) * (-half_swept * turn.sine);
                }
            }
        }
        plan.delivery_m3_per_s *= plan.compression_share;
        plan.torque_n_m = (plan.torque_n_m / pump.efficiency).max(0.0);
        plan
    }

    /// Carries the plan out with the gallery pressure having moved by `gallery_change_pa`.
    pub fn carry_out(
        &mut self,
        dt_s: f64,
        plan: &Plan,
        gallery_change_pa: f64,
        around: &Surroundings,
        fluid: &Fluid,
    ) -> Moved {
        let rt = fluid.gas_j_per_kg;
        let gas_kg_per_m3 = around.gallery_pa / rt;
        let mut moved = Moved::default();
        for j in 0..PLUNGERS {
            let drawn = dt_s * plan.intake[j].after(gallery_change_pa).max(0.0);
            let drawn_m3 = (1.0 - around.intake_gas_share) * drawn;
            let drawn_kg = around.intake_gas_share * drawn * gas_kg_per_m3;
            moved.drawn_m3 += drawn_m3;
            moved.drawn_kg += drawn_kg;
            let chamber = &mut self.chambers[j];
            chamber.liquid_m3 += drawn_m3;
            chamber.gas_kg += drawn_kg;
            let gas_m3 = chamber.gas_kg * rt / plan.vented_pa;
            let mut excess = chamber.liquid_m3 + gas_m3 - plan.volume_m3[j];
            if excess <= 0.0 {
                continue;
            }
            if self.turns[j].sine < 0.0 && around.rail_pa > around.gallery_pa {
                let leaked = (dt_s * plan.leak_m3_per_s).min(excess).min(chamber.liquid_m3);
                chamber.liquid_m3 -= leaked;
                excess -= leaked;
                moved.leaked_m3 += leaked;
            }
            let held = chamber.liquid_m3 + gas_m3;
            let share = if held > 0.0 { excess / held } else { 0.0 };
            let out_m3 = share * chamber.liquid_m3;
            let out_kg = share * chamber.gas_kg;
            chamber.liquid_m3 -= out_m3;
            chamber.gas_kg -= out_kg;
            moved.delivered_m3 += out_m3 * plan.compression_share;
            moved.returned_m3 += out_m3 * (1.0 - plan.compression_share);
            moved.delivered_kg += out_kg;
        }
        moved
    }
}
