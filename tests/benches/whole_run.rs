//! A whole acceptance run in lockstep beside the plant alone over the same bench time, in one
//! process, so that their ratio means something whatever the machine is doing.

use divan::Bencher;
use stepwell_plant::{Inputs, Plant, Rig};
use stepwell_tests::run;
use stepwell_tests::shipped::Scenario;

fn main() {
    divan::main();
}

/// Acceptance of a healthy Heron: board, frames, link, run, analysis and the trace that checks need.
#[divan::bench(sample_count = 10)]
fn acceptance(bencher: Bencher<'_, '_>) {
    bencher.bench(|| run(&Scenario::healthy("acceptance", "heron", 1)));
}

/// The plant alone, turning all the time, for as long as that acceptance takes on the bench.
#[divan::bench(sample_count = 10)]
fn plant_alone(bencher: Bencher<'_, '_>) {
    let ticks = run(&Scenario::healthy("acceptance", "heron", 1)).trace.len();
    let turning = Inputs {
        inlet_duty_e4: 0,
        pressure_duty_e4: 1_500,
        supply_on: true,
        drive_rpm: 250,
        dump_closed: true,
    };
    bencher.with_inputs(|| Plant::new(Rig::default(), 1)).bench_values(|mut plant| {
        for _ in 0..10 * ticks {
            plant.step(&turning);
        }
        plant.truth()
    });
}
