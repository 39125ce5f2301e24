//! Reading reference files, and running a plant while averaging its truth.

use std::path::Path;

use stepwell_plant::constants::{BAR_PA, P_ATMOSPHERE_PA, RPM_RAD_PER_S};
use stepwell_plant::{Inputs, Plant, Rig, STEP_US};

/// Rows of a reference file: comment lines start with `#`, then one line of column names.
pub fn rows(file: &str) -> Vec<Vec<f64>> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/data/plant").join(file);
    let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("reading {}: {e}", path.display()));
    let rows: Vec<Vec<f64>> = text
        .lines()
        .filter(|line| !line.starts_with('#'))
        .skip(1)
        .map(|line| line.split(',').map(|cell| cell.parse().expect("a number")).collect())
        .collect();
    assert!(rows.len() > 10, "{file} holds only {} rows", rows.len());
    rows
}

/// Fails unless `got` is within `tolerance` of `expected`.
#[track_caller]
pub fn near(what: &str, got: f64, expected: f64, tolerance: f64) {
    assert!(
        (got - expected).abs() <= tolerance,
        "{what}: got {got:.6e}, expected {expected:.6e} within {tolerance:.1e}, off by {:.2e}",
        got - expected
    );
}

/// Rail full of oil, no air anywhere.
pub fn primed() -> Rig {
    Rig { primed: true, ..Rig::default() }
}

/// Supply on, dump shut, all else off.
pub const SUPPLIED: Inputs =
    Inputs { inlet_duty_e4: 0, pressure_duty_e4: 0, supply_on: true, drive_rpm: 0, dump_closed: true };

/// The same, turning at 250 rpm.
pub const TURNING: Inputs = Inputs { drive_rpm: 250, ..SUPPLIED };

/// Dump shut, all else off.
pub const STILL: Inputs = Inputs { supply_on: false, ..SUPPLIED };

/// Steps in `seconds`.
pub fn steps(seconds: f64) -> usize {
    (seconds * 1e6 / STEP_US as f64).round() as usize
}

/// Runs for `seconds`.
pub fn run(plant: &mut Plant, seconds: f64, inputs: Inputs) {
    for _ in 0..steps(seconds) {
        plant.step(&inputs);
    }
}

/// Means of the truth over a while; pressures in bar gauge, flows in cm3/s.
#[derive(Clone, Copy, Debug, Default)]
pub struct Means {
    pub p1_bar: f64,
    pub p2_bar: f64,
    pub p3_bar: f64,
    pub p4_bar: f64,
    /// Largest less smallest rail pressure.
    pub ripple_bar: f64,
    pub return_cm3_s: f64,
    pub inlet_a: f64,
    pub pressure_a: f64,
    /// Largest less smallest magnetising current of the pressure coil.
    pub pressure_ripple_a: f64,
    pub rpm: f64,
    pub torque_n_m: f64,
    pub lift_um: f64,
}

/// Runs for `seconds` and averages.
pub fn mean(plant: &mut Plant, seconds: f64, inputs: Inputs) -> Means {
    let n = steps(seconds);
    let mut m = Means::default();
    let mut p4 = [f64::INFINITY, f64::NEG_INFINITY];
    let mut amps = p4;
    for _ in 0..n {
        plant.step(&inputs);
        let t = plant.truth();
        m.p1_bar += gauge_bar(t.p1_pa);
        m.p2_bar += gauge_bar(t.p2_pa);
        m.p3_bar += gauge_bar(t.p3_pa);
        m.p4_bar += gauge_bar(t.p4_pa);
        m.return_cm3_s += t.flows.return_m3_per_s * 1e6;
        m.inlet_a += t.inlet_coil.mean_current_a;
        m.pressure_a += t.pressure_coil.mean_current_a;
        m.rpm += t.speed_rad_per_s / RPM_RAD_PER_S;
        m.torque_n_m += t.drive_torque_n_m;
        m.lift_um += t.lift_m * 1e6;
        p4 = [p4[0].min(gauge_bar(t.p4_pa)), p4[1].max(gauge_bar(t.p4_pa))];
        let i = t.pressure_coil.magnetising_a;
        amps = [amps[0].min(i), amps[1].max(i)];
    }
    for sum in [
        &mut m.p1_bar,
        &mut m.p2_bar,
        &mut m.p3_bar,
        &mut m.p4_bar,
        &mut m.return_cm3_s,
        &mut m.inlet_a,
        &mut m.pressure_a,
        &mut m.rpm,
        &mut m.torque_n_m,
        &mut m.lift_um,
    ] {
        *sum /= n as f64;
    }
    m.ripple_bar = p4[1] - p4[0];
    m.pressure_ripple_a = amps[1] - amps[0];
    m
}

/// Gauge pressure, bar.
pub fn gauge_bar(p_pa: f64) -> f64 {
    (p_pa - P_ATMOSPHERE_PA) / BAR_PA
}
