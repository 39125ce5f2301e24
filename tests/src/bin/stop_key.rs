//! How soon a bench stops, measured through the built program, a terminal and a port, in real time:
//!
//! ```sh
//! cargo build --release -p stepwell
//! cargo run --release -p stepwell-tests --bin stop_key -- --presses 200
//! ```
//!
//! Every time is from the key, signal or cut to the last tick at which the bench did what it must not
//! do any more, at an instant chosen by a printed seed, under pressure. Times are rounded up to the
//! millisecond; the bench is seen every 5 ms. The exit code is 1 when one is beyond its bound.

use hdrhistogram::Histogram;
use std::process::ExitCode;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};
use stepwell_tests::real::program;
use stepwell_tests::real::stop::{self, Event, Stopped};

/// Programs and benches at once: they wait most of the time.
const AT_ONCE: usize = 4;

/// Every other event happens once for so many presses of the stop key.
const PRESSES_PER_OTHER: u64 = 8;

fn main() -> ExitCode {
    let typed: Vec<String> = std::env::args().skip(1).collect();
    let number = |name: &str, otherwise: u64| {
        let at = typed.iter().position(|word| word == name);
        at.and_then(|at| typed.get(at + 1)?.parse().ok()).unwrap_or(otherwise)
    };
    let (presses, seed) = (number("--presses", 200), number("--seed", 1));
    let _ = program();
    println!("seeds from {seed} on, {AT_ONCE} at once; ms, rounded up\n");
    println!(
        "| what happens | n | until only a relieving valve is energised: median | 99 % | max | bound | until rest: median | max |"
    );
    println!("|---|---|---|---|---|---|---|---|");
    let mut bad = false;
    for event in Event::ALL {
        let times = if event == Event::Space { presses } else { presses.div_ceil(PRESSES_PER_OTHER) };
        bad |= !row(event, &all(event, seed, times));
    }
    if bad { ExitCode::FAILURE } else { ExitCode::SUCCESS }
}

/// Lets `event` happen so many times.
fn all(event: Event, seed: u64, times: u64) -> Vec<Stopped> {
    let (next, done) = (AtomicU64::new(0), Mutex::new(Vec::new()));
    std::thread::scope(|scope| {
        for _ in 0..AT_ONCE {
            scope.spawn(|| {
                loop {
                    let index = next.fetch_add(1, Ordering::Relaxed);
                    if index >= times {
                        return;
                    }
                    let folder = tempfile::tempdir().expect("a folder for its runs");
                    let stopped = stop::once(event, seed + index, folder.path());
                    if stopped.work_over > event.bound() {
                        eprintln!("seed {}: {}: {stopped:?}", seed + index, event.name());
                    }
                    done.lock().unwrap_or_else(PoisonError::into_inner).push(stopped);
                }
            });
        }
    });
    done.into_inner().unwrap_or_else(PoisonError::into_inner)
}

/// Prints the distribution; whether all of it is within the bound.
fn row(event: Event, stops: &[Stopped]) -> bool {
    let histogram = |of: fn(&Stopped) -> std::time::Duration| {
        let mut times = Histogram::<u64>::new(3).expect("three digits are allowed");
        for stopped in stops {
            times.saturating_record(of(stopped).as_micros().div_ceil(1000) as u64);
        }
        times
    };
    let (work, rest) = (histogram(|stopped| stopped.work_over), histogram(|stopped| stopped.rest));
    println!(
        "| {} | {} | {} | {} | {} | {} | {} | {} |",
        event.name(),
        work.len(),
        work.value_at_quantile(0.5),
        work.value_at_quantile(0.99),
        work.max(),
        event.bound().as_millis(),
        rest.value_at_quantile(0.5),
        rest.max(),
    );
    stops.iter().all(|stopped| stopped.work_over <= event.bound())
}
