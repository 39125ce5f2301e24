//! How fast the plant runs. One iteration is one simulated second: 1 s over the printed time is the ratio to real
//! time.

use divan::Bencher;
use stepwell_plant::{Inputs, Plant, Rig, STEP_US};

const STEPS_PER_S: u64 = 1_000_000 / STEP_US;

const RUNNING: Inputs = Inputs {
    inlet_duty_e4: 500,
    pressure_duty_e4: 2_000,
    supply_on: true,
    drive_rpm: 250,
    dump_closed: true,
};

fn main() {
    divan::main();
}

fn settled(inputs: Inputs) -> Plant {
    let mut plant = Plant::new(Rig { primed: true, ..Rig::default() }, 1);
    for _ in 0..STEPS_PER_S {
        plant.step(&inputs);
    }
    plant
}

fn run(bencher: Bencher<'_, '_>, inputs: Inputs, sampled: bool) {
    let mut plant = settled(inputs);
    bencher.bench_local(|| {
        for _ in 0..STEPS_PER_S {
            plant.step(divan::black_box(&inputs));
            if sampled {
                divan::black_box(plant.conversions());
            }
        }
    });
}

/// Turning at 250 rpm, both valves driven, every analog channel converted at every step.
#[divan::bench(sample_count = 20)]
fn running_second_with_conversions(bencher: Bencher<'_, '_>) {
    run(bencher, RUNNING, true);
}

/// The same without conversions.
#[divan::bench(sample_count = 20)]
fn running_second(bencher: Bencher<'_, '_>) {
    run(bencher, RUNNING, false);
}

/// All off, every analog channel converted at every step.
#[divan::bench(sample_count = 20)]
fn resting_second_with_conversions(bencher: Bencher<'_, '_>) {
    run(bencher, Inputs::default(), true);
}

/// All off.
#[divan::bench(sample_count = 20)]
fn resting_second(bencher: Bencher<'_, '_>) {
    run(bencher, Inputs::default(), false);
}
