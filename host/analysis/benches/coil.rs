//! How long a coil's fit takes, on the recording that `tests/reference/coil_fit.py` writes and times scipy on.
//! `cargo bench -p stepwell-analysis --bench coil`.

use stepwell_analysis::Input;
use stepwell_analysis::coil::transient::{CoilRecord, transient};

fn main() {
    divan::main();
}

/// Columns of the recording: time in s, voltage in V, current in A.
fn recording() -> [Vec<f64>; 3] {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/data/analysis/coil_step.csv");
    let text = std::fs::read_to_string(path).unwrap_or_else(|e| panic!("reading {path}: {e}"));
    let rows: Vec<Vec<f64>> = text
        .lines()
        .filter(|line| line.starts_with(|first: char| first.is_ascii_digit()))
        .map(|line| line.split(',').map(|cell| cell.parse().expect("a number")).collect())
        .collect();
    [0, 1, 2].map(|column| rows.iter().map(|row| row[column]).collect())
}

/// Everything from the columns to findings with their uncertainty.
#[divan::bench(args = [None, Some(2.0137e-3)])]
fn step(bencher: divan::Bencher<'_, '_>, at_s: Option<f64>) {
    let [time_s, voltage_v, current_a] = recording();
    let record = CoilRecord {
        time_s: &time_s,
        voltage_v: &voltage_v,
        current_a: &current_a,
        current_gain: Input::exact(1.0),
        voltage_gain: Input::exact(1.0),
        lead_ohm: Input::exact(0.0),
        temperature: None,
        at_s,
    };
    bencher.bench(|| transient(divan::black_box(&record)));
}
