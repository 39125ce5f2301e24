//! How long our coil and step fits take on given data, and what they say: `tests/reference/speed.py` makes
//! the data, fits them with scipy as well, and compares.
//!
//! ```text
//! cargo run --release -p stepwell-tests --bin fit_speed FOLDER
//! ```

use std::fmt::Write;
use std::process::ExitCode;
use std::time::Instant;
use stepwell_analysis::coil::transient::model::{Drive, G, Jump, P, SHARE, TAU, ZERO};
use stepwell_analysis::coil::transient::{CoilRecord, Driven, transient};
use stepwell_analysis::step::{StepRecord, fit_first_order, step_response};
use stepwell_analysis::{Input, Unmeasured};

/// Fits of which the median time is told.
const REPEATS: usize = 301;

/// The true instant of the step in either recording, s.
const INSTANT_S: f64 = 0.0;

fn main() -> ExitCode {
    let Some(folder) = std::env::args().nth(1) else {
        eprintln!("say in which folder coil.csv and step.csv are");
        return ExitCode::from(2);
    };
    match told(std::path::Path::new(&folder)) {
        Ok(lines) => {
            println!("{lines}");
            ExitCode::SUCCESS
        }
        Err(why) => {
            eprintln!("{why}");
            ExitCode::FAILURE
        }
    }
}

/// One line a fit: its name, seconds, and name and value of everything it found.
fn told(folder: &std::path::Path) -> Result<String, String> {
    let coil = columns(&folder.join("coil.csv"))?;
    let step = columns(&folder.join("step.csv"))?;
    let [coil_time_s, voltage_v, current_a] = &coil[..] else { return Err("coil.csv: three columns".into()) };
    let [step_time_s, pressure_pa] = &step[..] else { return Err("step.csv: two columns".into()) };
    let drive = switched_on(coil_time_s, voltage_v);
    let bare_coil = timed(|| bare_coil(&drive, current_a))?;
    let coil = timed(|| {
        let found = transient(&CoilRecord {
            time_s: coil_time_s,
            voltage_v,
            current_a,
            current_gain: Input::exact(1.0),
            voltage_gain: Input::exact(1.0),
            lead_ohm: Input::exact(0.0),
            temperature: None,
            at_s: Some(INSTANT_S),
        })?;
        Ok(vec![
            ("resistance", found.resistance?.value),
            ("inductance", found.inductance_h?.value),
            ("time_constant", found.tau_s?.value),
        ])
    })?;
    let step = timed(|| {
        let numbers = fit_first_order(step_time_s, pressure_pa)?.numbers;
        let [_, rise_pa, onset_s, tau_s] = numbers.values;
        Ok(vec![
            ("pressure_rise", rise_pa),
            ("dead_time", onset_s),
            ("time_constant", tau_s),
            ("pressure_rise_u", numbers.standard_uncertainty(1)),
        ])
    })?;
    let step_whole = timed(|| {
        let found = step_response(&StepRecord {
            time_s: step_time_s,
            pressure_pa,
            instant_s: Some(Input::exact(INSTANT_S)),
            ripple_period_s: None,
            gain: Input::exact(1.0),
        })?;
        Ok(vec![
            ("pressure_rise", found.pressure_rise?.value),
            ("dead_time", found.dead_time?.value),
            ("time_constant", found.time_constant?.value),
        ])
    })?;
    Ok(format!("coil {bare_coil}\ncoil_whole {coil}\nstep {step}\nstep_whole {step_whole}"))
}

/// The voltage of the coil's recording: two levels and the instant between them, as the scipy's model has them.
fn switched_on(time_s: &[f64], voltage_v: &[f64]) -> Drive {
    let at = time_s.partition_point(|t| *t < INSTANT_S);
    let spacing_s = (time_s[time_s.len() - 1] - time_s[0]) / (time_s.len() as f64 - 1.0);
    let jump = Jump { at, before_s: time_s[at] - INSTANT_S, u_s: 0.0 };
    Drive::new(time_s.to_vec(), voltage_v.to_vec(), vec![jump], Some(spacing_s))
}

/// What scipy is asked for, no more: the parameters of one curve and their covariance.
fn bare_coil(drive: &Drive, current_a: &[f64]) -> Result<Found, Unmeasured> {
    let driven = Driven { drive, current_a, noise_a: 0.0, edge_reach_s: 0.0, edge_weight: 0.0 };
    let mut free = [false; P];
    for q in [G, TAU, SHARE, ZERO] {
        free[q] = true;
    }
    let closest = driven.closest(0.0, free)?;
    let p = closest.parameters;
    Ok(vec![
        ("resistance", 1.0 / p[G]),
        ("inductance", p[TAU] / p[G] * (1.0 - p[SHARE])),
        ("time_constant", p[TAU]),
        ("resistance_u", closest.covariance(G, G).sqrt() / p[G].powi(2)),
        ("time_constant_u", closest.covariance(TAU, TAU).sqrt()),
    ])
}

type Found = Vec<(&'static str, f64)>;

#[expect(clippy::disallowed_methods, reason = "time is what is measured here")]
fn timed(fit: impl Fn() -> Result<Found, Unmeasured>) -> Result<String, String> {
    let mut seconds = Vec::with_capacity(REPEATS);
    let mut last = Vec::new();
    for _ in 0..REPEATS {
        let begun = Instant::now();
        last = fit().map_err(|why| why.to_string())?;
        seconds.push(begun.elapsed().as_secs_f64());
    }
    seconds.sort_by(f64::total_cmp);
    let mut line = format!("{:e}", seconds[REPEATS / 2]);
    for (name, found) in last {
        let _ = write!(line, " {name} {found:e}");
    }
    Ok(line)
}

/// The columns of a CSV file below its header.
fn columns(file: &std::path::Path) -> Result<Vec<Vec<f64>>, String> {
    let text = std::fs::read_to_string(file).map_err(|why| format!("{}: {why}", file.display()))?;
    let mut columns: Vec<Vec<f64>> = Vec::new();
    for line in text.lines().skip(1) {
        let cells: Result<Vec<f64>, _> = line.split(',').map(str::parse).collect();
        let cells = cells.map_err(|why| format!("{}: {why}: {line}", file.display()))?;
        columns.resize(cells.len(), Vec::new());
        columns.iter_mut().zip(cells).for_each(|(column, cell)| column.push(cell));
    }
    Ok(columns)
}
