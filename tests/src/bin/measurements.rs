//! Prints how good the measurements are, from scratch: how often stated intervals hold the truth, how
//! close estimates come to the best that is possible, how stated uncertainties compare with scatter, and
//! how whole runs on the built-in bench compare with what is really so. Markdown, for
//! `docs/measurements.md`. Exit code 1 when a requirement is not met.
//!
//! ```text
//! cargo run --release -p stepwell-tests --bin measurements            everything
//! cargo run --release -p stepwell-tests --bin measurements coil runs  some of it
//! ```

use std::process::ExitCode;
use stepwell_tests::trials::runs::{self, RunCase};
use stepwell_tests::trials::tables::{Coverage, coverage, efficiency, scatter};
use stepwell_tests::trials::{KINDS, Kind, POINTS, decisions, over_seeds};

/// Recordings of each kind, spread over its range.
const RECORDINGS: u64 = 10_000;
/// Recordings at each bounded working point: the ratio is then good to 1 % (one standard deviation).
const ESTIMATES: u64 = 5_000;
/// Recordings at one working point: their standard deviation is then known to 1/sqrt(2 n) = 1.3 %, against the
/// 5 % that are asked about.
const REPEATS: u64 = 3_000;
/// Items judged for each distance from the limit and each make of measurement.
const ITEMS: usize = 20_000;
/// Largest share of items just outside tolerance that may be passed.
const FALSE_ACCEPT_MAX: f64 = 0.025;
/// End-to-end runs.
const RUNS: u64 = 240;

/// Coverage of intervals that are stated for 95 %.
const COVERED: std::ops::RangeInclusive<f64> = 0.94..=0.97;
/// Largest rms error over the bound of Cramér and Rao.
const RMS_OVER_BOUND_MAX: f64 = 1.15;
/// Farthest that stated uncertainty and scatter may be apart.
const RATIO_WITHIN: f64 = 0.05;
/// Least share of all end-to-end findings whose interval holds the truth, and of each.
const RUNS_HELD_MIN: (f64, f64) = (0.94, 0.90);

/// What is wanted of a row of a table, and whether it is so.
#[derive(Clone, Debug)]
struct Checked {
    /// The table and what its row is about, as the summary groups them.
    of: String,
    /// The row.
    row: String,
    met: bool,
}

impl Checked {
    fn new(of: String, row: impl Into<String>, met: bool) -> Checked {
        Checked { of, row: row.into(), met }
    }
}

/// A table of its own: its name, and what prints it and says what it found.
type Other = (&'static str, fn() -> Vec<Checked>);

/// Tables besides those of the kinds.
const OTHERS: &[Other] = &[("decisions", print_decisions), ("runs", print_runs)];

#[expect(clippy::disallowed_methods, reason = "people want to know how long it takes")]
fn main() -> ExitCode {
    let begun = std::time::Instant::now();
    let asked: Vec<String> = std::env::args().skip(1).collect();
    let known: Vec<&str> =
        KINDS.iter().map(|kind| kind.name).chain(OTHERS.iter().map(|other| other.0)).collect();
    if let Some(unknown) = asked.iter().find(|asked| !known.contains(&asked.as_str())) {
        eprintln!("no measurements called {unknown}; there are {}", known.join(", "));
        return ExitCode::from(2);
    }
    let wanted = |name: &str| asked.is_empty() || asked.iter().any(|asked| asked == name);
    let kinds: Vec<&Kind> = KINDS.iter().filter(|kind| wanted(kind.name)).collect();
    let mut checked = Vec::new();
    if !kinds.is_empty() {
        checked.extend(print_coverage(&kinds));
        checked.extend(print_efficiency(&kinds));
        checked.extend(print_scatter(&kinds));
    }
    for (_, print) in OTHERS.iter().filter(|other| wanted(other.0)) {
        checked.extend(print());
    }
    print_summary(&checked);
    let processors = std::thread::available_parallelism().map_or(1, usize::from);
    println!("{} s on {processors} processors.", begun.elapsed().as_secs());
    if checked.iter().all(|checked| checked.met) { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

fn print_summary(checked: &[Checked]) {
    println!("## Requirements\n");
    println!("| requirement | rows | met |");
    println!("|---|---:|---|");
    for rows in checked.chunk_by(|a, b| a.of == b.of) {
        let out: Vec<&str> = rows.iter().filter(|row| !row.met).map(|row| row.row.as_str()).collect();
        let met = if out.is_empty() { "met".to_owned() } else { format!("**not met**: {}", out.join(", ")) };
        println!("| {} | {} | {met} |", rows[0].of, rows.len());
    }
    let wanting = checked.iter().filter(|row| !row.met).count();
    println!("\n{wanting} of {} rows do not meet their requirement.\n", checked.len());
}

/// A mark for what does not meet its requirement.
fn mark(met: bool) -> &'static str {
    if met { "" } else { " **out**" }
}

fn per_cent(share: Option<f64>) -> String {
    share.map_or_else(|| "–".to_owned(), |share| format!("{:.2}", 100.0 * share))
}

fn print_coverage(kinds: &[&Kind]) -> Vec<Checked> {
    println!("## Coverage\n");
    println!(
        "{RECORDINGS} recordings of each kind, spread over its working range. Covered: the interval stated \
         for 95 % holds the truth, {:.0} to {:.0} % wanted; of a point such as no overshoot at least as often. U: \
         expanded uncertainty over the value, median.\n",
        100.0 * COVERED.start(),
        100.0 * COVERED.end()
    );
    println!("| kind | finding | recordings | measured | covered, % | U, % | refused |");
    println!("|---|---|---:|---:|---:|---:|---|");
    let mut checked = Vec::new();
    for kind in kinds {
        for row in coverage(kind, RECORDINGS) {
            let is_met = |held: f64| {
                let too_often = held > *COVERED.end() && !POINTS.contains(&row.finding);
                held >= *COVERED.start() && !too_often
            };
            let met = row.held().is_some_and(is_met);
            checked.push(Checked::new(format!("coverage, {}", kind.name), row.finding, met));
            println!(
                "| {} | `{}` | {} | {} | {}{} | {} | {} |",
                kind.name,
                row.finding,
                row.recordings,
                row.measured(),
                per_cent(row.held()),
                mark(met),
                per_cent(row.median_relative()),
                refused(&row)
            );
        }
    }
    println!();
    checked
}

fn refused(row: &Coverage) -> String {
    let reasons: Vec<String> =
        row.refused.iter().map(|(reason, number)| format!("{reason} {number}")).collect();
    reasons.join(", ")
}

fn print_efficiency(kinds: &[&Kind]) -> Vec<Checked> {
    println!("## Efficiency\n");
    println!(
        "Root mean square error in white noise over the smallest possible (Cramér and Rao), {ESTIMATES} \
         recordings each; at most {RMS_OVER_BOUND_MAX} wanted.\n"
    );
    println!("| kind | finding | working point | measured | refused | rms / bound |");
    println!("|---|---|---|---:|---:|---:|");
    let mut checked = Vec::new();
    for kind in kinds {
        for row in efficiency(kind, ESTIMATES) {
            let met = row.rms_over_bound <= RMS_OVER_BOUND_MAX;
            let name = format!("{} ({})", row.finding, row.point);
            checked.push(Checked::new(format!("efficiency, {}", kind.name), name, met));
            println!(
                "| {} | `{}` | {} | {} | {} | {:.3}{} |",
                kind.name,
                row.finding,
                row.point,
                row.estimates,
                row.refused,
                row.rms_over_bound,
                mark(met)
            );
        }
    }
    println!();
    checked
}

fn print_scatter(kinds: &[&Kind]) -> Vec<Checked> {
    println!("## Stated uncertainty against Monte Carlo\n");
    println!(
        "{REPEATS} recordings at one working point, errors of instruments drawn as stated (JCGM 101). Ratio: \
         root mean square of the stated standard uncertainties over the standard deviation of value less \
         truth, within {:.0} % of 1 wanted. Bias: mean of value less truth, in stated uncertainties.\n",
        100.0 * RATIO_WITHIN
    );
    println!("| kind | finding | measured | refused | standard deviation | stated | ratio | bias |");
    println!("|---|---|---:|---:|---:|---:|---:|---:|");
    let mut checked = Vec::new();
    for kind in kinds {
        for row in scatter(kind, REPEATS) {
            let met = (row.ratio() - 1.0).abs() <= RATIO_WITHIN;
            checked.push(Checked::new(format!("stated uncertainty, {}", kind.name), row.finding, met));
            println!(
                "| {} | `{}` | {} | {} | {:.3e} | {:.3e} | {:.3}{} | {:+.3} |",
                kind.name,
                row.finding,
                row.measured,
                row.refused,
                row.standard_deviation,
                row.stated,
                row.ratio(),
                mark(met),
                row.bias
            );
        }
    }
    println!();
    checked
}

fn print_decisions() -> Vec<Checked> {
    println!("## Decisions\n");
    println!(
        "Items at and beyond the upper limit of a tolerance, {ITEMS} for each of {} makes of measurement. \
         Distance in standard uncertainties; at most {:.1} % of the items just outside may pass.\n",
        decisions::MEASUREMENTS.len(),
        100.0 * FALSE_ACCEPT_MAX
    );
    println!(
        "| outside by | pass, % | conditional pass, % | conditional fail, % | fail, % | worst pass, % |"
    );
    println!("|---:|---:|---:|---:|---:|---:|");
    let mut checked = Vec::new();
    for row in decisions::decisions(ITEMS, 1) {
        let share = |number: usize| number as f64 / row.all.items as f64;
        // A rule at exactly its limit passes and fails it by the luck of the draw: three of its standard
        // deviations are allowed.
        let luck = 3.0 * (FALSE_ACCEPT_MAX * (1.0 - FALSE_ACCEPT_MAX) / row.all.items as f64).sqrt();
        let met = share(row.all.pass) <= FALSE_ACCEPT_MAX + luck;
        checked.push(Checked::new("false accepts".to_owned(), format!("{} u outside", row.outside_u), met));
        println!(
            "| {} | {:.2}{} | {:.2} | {:.2} | {:.2} | {:.2} |",
            row.outside_u,
            100.0 * share(row.all.pass),
            mark(met),
            100.0 * share(row.all.conditional_pass),
            100.0 * share(row.all.conditional_fail),
            100.0 * share(row.all.fail),
            100.0 * row.worst_pass_share
        );
    }
    println!();
    checked
}

fn print_runs() -> Vec<Checked> {
    println!("## Runs on the built-in bench\n");
    println!(
        "{RUNS} acceptance runs, pump, surroundings and errors of instruments drawn anew for each. Held: the \
         interval holds what is really so; {:.0} % of all wanted, {:.0} % of each finding. Error: mean and \
         standard deviation of value less truth, in standard uncertainties.\n",
        100.0 * RUNS_HELD_MIN.0,
        100.0 * RUNS_HELD_MIN.1
    );
    println!("| finding | measured | not measured | held, % | error |");
    println!("|---|---:|---:|---:|---:|");
    let cases = over_seeds(1..RUNS + 1, runs::cases).concat();
    let mut findings: Vec<&str> = Vec::new();
    for case in &cases {
        if !findings.contains(&case.finding.as_str()) {
            findings.push(&case.finding);
        }
    }
    let mut checked = Vec::new();
    for finding in findings {
        let of: Vec<&RunCase> = cases.iter().filter(|case| case.finding == finding).collect();
        checked.push(print_runs_row(finding, &of, RUNS_HELD_MIN.1));
    }
    checked.push(print_runs_row("all", &cases.iter().collect::<Vec<_>>(), RUNS_HELD_MIN.0));
    println!();
    checked
}

fn print_runs_row(name: &str, cases: &[&RunCase], held_min: f64) -> Checked {
    let found: Vec<_> = cases.iter().filter_map(|case| case.found.as_ref().ok()).collect();
    let count = found.len() as f64;
    let held = found.iter().filter(|found| found.holds()).count() as f64 / count;
    let errors: Vec<f64> = found.iter().map(|found| found.error()).collect();
    let mean = errors.iter().sum::<f64>() / count;
    let deviation = (errors.iter().map(|error| (error - mean).powi(2)).sum::<f64>() / count).sqrt();
    let met = held >= held_min;
    println!(
        "| `{name}` | {} | {} | {}{} | {mean:+.2} ± {deviation:.2} |",
        found.len(),
        cases.len() - found.len(),
        per_cent((count > 0.0).then_some(held)),
        mark(met)
    );
    Checked::new("runs".to_owned(), name, met)
}
