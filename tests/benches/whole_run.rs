//! A whole acceptance run in lockstep beside the plant alone over the same bench time, in one
//! process, so that their ratio means something whatever the machine is doing.

use divan::Bencher;
use stepwell_plant::{Inputs, Plant, Rig};
use stepwell_procedure::procedure::StepKind;
use stepwell_tests::keeping::Kept;
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

/// Acceptance with eight more leak-downs of a minute, some eleven minutes of bench time, concluded again from
/// its counts. A minute of it must take less than a tenth of a second.
#[divan::bench(sample_count = 20)]
fn recompute_ten_minutes(bencher: Bencher<'_, '_>) {
    let scenario = Scenario::healthy("acceptance", "heron", 1);
    let mut plan = scenario.plan();
    let leak_down = plan.procedure.main.last().cloned().expect("acceptance ends with a leak-down");
    for number in 0..8 {
        let mut step = leak_down.clone();
        step.name = format!("{}-{number}", step.name);
        step.kind = StepKind::LeakDown { watch_s: 60.0 };
        plan.procedure.main.push(step);
    }
    let kept = Kept::of(&scenario, &plan);
    assert!(kept.ticks() > 600_000);
    bencher.bench(|| kept.again(&plan));
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
