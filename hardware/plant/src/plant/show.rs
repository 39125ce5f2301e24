//! What the plant shows: conversions, pulses, contacts, and the truth behind them.

use super::{Plant, SUB_STEPS};
use crate::adc::ANALOG_CHANNELS;
use crate::constants::P_ATMOSPHERE_PA;
use crate::inputs::CoilId;
use crate::pulses::Pulses;
use crate::rig::Contacts;
use crate::truth::{CoilTruth, GasTruth, Truth};

impl Plant {
    /// Conversions of all analog channels at this instant, raw 12 bit, in the order of
    /// [`crate::AnalogChannel::ALL`]. Each call draws one sample of noise per channel.
    pub fn conversions(&mut self) -> [u16; ANALOG_CHANNELS] {
        let last = SUB_STEPS - 1;
        let currents = [self.sampled_a[0][last], self.sampled_a[1][last]];
        self.sensors.conversions(currents, &self.rig.sensors)
    }

    /// The two samples of one channel's current taken within the last step (20 kHz), raw 12 bit.
    pub fn coil_conversions(&mut self, coil: CoilId, out: &mut [u16; SUB_STEPS]) {
        let channel = coil.index();
        *out = self.sensors.burst(channel, self.sampled_a[channel], &self.rig.sensors);
    }

    /// Pulses of the flow meter in the return.
    pub fn flow_pulses(&self) -> Pulses {
        self.meter.pulses()
    }

    /// Pulses of the drive shaft.
    pub fn speed_pulses(&self) -> Pulses {
        self.wheel.pulses()
    }

    /// Contacts, true is healthy.
    pub fn contacts(&self) -> Contacts {
        self.rig.contacts
    }

    /// What is really so.
    pub fn truth(&self) -> Truth {
        let rig = &self.rig;
        let fluid = &self.fluid;
        let net = &self.network;
        let [p1_pa, p2_pa, p3_pa, p4_pa] = net.pressures_pa();
        let inlet = rig.inlet_valve.armature(&rig.inlet_coil, &self.spool);
        let pressure = rig.pressure_valve.armature(&rig.pressure_coil, &self.poppet);
        let turning = self.drive.omega_rad_per_s * rig.drive.coupling;
        let volumetric_efficiency = (turning > 0.0).then(|| {
            rig.pump.volumetric_efficiency(
                p4_pa - P_ATMOSPHERE_PA,
                rig.pump.compression_share(p4_pa - p3_pa, fluid.stiffness_pa(p4_pa, rig.rail.wall_pa)),
                fluid.viscosity_ratio,
                turning / (2.0 * core::f64::consts::PI),
            )
        });
        let one_atm = |kg: f64| fluid.gas_at_one_atmosphere_m3(kg);
        Truth {
            state_us: self.state_us,
            inlet_coil: self.coil_truth(0, inlet.force_h),
            pressure_coil: self.coil_truth(1, pressure.force_h),
            inlet_travel_m: self.spool.x_m,
            inlet_area_m2: rig.inlet_valve.area_m2(self.spool.x_m),
            lift_m: self.poppet.x_m,
            p1_pa,
            p2_pa,
            p3_pa,
            p4_pa,
            gas: GasTruth {
                feed_m3: one_atm(net.feed.gas_kg),
                filter_m3: one_atm(net.filter.gas_kg),
                gallery_m3: one_atm(net.gallery.gas_kg),
                rail_free_m3: one_atm(net.rail.free_kg),
                rail_trapped_m3: one_atm(net.rail.trapped_kg),
                rail_dissolved_m3: one_atm(net.rail.dissolved_kg),
                rail_share: net.rail.gas_share(&rig.rail, fluid),
                return_share: net.rail.return_gas_share,
            },
            flows: self.flows,
            counters: net.counters,
            stored_liquid_m3: net.stored_liquid_m3(),
            stored_gas_kg: net.stored_gas_kg(),
            volumetric_efficiency,
            speed_rad_per_s: self.drive.omega_rad_per_s,
            angle_rad: net.pump.angle_rad,
            drive_torque_n_m: self.drive.torque_n_m,
            drive_k: self.drive_k,
            supply_v: self.supply_v,
            fluid_k: fluid.temperature_k,
            hysteresis_half_pa: rig.pressure_coil.play_a
                * rig.pressure_coil.force_slope_n_per_a(self.coils[1].force_current_a())
                / rig.pressure_valve.seat_area_m2(),
            contacts: self.rig.truly,
            dump_area_m2: self.dump.area_m2,
            union_area_m2: self.union.area_m2,
        }
    }

    fn coil_truth(&self, index: usize, force_h: f64) -> CoilTruth {
        let parameters = if index == 0 { &self.rig.inlet_coil } else { &self.rig.pressure_coil };
        let coil = &self.coils[index];
        CoilTruth {
            current_a: coil.coil_a,
            mean_current_a: coil.mean_a,
            magnetising_a: coil.magnetising_a,
            resistance_ohm: self.circuits[index].winding_ohm,
            resistance_20_ohm: parameters.resistance_20_ohm,
            circuit_ohm: self.circuits[index].total_ohm,
            inductance_h: parameters.incremental_h(coil.magnetising_a, force_h),
            mean_inductance_h: parameters.incremental_h(coil.mean_a, force_h),
            copper_k: self.heat[index].copper_k,
            body_k: self.heat[index].body_k,
            force_n: parameters.force_n(coil.force_current_a()),
        }
    }
}
