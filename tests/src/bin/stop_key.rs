//! How soon a bench stops, measured through the built program, a terminal and a port, in real time:
//!
//! ```sh
//! cargo build --release -p stepwell
//! cargo run --release -p stepwell-tests --bin stop_key -- --presses 200
//! ```
//!
//! Every time is from the key, signal or cut to the last tick at which the bench did what it must not
//! do any more, at an instant chosen by a printed seed, under pressure. Times are rounded up to the
//! millisecond; the bench is seen every 5 ms. The exit code is 1 when one is beyond its bound, or when the board
//! tripped where it was told to stop, or stopped without a trip where only the lease could run out.

use clap::Parser;
use hdrhistogram::Histogram;
use rustix::pty::{OpenptFlags, openpt, ptsname, unlockpt};
use std::fs::File;
use std::io::{Read, Write};
use std::process::ExitCode;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use stepwell_tests::real::stop::{self, Event, Stopped};
use stepwell_tests::real::{now, program, rest};

/// Programs and benches at once: they wait most of the time.
const AT_ONCE: usize = 4;

/// Every other event happens once for so many presses of the stop key.
const PRESSES_PER_OTHER: u64 = 8;

/// How soon a bench stops, through the built program, a terminal and a port, in real time.
#[derive(Debug, Parser)]
#[command(name = "stop_key")]
struct Args {
    /// How often the stop key is pressed.
    #[arg(long, default_value_t = 200, value_parser = clap::value_parser!(u64).range(1..))]
    presses: u64,
    /// The first seed, of which instants are drawn.
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

fn main() -> ExitCode {
    let Args { presses, seed } = Args::parse();
    let _ = program();
    println!("seeds from {seed} on, {AT_ONCE} at once; ms, rounded up\n");
    println!(
        "| what happens | n | until only a relieving valve is energised: median | 99 % | max | bound | until rest: median | max |"
    );
    println!("|---|---|---|---|---|---|---|---|");
    let pauses = Arc::new(Mutex::new(histogram()));
    watch(&pauses);
    let mut bad = false;
    for event in Event::ALL {
        let times = if event == Event::Space { presses } else { presses.div_ceil(PRESSES_PER_OTHER) };
        bad |= !row(event, &all(event, seed, times));
    }
    let pauses = pauses.lock().unwrap_or_else(PoisonError::into_inner);
    println!(
        "\nThe computer meanwhile: one byte in a thousand took more than {} ms through a pseudo-terminal, \
         the slowest {} ms.",
        pauses.value_at_quantile(0.999),
        pauses.max()
    );
    if bad { ExitCode::FAILURE } else { ExitCode::SUCCESS }
}

fn histogram() -> Histogram<u64> {
    Histogram::<u64>::new(3).expect("three digits are allowed")
}

/// Notes for good how long a byte takes through a pseudo-terminal of its own, in ms: what a busy
/// computer adds, on each of three such ways, to the times above.
fn watch(pauses: &Arc<Mutex<Histogram<u64>>>) {
    let pauses = Arc::clone(pauses);
    let outside = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).expect("a terminal");
    unlockpt(&outside).expect("it is ours");
    let name = ptsname(&outside, Vec::new()).expect("it has a name").to_string_lossy().into_owned();
    std::thread::spawn(move || {
        let mut inside = File::open(name).expect("its other end is there");
        let mut outside = File::from(outside);
        loop {
            let began = now();
            // A whole line, as a terminal hands them on as it comes.
            outside.write_all(b"\n").expect("it is open");
            inside.read_exact(&mut [0]).expect("it is open");
            let took = began.elapsed().as_millis() as u64;
            pauses.lock().unwrap_or_else(PoisonError::into_inner).record(took).expect("it grows");
            // What is echoed.
            outside.read_exact(&mut [0; 2]).expect("it is open");
            rest(Duration::from_millis(2));
        }
    });
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
                    if !stopped.is_as_it_should(event) {
                        eprintln!("seed {}: {}: {stopped:?}", seed + index, event.name());
                    }
                    done.lock().unwrap_or_else(PoisonError::into_inner).push(stopped);
                }
            });
        }
    });
    done.into_inner().unwrap_or_else(PoisonError::into_inner)
}

/// Prints the distribution; whether all of it is as it should be.
fn row(event: Event, stops: &[Stopped]) -> bool {
    let times = |of: fn(&Stopped) -> Duration| {
        let mut times = histogram();
        for stopped in stops {
            times.record(of(stopped).as_micros().div_ceil(1000) as u64).expect("it grows");
        }
        times
    };
    let (work, all) = (times(|stopped| stopped.work_over), times(|stopped| stopped.rest));
    println!(
        "| {} | {} | {} | {} | {} | {} | {} | {} |",
        event.name(),
        work.len(),
        work.value_at_quantile(0.5),
        work.value_at_quantile(0.99),
        work.max(),
        event.bound().as_millis(),
        all.value_at_quantile(0.5),
        all.max(),
    );
    stops.iter().all(|stopped| stopped.is_as_it_should(event))
}
