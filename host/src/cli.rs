//! What can be typed.

use clap::{Args, Parser, Subcommand};
use std::path::PathBuf;

/// Bench-test controller for the two solenoid valves of a common-rail diesel pump on a test rig.
///
/// Without a verb the screens open. Not a safety component: guard, relief valve and emergency stop
/// must work without it. Local codes, the maker's data and licensed practice come first.
#[derive(Debug, Parser)]
#[command(
    version,
    after_help = "Exit codes: 0 pass, 1 internal, 2 usage or file, 3 fail, 4 conditional, invalid or \
    not measured, 5 link, 6 trip, 130 interrupted.\n\nExamples:\n  stepwell\n  stepwell run acceptance --pump heron --yes\n  \
    stepwell run electrical --pump my-pump.toml --port /dev/ttyACM0 --id P-1042\n  stepwell show 3"
)]
pub(crate) struct Cli {
    #[command(subcommand)]
    pub(crate) verb: Option<Verb>,
    #[command(flatten)]
    pub(crate) bench: BenchArgs,
    #[command(flatten)]
    pub(crate) store: StoreArgs,
    /// Procedure that the screens begin with: a shipped one or a file
    #[arg(long, default_value = "acceptance")]
    pub(crate) procedure: String,
}

/// Where runs are kept.
#[derive(Clone, Debug, Args)]
pub(crate) struct StoreArgs {
    /// File that keeps the runs [default: in your data folder]
    #[arg(long, value_name = "FILE")]
    pub(crate) store: Option<PathBuf>,
}

/// Which bench, which pump.
#[derive(Clone, Debug, Args)]
pub(crate) struct BenchArgs {
    /// Pump sheet: a shipped one (heron, plover, dunlin) or a file
    #[arg(long, default_value = "heron", value_name = "SHEET")]
    pub(crate) pump: String,
    /// Bench sheet: a shipped one or a file
    #[arg(long, default_value = "demo", value_name = "SHEET")]
    pub(crate) bench: String,
    /// Serial port of a real board [default: the built-in bench]
    #[arg(long, value_name = "PORT", conflicts_with_all = ["seed", "inject"])]
    pub(crate) port: Option<String>,
    /// The pump's own number; required with --port
    #[arg(long, value_name = "ID")]
    pub(crate) id: Option<String>,
    #[command(flatten)]
    pub(crate) model: ModelArgs,
}

/// What stands on the built-in bench.
#[derive(Clone, Debug, Args)]
pub(crate) struct ModelArgs {
    /// Seed of everything random on the built-in bench
    #[arg(long, default_value_t = 1, value_name = "N")]
    pub(crate) seed: u64,
    /// Fault on the built-in bench, with a severity (1 = fully developed); may be given again
    #[arg(long, value_name = "FAULT[=SEVERITY]")]
    pub(crate) inject: Vec<String>,
}

/// The verbs.
#[derive(Debug, Subcommand)]
pub(crate) enum Verb {
    /// Carry out a procedure without screens
    Run(RunArgs),
    /// List the runs that are kept
    Runs {
        #[command(flatten)]
        json: JsonArgs,
        #[command(flatten)]
        store: StoreArgs,
    },
    /// Show a run: steps, findings, events
    Show {
        /// Number of the run
        #[arg(value_parser = run_number)]
        run: u64,
        /// Show where the uncertainty of each finding comes from, in place of steps and events
        #[arg(long, conflicts_with = "json")]
        budget: bool,
        #[command(flatten)]
        json: JsonArgs,
        #[command(flatten)]
        store: StoreArgs,
    },
    /// Check that every record of a run, or of all, is what was written: each bears the digest of those before
    /// it. Names the first that is not, and the runs that are good all the same
    Verify {
        /// Number of the run [default: all]
        #[arg(value_parser = run_number)]
        run: Option<u64>,
        #[command(flatten)]
        json: JsonArgs,
        #[command(flatten)]
        store: StoreArgs,
    },
    /// Compute the findings of a run again, from what was recorded: with corrected sheets, or with this
    /// version of the program. Shows old and new side by side and changes nothing that is kept
    Recompute(RecomputeArgs),
    /// Compute findings from a recording made elsewhere: comma-separated values, columns named `name [unit]`
    Analyse(AnalyseArgs),
    /// Check sheets and procedures
    Check {
        /// The files
        #[arg(required = true)]
        files: Vec<PathBuf>,
    },
    /// List the serial ports
    Ports(JsonArgs),
    /// Offer the built-in bench on a pseudo-terminal, for another program to use as a port
    Serve(ServeArgs),
}

/// The number of a run as it is typed.
fn run_number(typed: &str) -> Result<u64, &'static str> {
    typed.parse().map_err(|_| "a run has a whole number, 1 for the first; `stepwell runs` lists them")
}

/// Arguments of `analyse`. Quantities are written with their units, and may bear the half-width of a 95 %
/// interval: "80 degC within 2 K".
#[derive(Debug, Args)]
#[command(
    after_help = "Columns: time [s], voltage [V] across the coil, current [A], pressure [bar] above atmosphere, absolute \
    pressure [bar], flow [mL/s], duty [%], temperature [degC]; in any order, others are passed over. For `flow` a \
    single column time [s] holds the instants of pulses.\n\nExamples:\n  stepwell analyse coil scope.csv \
    --coil-temperature \"23 degC within 1 K\"\n  stepwell analyse step logger.csv --plot step.svg\n  stepwell analyse flow \
    pulses.csv --k-factor \"8234 /L within 1 %\" --json"
)]
pub(crate) struct AnalyseArgs {
    /// What was recorded
    pub(crate) kind: AnalyseKind,
    /// The recording
    pub(crate) file: PathBuf,
    /// Temperature of the coil's copper, for its resistance at 20 °C
    #[arg(long, value_name = "QUANTITY", allow_hyphen_values = true)]
    pub(crate) coil_temperature: Option<String>,
    /// Volume of rail and pipes
    #[arg(long, value_name = "QUANTITY")]
    pub(crate) volume: Option<String>,
    /// Bulk modulus of the liquid
    #[arg(long, value_name = "QUANTITY")]
    pub(crate) liquid_modulus: Option<String>,
    /// Pulses of the flow meter per volume
    #[arg(long, value_name = "QUANTITY")]
    pub(crate) k_factor: Option<String>,
    /// Instant of the step on the recording's time axis [default: the edge in the duty column]
    #[arg(long, value_name = "QUANTITY", allow_hyphen_values = true)]
    pub(crate) at: Option<String>,
    /// Write a picture of recording and fit to this SVG file
    #[arg(long, value_name = "FILE")]
    pub(crate) plot: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) json: JsonArgs,
}

/// Kinds of recordings.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum AnalyseKind {
    /// Voltage across a coil and its current: resistance at 20 °C, inductance
    Coil,
    /// Pressure around a step of duty: rise, dead time, time constant, rise time, overshoot
    Step,
    /// Pressure while a shut rail is filled: air in it
    Air,
    /// Pressure of a shut rail left to itself: rate and time constant of the leak
    LeakDown,
    /// Pressure or flow over duty, up and down: hysteresis, dead band, linearity
    Sweep,
    /// Flow from the instants of a meter's pulses, or from a column
    Flow,
}

/// Arguments of `recompute`.
#[derive(Debug, Args)]
pub(crate) struct RecomputeArgs {
    /// Number of the run
    #[arg(value_parser = run_number)]
    pub(crate) run: u64,
    /// Bench sheet to use in place of the one that is kept with the run
    #[arg(long, value_name = "SHEET")]
    pub(crate) bench: Option<String>,
    /// Pump sheet to use in place of the one that is kept with the run
    #[arg(long, value_name = "SHEET")]
    pub(crate) pump: Option<String>,
    #[command(flatten)]
    pub(crate) json: JsonArgs,
    #[command(flatten)]
    pub(crate) store: StoreArgs,
}

/// Arguments of `serve`.
#[derive(Debug, Args)]
pub(crate) struct ServeArgs {
    /// Pump sheet of the pump on it
    #[arg(long, default_value = "heron", value_name = "SHEET")]
    pub(crate) pump: String,
    #[command(flatten)]
    pub(crate) model: ModelArgs,
    /// Image of the emulated board, to run in place of the built-in board
    #[arg(long, value_name = "FILE")]
    pub(crate) image: Option<PathBuf>,
    /// What befalls the emulated board's processor, and when: hang, hard-fault, stack-overflow, panic or
    /// brown-out, with the seconds after its start
    #[arg(long, requires = "image", value_name = "KIND@SECONDS")]
    pub(crate) board_fault: Option<String>,
}

/// Arguments of `run`.
#[derive(Debug, Args)]
pub(crate) struct RunArgs {
    /// Procedure: a shipped one (electrical, fill-and-purge, acceptance) or a file
    pub(crate) procedure: String,
    #[command(flatten)]
    pub(crate) bench: BenchArgs,
    /// Answer every question with “done”; only where nobody can be hurt
    #[arg(long)]
    pub(crate) yes: bool,
    /// Run the built-in bench in real time instead of as fast as it can
    #[arg(long, conflicts_with = "port")]
    pub(crate) real_time: bool,
    #[command(flatten)]
    pub(crate) json: JsonArgs,
    #[command(flatten)]
    pub(crate) store: StoreArgs,
}

/// For machines.
#[derive(Clone, Copy, Debug, Args)]
pub(crate) struct JsonArgs {
    /// Print JSON
    #[arg(long)]
    pub(crate) json: bool,
}
