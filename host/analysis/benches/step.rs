//! How long a step takes: the fit alone, for comparing with scipy's curve_fit on the same 1500 samples
//! (`tests/reference/step_fit.py --time`), the whole of it, and a million samples.

use divan::Bencher;
use stepwell_analysis::Input;
use stepwell_analysis::step::{StepRecord, fit_first_order, step_response};

fn main() {
    divan::main();
}

/// Times and column a of step_fit.csv.
fn samples() -> (Vec<f64>, Vec<f64>) {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/data/analysis/step_fit.csv");
    let text = std::fs::read_to_string(path).expect("the recording of the checks");
    let number = |cell: Option<&str>| cell.and_then(|cell| cell.parse::<f64>().ok());
    text.lines()
        .filter_map(|line| {
            let mut cells = line.split(',');
            Some((number(cells.next())?, number(cells.next())?))
        })
        .unzip()
}

#[divan::bench]
fn first_order_fit(bencher: Bencher<'_, '_>) {
    let (time_s, values) = samples();
    bencher.bench(|| fit_first_order(&time_s, &values));
}

#[divan::bench]
fn whole_response(bencher: Bencher<'_, '_>) {
    let (time_s, values) = samples();
    bencher.bench(|| respond(&time_s, &values));
}

/// The same step at a million samples a record.
#[divan::bench(sample_count = 5)]
fn million_samples(bencher: Bencher<'_, '_>) {
    let time_s: Vec<f64> = (0..1_000_000).map(|i| f64::from(i) * 1.5e-6).collect();
    let mut state = 1_u64;
    let values: Vec<f64> = time_s
        .iter()
        .map(|t| {
            // A plain congruential generator: four uniform numbers are noise enough for a clock.
            let noise: f64 = (0..4)
                .map(|_| {
                    state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                    (state >> 11) as f64 / (1_u64 << 53) as f64 - 0.5
                })
                .sum();
            5.0e6 + 8.0e6 * (1.0 - (-(t - 0.2063).max(0.0) / 0.0417).exp()) + 0.07e6 * noise
        })
        .collect();
    bencher.bench(|| respond(&time_s, &values));
}

fn respond(time_s: &[f64], pressure_pa: &[f64]) -> bool {
    let record = StepRecord {
        time_s,
        pressure_pa,
        instant_s: Some(Input::exact(0.2)),
        ripple_period_s: None,
        gain: Input::exact(1.0),
    };
    step_response(&record).is_ok()
}
