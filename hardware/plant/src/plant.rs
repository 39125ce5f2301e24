//! The whole rig in motion: one fixed step, the hands of a person, and what sensors and truth show.
//!
//! The order within a step: coils and valves in two sub-steps with pressures frozen; then the hydraulics; then
//! drive, heat and sensors. At complete rest, steps are gathered and made in lumps.

mod pace;
mod show;

use self::pace::Pace;
use crate::bubbles::{Bubbles, Gas};
use crate::coil::{Circuit, Coil, Switch, Wave};
use crate::constants::P_ATMOSPHERE_PA;
use crate::contact::LooseContact;
use crate::drive::Drive;
use crate::faults::{Fault, Schedule};
use crate::feed::{FeedDrive, Suction};
use crate::fluid::Fluid;
use crate::friction::Slider;
use crate::inlet_valve::ValveRest;
use crate::inputs::{Hand, Inputs};
use crate::network::{Boundary, Counters, Flows, Network, Parts};
use crate::node::Node;
use crate::pulses::{Meter, PulseTrain};
use crate::pump::Pump;
use crate::rail::{Opening, Rail};
use crate::rig::Rig;
use crate::sensors::{Seen, Sensors};
use crate::thermal::CoilHeat;

/// Length of a step, us.
pub const STEP_US: u64 = 100;
/// Sub-steps of coils and valves in a step, and coil samples it yields.
pub const SUB_STEPS: usize = 2;
/// Length of the lumps made at complete rest, us, aligned to plant time.
pub const REST_LUMP_US: u64 = 5_000;
/// Temperatures and what depends on them move at least this far apart, us.
const SLOW_US: u64 = 6_400;

/// The rig in motion: a deterministic function of its parameters, seed, inputs, faults and hands.
#[derive(Clone, Debug)]
pub struct Plant {
    healthy: Rig,
    rig: Rig,
    schedule: Schedule,
    /// Time promised to the caller.
    time_us: u64,
    /// Time the state has reached; behind `time_us` only at rest.
    state_us: u64,
    /// Inputs of the last step made.
    inputs: Inputs,
    /// Whether the last step left everything so still that lumps will do.
    calm: bool,
    fluid: Fluid,
    circuits: [Circuit; 2],
    suction_limit_m3_per_s: f64,
    pace: Pace,
    coils: [Coil; 2],
    heat: [CoilHeat; 2],
    coil_heat_j: [f64; 2],
    /// Heat put into the oil since last taken, J.
    oil_heat_j: f64,
    spool: Slider,
    poppet: Slider,
    network: Network,
    dump: Opening,
    union: Opening,
    union_cracked: bool,
    drive: Drive,
    drive_k: f64,
    supply_v: f64,
    slow_us: u64,
    flows: Flows,
    contacts: [LooseContact; 2],
    bubbles: Bubbles,
    sensors: Sensors,
    meter: Meter,
    wheel: PulseTrain,
    /// Shunt amplifier outputs of the last step, by channel and sub-step, A.
    sampled_a: [[f64; SUB_STEPS]; 2],
}

fn seconds(us: u64) -> f64 {
    us as f64 * 1e-6
}

impl Plant {
    /// A rig at rest, its sensors' errors and all noise following from `seed`.
    pub fn new(rig: Rig, seed: u64) -> Self {
        let fluid = Fluid::at(&rig.fluid, rig.fluid.initial_temperature_k);
        let network = if rig.primed {
            Network {
                suction: Suction::full(&rig.feed),
                feed: Node::full(rig.low.feed_m3),
                filter: Node::full(rig.low.filter_m3),
                gallery: Node::full(rig.low.gallery_m3),
                pump: Pump::full(&rig.pump),
                rail: Rail::primed(rig.initial_rail_pa, rig.initial_rail_air_m3, &rig.rail, &fluid),
                counters: Counters::default(),
            }
        } else {
            Network {
                suction: Suction::default(),
                feed: Node::empty(rig.low.feed_m3, &fluid),
                filter: Node::empty(rig.low.filter_m3, &fluid),
                gallery: Node::empty(rig.low.gallery_m3, &fluid),
                pump: Pump::empty(&rig.pump, &fluid),
                rail: Rail::empty(&rig.rail, &fluid),
                counters: Counters::default(),
            }
        };
        let heat = CoilHeat { copper_k: rig.ambient_k, body_k: rig.ambient_k };
        let seen = Seen {
            rail_pa: network.rail.p_pa - P_ATMOSPHERE_PA,
            feed_pa: network.filter.p_pa - P_ATMOSPHERE_PA,
            supply_v: rig.source.open_v,
            fluid_k: fluid.temperature_k,
            body_k: rig.ambient_k,
        };
        let at_rest_lift = match rig.pressure_valve.rest {
            ValveRest::Open => rig.pressure_valve.travel_m,
            ValveRest::Closed => 0.0,
        };
        Self {
            healthy: rig,
            rig,
            schedule: Schedule::new(),
            time_us: 0,
            state_us: 0,
            inputs: Inputs::default(),
            calm: false,
            fluid,
            circuits: circuits(&rig, &[heat; 2], [false; 2]),
            suction_limit_m3_per_s: rig.feed.suction_limit_m3_per_s(fluid.density_kg_per_m3),
            pace: Pace::new(STEP_US, SUB_STEPS, &rig),
            coils: [Coil::default(); 2],
            heat: [heat; 2],
            coil_heat_j: [0.0; 2],
            oil_heat_j: 0.0,
            spool: Slider::default(),
            poppet: Slider { x_m: at_rest_lift, v_m_per_s: 0.0 },
            network,
            dump: Opening { area_m2: Opening::goal_m2(true, &rig.dump) },
            union: Opening::default(),
            union_cracked: false,
            drive: Drive::default(),
            drive_k: rig.ambient_k,
            supply_v: rig.source.open_v,
            slow_us: 0,
            flows: Flows::default(),
            contacts: core::array::from_fn(|channel| LooseContact::sound(seed, channel)),
            bubbles: Bubbles::new(seed),
            sensors: Sensors::new(seed, seen, &rig.sensors),
            meter: Meter::new(seed),
            wheel: PulseTrain::default(),
            sampled_a: [[0.0; SUB_STEPS]; 2],
        }
    }

    /// Adds a fault, replacing one of the same kind. Its times are plant times; an onset in the past acts from the
    /// next step on.
    pub fn inject(&mut self, fault: Fault) {
        self.schedule.inject(fault);
    }

    /// A person does something.
    pub fn hand(&mut self, hand: Hand) {
        self.catch_up();
        self.calm = false;
        match hand {
            Hand::CrackUnion => self.union_cracked = true,
            Hand::CloseUnion => self.union_cracked = false,
            Hand::StrokePrimer => self.network.suction.stroke(),
        }
    }

    /// Plant time, us.
    pub fn time_us(&self) -> u64 {
        self.time_us
    }

    /// The rig as it is now, faults included.
    pub fn rig(&self) -> &Rig {
        &self.rig
    }

    /// Advances by [`STEP_US`] under `inputs`.
    pub fn step(&mut self, inputs: &Inputs) {
        self.attend_to_faults();
        self.time_us += STEP_US;
        if self.calm && inputs.idle() && inputs.dump_closed == self.inputs.dump_closed {
            if self.time_us.is_multiple_of(REST_LUMP_US) {
                self.catch_up();
            }
            return;
        }
        self.make_lump(self.time_us - STEP_US - self.state_us);
        self.inputs = *inputs;
        let pace = self.pace;
        self.advance(&pace);
    }

    /// Makes the rest time gathered so far.
    fn catch_up(&mut self) {
        self.make_lump(self.time_us - self.state_us);
    }

    fn make_lump(&mut self, lump_us: u64) {
        if lump_us > 0 {
            let pace = Pace::new(lump_us, 1, &self.rig);
            self.advance(&pace);
        }
    }

    /// Lets faults begin and end, and loose contacts open and close, as due now.
    fn attend_to_faults(&mut self) {
        if self.time_us >= self.schedule.next_change_us() {
            self.catch_up();
            self.rig = self.schedule.apply(self.time_us, &self.healthy);
            self.pace = Pace::new(STEP_US, SUB_STEPS, &self.rig);
            for (contact, channel) in
                self.contacts.iter_mut().zip([&self.rig.inlet_channel, &self.rig.pressure_channel])
            {
                contact.set(self.time_us, channel.contact_breaks_hz);
            }
            self.calm = false;
            self.hold_coils();
            if let Some(held_k) = self.rig.coils_held_k {
                self.sensors.soak_body(held_k);
            }
            self.derive();
        }
        let breaks_hz =
            [self.rig.inlet_channel.contact_breaks_hz, self.rig.pressure_channel.contact_breaks_hz];
        let mut toggled = false;
        for (contact, hz) in self.contacts.iter_mut().zip(breaks_hz) {
            toggled |= contact.toggle(self.time_us, hz);
        }
        if toggled {
            self.derive();
        }
    }

    /// Keeps coils at the temperature at which something outside holds them.
    fn hold_coils(&mut self) {
        if let Some(held_k) = self.rig.coils_held_k {
            self.heat = [CoilHeat { copper_k: held_k, body_k: held_k }; 2];
        }
    }

    /// Computes afresh what depends on temperatures and parameters only.
    fn derive(&mut self) {
        let open = [self.contacts[0].open, self.contacts[1].open];
        self.circuits = circuits(&self.rig, &self.heat, open);
        self.suction_limit_m3_per_s = self.rig.feed.suction_limit_m3_per_s(self.fluid.density_kg_per_m3);
        self.network.rail.refresh(&self.fluid);
    }

    /// One step of any length under the present inputs.
    fn advance(&mut self, pace: &Pace) {
        let start_us = self.state_us;
        let dt_s = seconds(pace.dt_us);
        let before_pa = self.network.pressures_pa();
        let drawn_a = self.electromechanics(start_us, pace);
        self.hydraulics(dt_s);
        let rig = &self.rig;
        let angle = self.drive.omega_rad_per_s * dt_s;
        self.drive.advance(
            dt_s,
            self.inputs.drive_rpm,
            self.flows.torque_n_m * rig.drive.coupling,
            &rig.drive,
        );
        let supply_a = drawn_a
            + rig.feed.current_a(self.inputs.supply_on)
            + rig.source.drive_share * self.drive.torque_n_m / rig.drive.torque_n_m_per_a;
        self.supply_v = (rig.source.open_v - rig.source.source_ohm * supply_a).max(0.0);
        self.state_us += pace.dt_us;

        let seen = self.seen();
        self.sensors.follow(&pace.lags, &seen, &self.rig.sensors);
        let teeth = angle / (2.0 * core::f64::consts::PI) * self.rig.sensors.speed_pulses_per_rev;
        self.wheel.advance(teeth, start_us, pace.dt_us);
        let mut metered = self.flows.return_m3_per_s;
        if self.rig.bubble_noise {
            let gas = Gas {
                return_share: self.network.rail.return_gas_share,
                gallery_share: self.network.gallery.gas_share(self.rig.low.gallery_m3, &self.fluid),
                turning: self.drive.omega_rad_per_s > 0.0,
            };
            metered = self.bubbles.metered_m3_per_s(metered, gas, pace.dt_us, self.state_us);
        }
        self.meter.advance(metered, pace.meter_share, start_us, pace.dt_us, &self.rig.sensors.meter);

        self.slow_us += pace.dt_us;
        if self.slow_us >= SLOW_US {
            self.warm();
        }
        self.calm = self.is_calm(pace.dt_us, &before_pa);
    }

    /// Coils and valves; returns the mean current the two channels drew from the supply, A.
    fn electromechanics(&mut self, start_us: u64, pace: &Pace) -> f64 {
        let rig = &self.rig;
        let sub_us = pace.dt_us / pace.sub_steps as u64;
        let sub_s = seconds(pace.dt_us) / pace.sub_steps as f64;
        let [_, p2, p3, p4] = self.network.pressures_pa();
        let load = rig.pressure_valve.load(
            p4,
            rig.low.discharge,
            rig.rail.return_pa_s2_per_m6,
            self.fluid.density_kg_per_m3,
            sub_s,
        );
        let duty = [
            effective_duty(self.inputs.inlet_duty_e4, rig.inlet_channel.switch),
            effective_duty(self.inputs.pressure_duty_e4, rig.pressure_channel.switch),
        ];
        let pwm_hz = [rig.inlet_channel.pwm_hz, rig.pressure_channel.pwm_hz];
        let mut drawn_c = 0.0;
        for sub in 0..pace.sub_steps {
            let time_us = start_us + sub as u64 * sub_us;
            for coil in 0..2 {
                let channel = if rig.connectors_swapped { 1 - coil } else { coil };
                let wave = Wave::at(time_us, pwm_hz[channel], duty[channel], self.supply_v);
                let armature = if coil == 0 {
                    rig.inlet_valve.armature(&rig.inlet_coil, &self.spool)
                } else {
                    rig.pressure_valve.armature(&rig.pressure_coil, &self.poppet)
                };
                let passed = self.coils[coil].advance(
                    sub_s,
                    &wave,
                    &self.circuits[coil],
                    &armature,
                    &pace.amplifiers[channel],
                );
                drawn_c += duty[channel] * passed.charge_c;
                self.coil_heat_j[coil] += self.circuits[coil].winding_ohm * passed.square_a2_s;
                self.sampled_a[channel][sub] = self.coils[coil].amplified_a;
            }
            self.coils[0].remember(sub_s, &rig.inlet_coil);
            self.coils[1].remember(sub_s, &rig.pressure_coil);
            let pull_n = rig.inlet_coil.force_n(self.coils[0].force_current_a());
            let force_n = rig.inlet_valve.force_n(self.spool.x_m, pull_n, p2 - p3);
            self.spool.advance(force_n, &pace.inlet, &rig.inlet_valve.friction, rig.inlet_valve.travel_m);
            let hold_n = rig.pressure_coil.force_n(self.coils[1].force_current_a());
            rig.pressure_valve.advance(&mut self.poppet, &load, hold_n);
        }
        if pace.sub_steps < SUB_STEPS {
            for samples in &mut self.sampled_a {
                *samples = [samples[0]; SUB_STEPS];
            }
        }
        drawn_c / seconds(pace.dt_us)
    }

    fn hydraulics(&mut self, dt_s: f64) {
        let rig = &self.rig;
        let fluid = &self.fluid;
        self.dump.advance(dt_s, !(self.inputs.dump_closed && rig.dump.powered), &rig.dump);
        self.union.advance(dt_s, self.union_cracked, &rig.union);
        let rail_pa = self.network.rail.p_pa;
        let gas_share = self.network.rail.outlet_gas_share(rig.rail.slip, &rig.rail, fluid);
        let density = fluid.mixture_density_kg_per_m3(gas_share, rail_pa);
        let cd = rig.low.discharge;
        let pinch = 2.0 * rig.rail.return_pa_s2_per_m6 * cd * cd / fluid.density_kg_per_m3;
        let valve =
            rig.pressure_valve.flow(self.poppet.x_m, rail_pa, density, fluid.viscosity_m2_per_s, cd, pinch);
        let pump_rad_per_s = self.drive.omega_rad_per_s * rig.drive.coupling;
        let around = Boundary {
            drive: FeedDrive {
                on: self.inputs.supply_on && rig.feed.powered,
                supply_v: self.supply_v,
                shaft_rad_per_s: pump_rad_per_s,
                suction_limit_m3_per_s: self.suction_limit_m3_per_s,
            },
            pump_rad_per_s,
            inlet_area_m2: rig.inlet_valve.area_m2(self.spool.x_m),
            valve,
            valve_gas_share: gas_share,
            dump: self.dump,
            union: self.union,
            bubbles: self.bubbles.gallery_now,
        };
        let parts = Parts { feed: &rig.feed, low: &rig.low, pump: &rig.pump, rail: &rig.rail, fluid };
        self.flows = self.network.advance(dt_s, &around, &parts);
        self.oil_heat_j += dt_s * (rail_pa - P_ATMOSPHERE_PA) * self.flows.valve_m3_per_s;
    }

    /// Moves temperatures, and what depends on them.
    fn warm(&mut self) {
        let dt_s = seconds(self.slow_us);
        self.slow_us = 0;
        for (heat, joule) in self.heat.iter_mut().zip(&mut self.coil_heat_j) {
            heat.advance(dt_s, core::mem::take(joule), self.rig.ambient_k, &self.rig.coil_heat);
        }
        self.hold_coils();
        let drive = &self.rig.drive;
        let lost_w = (self.drive_k - self.rig.ambient_k) / drive.to_ambient_k_per_w;
        self.drive_k += (self.drive.take_heat_j() - dt_s * lost_w) / drive.heat_j_per_k;
        let tank = &self.rig.tank;
        let tank_j_per_k =
            self.fluid.density_kg_per_m3 * self.rig.fluid.heat_capacity_j_per_kg_k * tank.volume_m3;
        let fluid_k = self.fluid.temperature_k
            + core::mem::take(&mut self.oil_heat_j) / tank_j_per_k
            + (dt_s / tank.bath_s).min(1.0) * (tank.bath_k - self.fluid.temperature_k);
        if fluid_k != self.fluid.temperature_k {
            self.fluid = Fluid::at(&self.rig.fluid, fluid_k);
        }
        self.derive();
        let seen = self.seen();
        self.sensors.follow_temperatures(dt_s, &seen, &self.rig.sensors);
    }

    fn seen(&self) -> Seen {
        Seen {
            rail_pa: self.network.rail.p_pa - P_ATMOSPHERE_PA,
            feed_pa: self.network.filter.p_pa - P_ATMOSPHERE_PA,
            supply_v: self.supply_v,
            fluid_k: self.fluid.temperature_k,
            body_k: 0.5 * (self.heat[0].body_k + self.heat[1].body_k),
        }
    }

    /// Whether the step just made, `dt_us` long, left nothing that moves faster than a lump can follow.
    fn is_calm(&self, dt_us: u64, before_pa: &[f64; 4]) -> bool {
        let steps = dt_us as f64 / STEP_US as f64;
        self.inputs.idle()
            && self.drive.omega_rad_per_s == 0.0
            && self.rig.drive.by_itself_rpm == 0
            && self.coils.iter().all(|coil| coil.magnetising_a == 0.0 && coil.lagged_a < CALM_A)
            && self.network.restlessness(before_pa) <= CALM_PER_STEP * steps
            && self.spool.v_m_per_s.abs() < CALM_M_PER_S
            && self.poppet.v_m_per_s.abs() < CALM_M_PER_S
            && self.network.suction.hand_is_off()
            && self.union.area_m2 == Opening::goal_m2(self.union_cracked, &self.rig.union)
            && self.dump.area_m2
                == Opening::goal_m2(!(self.inputs.dump_closed && self.rig.dump.powered), &self.rig.dump)
    }
}

/// Pressures that change by less than this share per step of [`STEP_US`] are calm.
const CALM_PER_STEP: f64 = 5e-5;
/// A remembered current below this is calm, A.
const CALM_A: f64 = 1e-6;
/// A valve slower than this is calm, m/s.
const CALM_M_PER_S: f64 = 1e-4;

fn effective_duty(duty_e4: u16, switch: Switch) -> f64 {
    match switch {
        Switch::Works => f64::from(duty_e4.min(10_000)) * 1e-4,
        Switch::StuckOn => 1.0,
    }
}

/// The circuits by coil: a coil hangs on the channel its connector is on.
fn circuits(rig: &Rig, heat: &[CoilHeat; 2], channel_open: [bool; 2]) -> [Circuit; 2] {
    let channels = [&rig.inlet_channel, &rig.pressure_channel];
    let coils = [&rig.inlet_coil, &rig.pressure_coil];
    core::array::from_fn(|coil| {
        let channel = if rig.connectors_swapped { 1 - coil } else { coil };
        Circuit::new(coils[coil], channels[channel], heat[coil].copper_k, channel_open[channel])
    })
}
