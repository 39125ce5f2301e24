//! Coils and armature against adaptive solvers run at tolerances of 1e-9 and tighter.

use stepwell_plant::coil::{
    Armature, ChannelParameters, Circuit, Coil, CoilParameters, LowPass, Wave, ideal_mean_a,
};
use stepwell_plant::friction::FrictionParameters;
use stepwell_plant::thermal::{CoilHeat, CoilHeatParameters};
use stepwell_plant::{Inputs, Plant};

use crate::support::{near, primed, rows};

const COPPER_K: f64 = 298.15;
const SUPPLY_V: f64 = 12.0;

struct Case {
    file: &'static str,
    coil: CoilParameters,
    channel: ChannelParameters,
    travel_share_h: f64,
    duty: f64,
}

fn inlet() -> Case {
    let coil = CoilParameters::inlet();
    Case {
        file: "coil_pwm_inlet.csv",
        coil,
        channel: ChannelParameters::inlet(),
        travel_share_h: coil.gap_h + coil.gradient_h_per_m * 0.5e-3,
        duty: 0.30,
    }
}

fn pressure() -> Case {
    let coil = CoilParameters::pressure();
    Case {
        file: "coil_pwm_pressure.csv",
        coil,
        channel: ChannelParameters::pressure(),
        travel_share_h: coil.gap_h - coil.gradient_h_per_m * 10e-6,
        duty: 0.20,
    }
}

/// Runs a blocked coil in pieces of `step_us`, the first one `first_us`, and compares where the file has a row.
fn worst_errors_a(case: &Case, first_us: u64, step_us: u64) -> [f64; 2] {
    let circuit = Circuit::new(&case.coil, &case.channel, COPPER_K, false);
    let armature = Armature { force_h: case.travel_share_h, emf_v_per_a: 0.0 };
    let amplifier = LowPass::new(16e-6, step_us as f64 * 1e-6);
    let mut coil = Coil::default();
    let mut time_us = 0;
    let mut worst = [0.0_f64; 2];
    let mut compared = 0;
    let all = rows(case.file);
    let mut expected = all.iter();
    let mut next = expected.next();
    while let Some(row) = next {
        let dt_us = if time_us == 0 { first_us } else { step_us };
        let wave = Wave::at(time_us, case.channel.pwm_hz, case.duty, SUPPLY_V);
        coil.advance(dt_us as f64 * 1e-6, &wave, &circuit, &armature, &amplifier);
        time_us += dt_us;
        let row_us = (row[0] * 1e6).round() as u64;
        if row_us == time_us {
            worst[0] = worst[0].max((coil.magnetising_a - row[2]).abs());
            worst[1] = worst[1].max((coil.coil_a - row[3]).abs());
            compared += 1;
        }
        if row_us <= time_us {
            next = expected.next();
        }
    }
    assert_eq!(compared, all.len(), "{}: rows compared", case.file);
    worst
}

/// Error bound of the implicit midpoint rule: a step errs by `h^3/12 i'''`, so each swing of the current between
/// two edges by `(h lambda)^2/12` of the swing, where `lambda` is how fast the slope changes: by `R/L`, and by the
/// inductance falling as current rises. Errors of one sign add up over the swings that one time constant remembers.
fn midpoint_bound_a(case: &Case, step_s: f64, peak_a: f64, swing_a: f64) -> f64 {
    let circuit = Circuit::new(&case.coil, &case.channel, COPPER_K, false);
    let inductance = |amps| case.coil.incremental_h(amps, case.travel_share_h);
    let tau_s = inductance(peak_a) / circuit.total_ohm;
    let falling_h_per_a = (inductance(peak_a - 0.01) - inductance(peak_a)) / 0.01;
    let rising_a_per_s = SUPPLY_V / inductance(peak_a);
    let lambda = 1.0 / tau_s + falling_h_per_a / inductance(peak_a) * rising_a_per_s;
    let swings = 2.0 * (tau_s * f64::from(case.channel.pwm_hz)).max(1.0);
    (step_s * lambda).powi(2) / 12.0 * swing_a * swings
}

#[test]
fn inlet_coil_under_pwm_follows_the_adaptive_solution() {
    let case = inlet();
    let bound = midpoint_bound_a(&case, 50e-6, 1.4, 0.75);
    let [magnetising, coil] = worst_errors_a(&case, 25, 50);
    near("magnetising current", magnetising, 0.0, bound);
    near("coil current", coil, 0.0, bound);
}

#[test]
fn pressure_coil_under_pwm_follows_the_adaptive_solution() {
    let case = pressure();
    let bound = midpoint_bound_a(&case, 20e-6, 0.65, 0.14);
    let [magnetising, coil] = worst_errors_a(&case, 10, 20);
    near("magnetising current", magnetising, 0.0, bound);
    near("coil current", coil, 0.0, bound);
}

#[test]
fn mean_over_a_pwm_period_is_right_at_the_plants_own_sub_step() {
    let case = pressure();
    let circuit = Circuit::new(&case.coil, &case.channel, COPPER_K, false);
    let armature = Armature { force_h: case.travel_share_h, emf_v_per_a: 0.0 };
    let amplifier = LowPass::new(16e-6, 50e-6);
    let mut coil = Coil::default();
    for k in 0..600 {
        let wave = Wave::at(k * 50, case.channel.pwm_hz, case.duty, SUPPLY_V);
        coil.advance(50e-6, &wave, &circuit, &armature, &amplifier);
    }
    // Twenty rows of the file a cycle; its last cycle is 29..30 ms. The mid-point sum of 50 samples errs by
    // (20 us)^2/24 of the curvature plus what an edge inside a cell costs: the edge at 0.2 ms lies on a border.
    let last: Vec<f64> = rows(case.file).iter().rev().take(50).map(|row| row[3]).collect();
    let mean_a = last.iter().sum::<f64>() / last.len() as f64;
    // Midpoint bound at 50 us; the mean has no larger error than the trajectory. The trapezoid over pieces adds
    // (50 us/tau)^2/12 of the swing, well below.
    near("mean current", coil.mean_a, mean_a, midpoint_bound_a(&case, 50e-6, 0.65, 0.14));
    // Continuous conduction: the closed form leaves out that the freewheel path lacks the switch's 0.03 ohm but has
    // it in R_t here, so both use the same resistance and agree up to the unfinished start-up, e^(-30 ms/5.4 ms).
    let ideal_a = ideal_mean_a(case.duty, SUPPLY_V, case.channel.diode_v, circuit.total_ohm);
    near("ideal mean", coil.mean_a, ideal_a, 0.004 * ideal_a + midpoint_bound_a(&case, 50e-6, 0.65, 0.14));
}

#[test]
fn coil_heats_as_the_adaptive_solution() {
    let coil = CoilParameters::inlet();
    let heat = CoilHeatParameters::default();
    let mut state = CoilHeat { copper_k: COPPER_K, body_k: COPPER_K };
    let dt_s = 6.4e-3;
    let mut time_s = 0.0;
    // Explicit Euler errs by half a step's worth of the steepest slope, 2.6 W/15 J/K: 0.6 mK.
    let bound_k = 0.5 * dt_s * 2.62 / heat.copper_j_per_k * 1.1;
    for row in rows("coil_thermal.csv") {
        while time_s + dt_s <= row[0] {
            let amps = 3.0 / (coil.resistance_ohm(state.copper_k) + 0.15);
            let watts = coil.resistance_ohm(state.copper_k) * amps * amps;
            state.advance(dt_s, watts * dt_s, COPPER_K, &heat);
            time_s += dt_s;
        }
        // The row lies up to one step later: carry on in a straight line.
        let rest_s = row[0] - time_s;
        let mut there = state;
        let amps = 3.0 / (coil.resistance_ohm(state.copper_k) + 0.15);
        there.advance(rest_s, coil.resistance_ohm(state.copper_k) * amps * amps * rest_s, COPPER_K, &heat);
        near("copper temperature", there.copper_k, row[1], bound_k);
        near("body temperature", there.body_k, row[2], bound_k);
        near("resistance", coil.resistance_ohm(there.copper_k), row[3], 3.0 * coil.copper_per_k * bound_k);
    }
}

#[test]
fn inlet_armature_follows_the_lugre_solution() {
    let mut rig = primed();
    rig.source.open_v = 4.0;
    rig.source.source_ohm = 0.0;
    rig.inlet_valve.flow_force = 0.0;
    rig.inlet_coil.play_a = 0.0;
    rig.coil_heat.copper_j_per_k = 1e12;
    let mut plant = Plant::new(rig, 0);
    let on = Inputs { inlet_duty_e4: 10_000, ..Inputs::default() };
    let mut last_um = [0.0; 2];
    for row in rows("inlet_armature_step.csv") {
        let row_us = (row[0] * 1e6).round() as u64;
        if !row_us.is_multiple_of(100) {
            continue;
        }
        while plant.time_us() < row_us {
            plant.step(&on);
        }
        let truth = plant.truth();
        // Moving, time stepping at 50 us lags by up to half a step: 25 us at the file's top speed, about 0.1 m/s.
        near("travel", truth.inlet_travel_m, row[2], 25e-6 * 0.12);
        last_um = [truth.inlet_travel_m * 1e6, row[2] * 1e6];
    }
    // At standstill both friction models hold the spool where the force balance within the Coulomb band left it.
    near("final travel, um", last_um[0], last_um[1], 0.25);
}

#[test]
fn spool_without_friction_is_a_second_order_step() {
    use stepwell_plant::friction::{Projection, Slider};
    // m = 20 g, k = 5 N/mm, c = 25 N s/m: omega 500 rad/s, zeta 1.25, two real poles.
    let (m, k, c, force_n) = (0.020, 5_000.0, 25.0, 2.0);
    let none = FrictionParameters { sliding_n: 0.0, static_n: 0.0, stribeck_m_per_s: 1.0 };
    let dt_s = 1e-6;
    let projection = Projection::new(dt_s, m, c, k);
    let mut spool = Slider::default();
    let omega: f64 = 500.0;
    let root = omega * (1.25_f64 * 1.25 - 1.0).sqrt();
    let (fast, slow) = (1.25 * omega + root, 1.25 * omega - root);
    for n in 1..=20_000 {
        spool.advance(force_n - k * spool.x_m, &projection, &none, 1.0);
        let t = f64::from(n) * dt_s;
        let x = force_n / k * (1.0 - (fast * (-slow * t).exp() - slow * (-fast * t).exp()) / (fast - slow));
        // First order in h: h times the fastest pole, 1e-3 of the final value, halved twice over by the damping.
        near("travel", spool.x_m, x, dt_s * fast * force_n / k);
    }
}

#[test]
fn a_stuck_spool_stays_within_the_static_band() {
    use stepwell_plant::friction::{Projection, Slider};
    let friction = FrictionParameters { sliding_n: 0.25, static_n: 0.35, stribeck_m_per_s: 5e-3 };
    let k = 5_000.0;
    let projection = Projection::new(50e-6, 0.020, 25.0, k);
    for (load_n, moves) in [(0.349, false), (0.351, true), (-0.349, false), (-0.351, true)] {
        let mut spool = Slider { x_m: 0.5e-3, v_m_per_s: 0.0 };
        for _ in 0..2_000 {
            let spring_n = -k * (spool.x_m - 0.5e-3);
            spool.advance(load_n + spring_n, &projection, &friction, 1e-3);
        }
        assert_eq!(spool.x_m != 0.5e-3, moves, "load {load_n} N");
        assert!((spool.x_m - 0.5e-3).abs() <= friction.static_n / k, "left the band under {load_n} N");
    }
}
