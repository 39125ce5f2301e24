//! The pressure-control valve: a poppet on a seat that rail pressure lifts and the magnet holds down.
//!
//! Lift `x` is 0 on the seat. Normally open: current closes, a light spring opens, and without current the rail
//! empties. Normally closed: a spring holds the poppet down and current lifts it, so losing current keeps or
//! raises rail pressure.

use core::f64::consts::{FRAC_1_SQRT_2, PI};

use crate::coil::{Armature, CoilParameters};
use crate::constants::P_ATMOSPHERE_PA;
use crate::friction::{FrictionParameters, Projection, Slider};
use crate::inlet_valve::ValveRest;
use crate::orifice::{self, Flow};

/// Smallest hydraulic diameter of the seat gap, m, so that a seated poppet has a finite transition pressure.
const GAP_DIAMETER_MIN_M: f64 = 5e-6;

/// What a pressure valve is made of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PressureValveParameters {
    /// Whether the pump has one. Without, nothing flows here and no coil is connected.
    pub fitted: bool,
    /// Where it stands without current.
    pub rest: ValveRest,
    /// Moving mass, kg.
    pub mass_kg: f64,
    /// Viscous damping, N s/m.
    pub damping_n_s_per_m: f64,
    /// Spring rate, N/m.
    pub spring_n_per_m: f64,
    /// Spring force on the seat, N, positive opens.
    pub opening_n: f64,
    /// Full lift, m.
    pub travel_m: f64,
    /// Dry friction.
    pub friction: FrictionParameters,
    /// Seat diameter, m.
    pub seat_diameter_m: f64,
    /// Sine of the seat half-angle, 1.
    pub seat_sine: f64,
    /// Cosine of the seat half-angle, 1.
    pub seat_cosine: f64,
    /// Flow-force coefficient, 1 (about `2 C_v`; Merritt, 1967).
    pub flow_force: f64,
    /// Area that a damaged seat leaves open, m2.
    pub seat_fault_m2: f64,
    /// Whether the poppet is jammed on its seat.
    pub jammed_shut: bool,
}

impl Default for PressureValveParameters {
    fn default() -> Self {
        Self {
            fitted: true,
            rest: ValveRest::Open,
            mass_kg: 0.020,
            damping_n_s_per_m: 25.0,
            spring_n_per_m: 1_500.0,
            opening_n: 0.8,
            travel_m: 0.20e-3,
            friction: FrictionParameters { sliding_n: 0.30, static_n: 0.40, stribeck_m_per_s: 5e-3 },
            seat_diameter_m: 0.8e-3,
            seat_sine: FRAC_1_SQRT_2,
            seat_cosine: FRAC_1_SQRT_2,
            flow_force: 1.4,
            seat_fault_m2: 0.0,
            jammed_shut: false,
        }
    }
}

/// Forces on the poppet that stay put while rail pressure is frozen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Load {
    gauge_pa: f64,
    seat_area_m2: f64,
    opening_n: f64,
    /// Spring and flow force, N/m.
    stiffness_n_per_m: f64,
    /// Effective area per lift, m.
    per_lift_m: f64,
    fault_area_m2: f64,
    /// Return-line share factor: `2 R C_d^2 / rho`, 1/m4.
    pinch_per_m4: f64,
    magnet_sign: f64,
    projection: Projection,
}

impl PressureValveParameters {
    /// Turns this into a normally-closed valve that holds `hold_pa` (gauge) without current: the spring presses
    /// down with `hold_pa` times the seat area.
    #[must_use]
    pub fn normally_closed(mut self, hold_pa: f64) -> Self {
        self.rest = ValveRest::Closed;
        self.opening_n = -hold_pa * self.seat_area_m2();
        self
    }

    /// Seat area, m2.
    pub fn seat_area_m2(&self) -> f64 {
        PI / 4.0 * self.seat_diameter_m * self.seat_diameter_m
    }

    /// Area open to flow at lift `x_m`, m2: `pi d sin(alpha) x` plus what the seat fault leaves.
    pub fn area_m2(&self, x_m: f64) -> f64 {
        if self.fitted { PI * self.seat_diameter_m * self.seat_sine * x_m + self.seat_fault_m2 } else { 0.0 }
    }

    /// +1 if current lifts the poppet, -1 if it presses it down.
    fn magnet_sign(&self) -> f64 {
        match self.rest {
            ValveRest::Open => -1.0,
            ValveRest::Closed => 1.0,
        }
    }

    /// Gathers what stays put while the rail is at `p_rail_pa`, for steps of `dt_s`, with discharge coefficient
    /// `discharge` and a return line of `return_pa_s2_per_m6` at oil density `density`.
    pub fn load(
        &self,
        p_rail_pa: f64,
        discharge: f64,
        return_pa_s2_per_m6: f64,
        density_kg_per_m3: f64,
        dt_s: f64,
    ) -> Load {
        let gauge = (p_rail_pa - P_ATMOSPHERE_PA).max(0.0);
        let per_lift = PI * self.seat_diameter_m * self.seat_sine;
        let flow = self.flow_force * discharge * per_lift * self.seat_cosine * gauge;
        let stiffness = self.spring_n_per_m + flow;
        let seat_area = self.seat_area_m2();
        let pinch = 2.0 * return_pa_s2_per_m6 * discharge * discharge / density_kg_per_m3;
        // The back-pressure share s = 1 - 1/(1 + pinch A^2) falls the force by p A_s s; its steepest slope over
        // lift, p A_s (9/8) sqrt(pinch/3) dA/dx, is taken implicitly so that a pinched line stays stable.
        let pinch_stiffness = gauge * seat_area * 1.125 * libm::sqrt(pinch / 3.0) * per_lift;
        Load {
            gauge_pa: gauge,
            seat_area_m2: seat_area,
            opening_n: self.opening_n,
            stiffness_n_per_m: stiffness,
            per_lift_m: per_lift,
            fault_area_m2: self.seat_fault_m2,
            pinch_per_m4: pinch,
            magnet_sign: self.magnet_sign(),
            projection: Projection::new(
                dt_s,
                self.mass_kg,
                self.damping_n_s_per_m,
                stiffness + pinch_stiffness,
            ),
        }
    }

    /// Moves the poppet on under magnetic force `magnet_n`.
    pub fn advance(&self, poppet: &mut Slider, load: &Load, magnet_n: f64) {
        if self.jammed_shut {
            *poppet = Slider::default();
            return;
        }
        poppet.advance(load.force_n(poppet.x_m, magnet_n), &load.projection, &self.friction, self.travel_m);
    }

    /// How the armature loads the coil: for a normally-open valve inductance falls with lift.
    pub fn armature(&self, coil: &CoilParameters, poppet: &Slider) -> Armature {
        let gradient = self.magnet_sign() * coil.gradient_h_per_m;
        Armature {
            force_h: (coil.gap_h + gradient * poppet.x_m).max(0.0),
            emf_v_per_a: gradient * poppet.v_m_per_s,
        }
    }

    /// Flow past the seat towards the return, never backwards, at lift `x_m`, with the return line's resistance
    /// in series: `1/A_e^2 = 1/A^2 + 2 R C_d^2/rho`.
    pub fn flow(
        &self,
        x_m: f64,
        p_rail_pa: f64,
        density_kg_per_m3: f64,
        viscosity_m2_per_s: f64,
        discharge: f64,
        pinch_per_m4: f64,
    ) -> Flow {
        let area = self.area_m2(x_m);
        let gauge = p_rail_pa - P_ATMOSPHERE_PA;
        if area <= 0.0 {
            return Flow::NONE;
        }
        let gap_m = (2.0 * x_m * self.seat_sine).max(GAP_DIAMETER_MIN_M);
        let transition = orifice::transition_pa(density_kg_per_m3, viscosity_m2_per_s, discharge, gap_m);
        let effective = discharge * area / libm::sqrt(1.0 + pinch_per_m4 * area * area);
        orifice::orifice(gauge, effective, density_kg_per_m3, transition).forward_only()
    }
}

impl Load {
    /// Net lifting force except damping and friction, N:
    /// `(p4 - p_ret) A_s + F_0 - k x - k_ff x -+ F_mag`, with the return's back-pressure from the flow at this lift.
    pub fn force_n(&self, x_m: f64, magnet_n: f64) -> f64 {
        let area = self.per_lift_m * x_m + self.fault_area_m2;
        let lifting_pa = self.gauge_pa / (1.0 + self.pinch_per_m4 * area * area);
        lifting_pa * self.seat_area_m2 + self.opening_n - self.stiffness_n_per_m * x_m
            + self.magnet_sign * magnet_n
    }

    /// The return-line factor for [`PressureValveParameters::flow`], 1/m4.
    pub fn pinch_per_m4(&self) -> f64 {
        self.pinch_per_m4
    }
}
