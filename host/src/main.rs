//! The `stepwell` program: what was typed becomes a verb, a verb becomes an exit code.
//!
//! Exit codes: 0 pass · 1 internal · 2 usage or file · 3 fail · 4 conditional, invalid or not
//! measured · 5 link · 6 trip · 130 interrupted.

mod analyse;
mod answers;
mod aside;
mod cli;
mod clock;
mod deliberate;
mod failure;
mod fall;
mod library;
mod mounted;
mod port;
mod print;
mod recompute;
mod recorded;
mod render;
mod run;
mod serve;
mod tui;
mod verbs;
mod verify;

use clap::Parser;
use print::errln;
use std::process::ExitCode;
use tracing_subscriber::filter::LevelFilter;

fn main() -> ExitCode {
    // A write beyond a limit on the size of files fails like any other, instead of ending the program without a word.
    let unheeded = std::sync::Arc::default();
    let _ = signal_hook::flag::register(signal_hook::consts::SIGXFSZ, unheeded);
    log();
    fall::note_and_print();
    let done = std::panic::catch_unwind(|| verbs::carry_out(cli::Cli::parse()));
    let mut code = done.unwrap_or(Ok(failure::INTERNAL)).unwrap_or_else(|failure| {
        errln!("stepwell: {failure}");
        failure.exit_code()
    });
    if let Some(fall) = fall::fallen() {
        errln!("stepwell: the program fell over; this is a fault of its own, report it: {fall}");
        code = failure::INTERNAL;
    }
    aside::finish();
    if let Some(what) = print::lost() {
        errln!("stepwell: {what}");
        code = failure::INTERNAL;
        aside::finish();
    }
    ExitCode::from(code)
}

/// What the engine puts out goes to standard error when somebody asks for it.
fn log() {
    let asked = std::env::var_os("STEPWELL_LOG").unwrap_or_default();
    let level = match &*asked.to_string_lossy() {
        "" => LevelFilter::OFF,
        word => word.parse().unwrap_or_else(|_| {
            errln!(
                "stepwell: STEPWELL_LOG is {word:?} and should be off, error, warn, info, debug or trace: nothing is logged"
            );
            LevelFilter::OFF
        }),
    };
    tracing_subscriber::fmt()
        .with_max_level(level)
        .with_writer(|| print::Log)
        .log_internal_errors(false)
        .init();
}
