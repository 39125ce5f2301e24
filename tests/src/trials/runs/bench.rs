//! Benches for end-to-end runs: pumps and rigs of all kinds, and instruments that err as the bench sheet
//! says they do.
//!
//! A sheet states half-widths of 95 % intervals, read as two standard uncertainties of a normal error;
//! the errors are drawn from just that. What the sheet does not state a rig's part draws by itself,
//! within the bands of the model. Everything that is the pump's is spread over what is found in the trade
//! (the ranges are those of the model's own description).

use crate::shipped::{Scenario, facts};
use crate::trials::Noise;
use stepwell_plant::Rig;
use stepwell_plant::coil::{ChannelParameters, CoilParameters};
use stepwell_plant::feed::FeedPump;
use stepwell_plant::sensors::SignalParameters;
use stepwell_procedure::procedure::StepKind;
use stepwell_procedure::run::Plan;
use stepwell_procedure::sheet::{BenchSheet, Tolerance};

/// A bench and what is to be run on it.
#[derive(Clone, Debug)]
pub struct Drawn {
    /// Name of the shipped pump sheet.
    pub pump: &'static str,
    /// The bench as it really is.
    pub rig: Rig,
    /// What is run, with the sheets as their owner has written them.
    pub plan: Plan,
    /// Seed of sensor noise.
    pub seed: u64,
}

/// The bench of a seed.
#[must_use]
pub fn draw(seed: u64) -> Drawn {
    let pump = match seed % 8 {
        0 => "plover",
        1 => "dunlin",
        _ => "heron",
    };
    let mut noise = Noise::new(seed);
    let mut plan = Scenario::healthy("acceptance", pump, seed).plan();
    let mut rig = Rig::for_pump(&facts(&plan.pump));
    draw_pump(&mut rig, &mut noise);
    draw_surroundings(&mut rig, &mut noise);
    draw_errors(&mut rig, &plan.bench, &mut noise);
    widen(&mut plan, &mut noise);
    Drawn { pump, rig, plan, seed }
}

fn draw_pump(rig: &mut Rig, noise: &mut Noise) {
    for coil in [&mut rig.inlet_coil, &mut rig.pressure_coil] {
        draw_coil(coil, noise);
    }
    rig.pump.wear = noise.log_uniform(1.0, 12.0);
    // Feed opens both checks even with the shaft still, and the spring beats what friction holds.
    rig.pump.delivery_check_pa = noise.uniform(1.5e5, 2.8e5);
    rig.pump.initial_angle_rad = noise.uniform(0.0, std::f64::consts::TAU);
    let valve = &mut rig.pressure_valve;
    valve.opening_n *= noise.uniform(0.95, 1.25);
    valve.spring_n_per_m *= noise.uniform(0.7, 1.1);
    valve.damping_n_s_per_m *= noise.uniform(0.6, 1.6);
    let friction = noise.uniform(0.5, 1.0);
    valve.friction.sliding_n *= friction;
    valve.friction.static_n *= friction;
    rig.rail.leak_m3_per_s_pa = noise.log_uniform(1.5e-16, 1.2e-15);
    rig.rail.trapped_share = noise.uniform(0.01, 0.10);
}

fn draw_coil(coil: &mut CoilParameters, noise: &mut Noise) {
    // A pump without a pressure valve has an open circuit there.
    if coil.resistance_20_ohm < 100.0 {
        coil.resistance_20_ohm = noise.uniform(2.8, 3.6);
    }
    let inductance = noise.uniform(0.8, 1.25);
    coil.leakage_h *= inductance;
    coil.gap_h *= inductance;
    coil.eddy_ohm = noise.log_uniform(30.0, 200.0);
    coil.play_a = noise.uniform(0.0, 0.04);
}

fn draw_surroundings(rig: &mut Rig, noise: &mut Noise) {
    rig.ambient_k = noise.uniform(283.15, 308.15);
    rig.fluid.initial_temperature_k = noise.uniform(306.15, 320.15);
    rig.tank.bath_k = rig.fluid.initial_temperature_k;
    rig.source.open_v = noise.uniform(11.6, 13.2);
    rig.source.source_ohm = noise.uniform(0.005, 0.05);
    if let FeedPump::Electric { flow_12v_m3_per_s, .. } = &mut rig.feed.pump {
        *flow_12v_m3_per_s *= noise.uniform(0.8, 1.3);
    }
    if noise.uniform(0.0, 1.0) < 0.2 {
        rig.feed.gas_share = noise.uniform(0.0, 0.02);
    }
}

fn draw_errors(rig: &mut Rig, sheet: &BenchSheet, noise: &mut Noise) {
    let mut real = |known: stepwell_analysis::Input| known.value + noise.normal(known.standard_uncertainty);
    rig.rail.volume_m3 = real(sheet.rail_volume_m3);
    // The sheet's modulus holds at the oil's temperature, the walls included.
    let together_pa = real(sheet.fluid_modulus_pa);
    let liquid_pa = 1.0 / (1.0 / together_pa - 1.0 / rig.rail.wall_pa);
    rig.fluid.bulk_modulus_20_pa =
        liquid_pa - rig.fluid.bulk_modulus_slope_pa_per_k * (rig.fluid.initial_temperature_k - 293.15);
    // And so does its growth: of 1/K = 1/Kl + 1/Kw, dK/dp = Kl' (K/Kl)^2.
    rig.fluid.bulk_modulus_per_pa = real(sheet.fluid_modulus_slope) * (liquid_pa / together_pa).powi(2);
    rig.sensors.meter.pulses_per_m3 = real(sheet.flow_meter.k_factor_per_m3);
    let drop_v = real(sheet.coil_circuit.freewheel_drop_v);
    let switch_ohm = real(sheet.coil_circuit.switch_on_ohm);
    let leads_ohm = real(sheet.coil_circuit.leads_ohm);
    for channel in [&mut rig.inlet_channel, &mut rig.pressure_channel] {
        let harness_ohm = leads_ohm - channel.shunt_ohm;
        *channel = ChannelParameters { diode_v: drop_v, switch_ohm, harness_ohm, ..*channel };
    }
    let sensors = &mut rig.sensors;
    let mut errs = |signal: &mut SignalParameters, gain_u: f64| {
        signal.gain = noise.normal(gain_u);
        signal.gain_band = 0.0;
    };
    errs(&mut sensors.rail.signal, sheet.rail_pressure.gain_u);
    errs(&mut sensors.feed.signal, sheet.feed_pressure.map_or(0.0, |span| span.gain_u));
    // One amplifier each.
    errs(&mut sensors.inlet_current, sheet.current.gain_u);
    errs(&mut sensors.pressure_current, sheet.current.gain_u);
    errs(&mut sensors.supply, sheet.supply_divider.standard_uncertainty / sheet.supply_divider.value);
    // How far the coils of a pump that has been standing are from what the sensor on its body says.
    sensors.body.offset_band = 0.0;
    sensors.body.offset = noise.normal(sheet.body_temperature.coil_temperature_u_k);
}

/// Makes tolerances wide, so that a run goes on to its end with any of these pumps, and purges too short,
/// so that air of all amounts is left in the rail.
fn widen(plan: &mut Plan, noise: &mut Noise) {
    let any = Tolerance { min: Some(0.1), max: Some(100.0) };
    let tolerances = &mut plan.pump.tolerances;
    tolerances.inlet_resistance_20c_ohm = any;
    tolerances.pressure_resistance_20c_ohm = tolerances.pressure_resistance_20c_ohm.map(|_| any);
    tolerances.feed_pressure_pa = None;
    tolerances.still_flow_m3_per_s = None;
    tolerances.air_fraction = Tolerance { min: None, max: Some(noise.log_uniform(0.02, 0.5)) };
    for step in &mut plan.procedure.main {
        if let StepKind::Purge { on_s, cycles_min, .. } = &mut step.kind {
            *on_s = noise.uniform(4.0, 10.0);
            *cycles_min = 1;
        }
    }
}
