//! What is really so: values the equations know and sensors only guess. For checks and for teaching.

use crate::network::{Counters, Flows};
use crate::rig::Contacts;

/// One coil.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CoilTruth {
    /// Coil current now, A.
    pub current_a: f64,
    /// Coil current, mean of the last whole PWM period, A.
    pub mean_current_a: f64,
    /// Magnetising current now, A.
    pub magnetising_a: f64,
    /// Winding resistance now, ohm.
    pub resistance_ohm: f64,
    /// Winding resistance at 20 degC, ohm.
    pub resistance_20_ohm: f64,
    /// Whole circuit: winding, harness, shunt and switch, ohm.
    pub circuit_ohm: f64,
    /// Incremental inductance now, H.
    pub inductance_h: f64,
    /// Incremental inductance at the mean current of the last whole PWM period, H.
    pub mean_inductance_h: f64,
    /// Copper temperature, K.
    pub copper_k: f64,
    /// Body temperature, K.
    pub body_k: f64,
    /// Magnetic force, N.
    pub force_n: f64,
}

/// Gas, as volume at one atmosphere.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GasTruth {
    /// In the feed volume before the filter, m3.
    pub feed_m3: f64,
    /// In the filter, m3.
    pub filter_m3: f64,
    /// In the gallery, m3.
    pub gallery_m3: f64,
    /// Free in the rail, m3.
    pub rail_free_m3: f64,
    /// Trapped in the rail's high points, m3.
    pub rail_trapped_m3: f64,
    /// Dissolved in the rail's oil, m3.
    pub rail_dissolved_m3: f64,
    /// Share of the rail's volume that is free or trapped gas at its pressure, 0..=1.
    pub rail_share: f64,
    /// Share of the return line's volume, 0..=1.
    pub return_share: f64,
}

/// The true state at an instant. Pressures are absolute.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Truth {
    /// Instant of this state, us. During rest it lags [`crate::Plant::time_us`] by up to [`crate::REST_LUMP_US`].
    pub state_us: u64,
    /// The coil in the inlet valve.
    pub inlet_coil: CoilTruth,
    /// The coil in the pressure valve.
    pub pressure_coil: CoilTruth,
    /// Travel of the inlet spool from its place without current, m.
    pub inlet_travel_m: f64,
    /// Area open in the inlet valve, m2.
    pub inlet_area_m2: f64,
    /// Lift of the pressure poppet, m.
    pub lift_m: f64,
    /// Pressure before the filter, Pa.
    pub p1_pa: f64,
    /// Pressure behind the filter, Pa.
    pub p2_pa: f64,
    /// Pressure in the gallery, Pa.
    pub p3_pa: f64,
    /// Pressure in the rail, Pa.
    pub p4_pa: f64,
    /// Gas.
    pub gas: GasTruth,
    /// Flows of the last step.
    pub flows: Flows,
    /// Volumes that have passed.
    pub counters: Counters,
    /// Liquid stored in lines, pump and rail, m3 at one atmosphere.
    pub stored_liquid_m3: f64,
    /// Gas stored in lines, pump and rail, dissolved included, kg.
    pub stored_gas_kg: f64,
    /// Volumetric efficiency of full filling at this pressure and speed, 1; `None` while the pump stands still.
    pub volumetric_efficiency: Option<f64>,
    /// Speed of the drive shaft, rad/s.
    pub speed_rad_per_s: f64,
    /// Angle of the pump shaft, rad.
    pub angle_rad: f64,
    /// Torque of the drive, N m.
    pub drive_torque_n_m: f64,
    /// Temperature of the drive's winding, K.
    pub drive_k: f64,
    /// Supply voltage, V.
    pub supply_v: f64,
    /// Oil temperature, K.
    pub fluid_k: f64,
    /// Half width of the pressure valve's hysteresis by magnetic play at this current, Pa: `w L' g/A_s`.
    pub hysteresis_half_pa: f64,
    /// Stop chain, guard and tank as they are, whatever their contacts say.
    pub contacts: Contacts,
    /// Area of the dump now, m2.
    pub dump_area_m2: f64,
    /// Area of the union now, m2.
    pub union_area_m2: f64,
}
