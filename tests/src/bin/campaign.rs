//! Whole runs by the thousand, with one thing going wrong in each: what came of them, by what went wrong.
//!
//! ```text
//! cargo run --release -p stepwell-tests --bin campaign -- --runs 1000
//! cargo run --release -p stepwell-tests --bin campaign -- --replay "short heron 17 bad unplug@12000+3000*1"
//! ```
//!
//! A run that is wrong is told on the way too, as soon as it is known: a campaign is long.

use clap::Parser;
use std::io::IsTerminal;
use std::panic::{catch_unwind, resume_unwind};
use std::process::ExitCode;
use std::time::Instant;
use stepwell_tests::trials::parallel::over_seeds;
use stepwell_tests::world::played::case::Case;
use stepwell_tests::world::reports::tally::{Digest, tables};
use stepwell_tests::world::{Story, folder, run};

/// Whole runs in simulation, with one thing going wrong in each.
#[derive(Debug, Parser)]
#[command(name = "campaign")]
struct Args {
    /// How many runs, each from a seed of its own.
    #[arg(long, default_value_t = 1_000, value_parser = clap::value_parser!(u64).range(1..))]
    runs: u64,
    /// The first seed.
    #[arg(long, default_value_t = 0)]
    seed: u64,
    /// One case as the campaign wrote it, again: what was wrong with it, and a number that is the same
    /// whenever every tick of it is. Length, pump, seed, line, and what goes wrong, if anything does:
    /// name@onset+duration*severity, in ms, the onset in rig time or, as work2500, in time at work.
    #[arg(long, value_name = "CASE", conflicts_with_all = ["runs", "seed"])]
    replay: Option<Case>,
}

/// How far it is, is told after so many runs.
const TOLD_EVERY: usize = 100;

fn main() -> ExitCode {
    let args = Args::parse();
    match args.replay {
        Some(case) => replay(&case),
        None => campaign(args.seed, args.runs),
    }
}

/// Carries out a case; its record is looked at and removed.
fn carried_out(case: &Case) -> Story {
    let folder = folder();
    catch_unwind(|| run(case, &folder.path().join("runs.stepwell"))).unwrap_or_else(|fall| {
        eprintln!("WRONG: it falls over\n{}", again(case));
        resume_unwind(fall)
    })
}

/// The command that carries out a case again, in a build that checks what this one checks.
fn again(case: &Case) -> String {
    let release = if cfg!(debug_assertions) { "" } else { " --release" };
    format!("cargo run{release} -p stepwell-tests --bin campaign -- --replay \"{case}\"")
}

fn replay(case: &Case) -> ExitCode {
    let story = carried_out(case);
    println!("{case}\n");
    print!("{}", story.watch.changes());
    for outcome in &story.outcomes {
        println!("outcome: {outcome:?}");
    }
    let at_rest = story.at_rest_ms.map_or("nothing was working".to_owned(), |ms| format!("after {ms} ms"));
    println!("at rest: {at_rest}; tripped: {}", story.tripped);
    println!("samples confirmed: {}, lost: {}", story.acknowledged(), story.lost());
    for wrong in &story.wrong {
        println!("WRONG: {wrong}");
    }
    println!("fingerprint: {:016x}", story.fingerprint());
    if story.wrong.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

#[expect(clippy::disallowed_methods, reason = "people want to know how long it takes")]
fn campaign(seed: u64, runs: u64) -> ExitCode {
    let begun = Instant::now();
    let end = seed + runs;
    println!("Seeds {seed} to {}.\n", end.saturating_sub(1));
    let mut digests = Vec::new();
    for first in (seed..end).step_by(TOLD_EVERY) {
        digests.extend(over_seeds(first..end.min(first + TOLD_EVERY as u64), |seed| {
            let case = Case::drawn(seed);
            let story = carried_out(&case);
            let digest = Digest::of(case, &story);
            if !digest.good() {
                eprintln!("{}", complaint(&digest));
            }
            digest
        }));
        if std::io::stderr().is_terminal() {
            eprint!("\r{} of {runs}", digests.len());
        }
    }
    print!("{}", tables(&digests));
    let bad: Vec<&Digest> = digests.iter().filter(|digest| !digest.good()).collect();
    for digest in &bad {
        println!("\n{}", complaint(digest));
    }
    eprintln!("{runs} runs in {:.1} min", begun.elapsed().as_secs_f64() / 60.0);
    if bad.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// The first thing that was wrong, and how to see it again.
fn complaint(Digest { wrong, case, .. }: &Digest) -> String {
    let wrong = wrong.first().map_or("", String::as_str);
    format!("WRONG: {wrong}\n{}", again(case))
}
