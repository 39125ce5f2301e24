//! Measures what the images cost and holds it against what they may cost. Prints a page in Markdown;
//! exits with 3 when a budget is exceeded.
//!
//! Wants both images with the sizes of their stack frames (`RUSTC_BOOTSTRAP=1 firmware/thumb.sh build --profile firmware
//! -p …`), the emulator, and Debian's binutils-arm-none-eabi.

use std::fmt::Write;
use std::process::ExitCode;
use stepwell_tests::budget::{Image, Row, Worst};
use stepwell_tests::emulated;
use stepwell_tests::operator::Operator;
use stepwell_tests::run_on;
use stepwell_tests::shipped::Scenario;

/// Instructions in the worst tick of a whole run: 5.3 % of what 170 MHz do in a millisecond, at one instruction a
/// cycle. It was set a little above what was measured, so it tells of growth; what the board can do is twenty times as
/// much.
const TICK_INSTRUCTIONS_MAX: u64 = 9_000;
const FLASH_BYTES_MAX: u64 = 96 * 1024;
const RAM_BYTES_MAX: u64 = 48 * 1024;
const STACK_BYTES_MAX: u64 = 4 * 1024;

fn main() -> ExitCode {
    match page() {
        Ok((page, within)) => {
            print!("{page}");
            ExitCode::from(if within { 0 } else { 3 })
        }
        Err(why) => {
            eprintln!("measuring the images: {why}");
            ExitCode::from(2)
        }
    }
}

fn page() -> Result<(String, bool), String> {
    let emulated_path = emulated::image();
    let nucleo_path = emulated_path.with_file_name("stepwell-nucleo-g474re");
    let mut rows = Vec::new();
    let mut notes = Vec::new();

    let scenario = Scenario::healthy("acceptance", "heron", 7);
    let mut bench = emulated::bench(&scenario, None);
    let report = run_on(&mut bench, |traced| traced, scenario.plan(), Operator::willing());
    let counts = bench.bench().instructions();
    notes.push(format!(
        "Instructions: {} ticks of `acceptance` on heron, seed 7, verdict {}; fewest {}, median {}, most {}.",
        counts.len(),
        report.outcome.verdict.words(),
        counts.min(),
        counts.value_at_quantile(0.5),
        counts.max()
    ));
    rows.push(Row::new("emulated", "instructions in the worst tick", counts.max(), TICK_INSTRUCTIONS_MAX));

    for (name, path) in [("emulated", &emulated_path), ("nucleo-g474re", &nucleo_path)] {
        let image = Image::read(path)?;
        let Worst { bytes, path: calls, unsized_functions, indirect_calls } = image.worst_stack()?;
        rows.push(Row::new(name, "flash, bytes", image.flash_bytes, FLASH_BYTES_MAX));
        rows.push(Row::new(name, "static RAM, bytes", image.ram_bytes, RAM_BYTES_MAX));
        rows.push(Row::new(name, "worst stack, bytes", bytes, STACK_BYTES_MAX));
        notes.push(format!("Worst stack of {name}: {}.", calls.join(" → ")));
        notes.push(format!(
            "Of {name}: {indirect_calls} indirect calls; without a known frame: {}.",
            if unsized_functions.is_empty() { "none".to_owned() } else { unsized_functions.join(", ") }
        ));
        if name == "emulated" {
            rows.push(Row::new(name, "functions that panic", image.panics, 0));
        }
    }
    let within = rows.iter().all(Row::within);
    let mut page = String::from(
        "# Budgets\n\nWhat the boards' images cost. Made by `cargo run --release -p stepwell-tests --bin budgets`.\n\n\
         | image | what | measured | at most | |\n|---|---|---:|---:|---|\n",
    );
    for row in &rows {
        page += &row.to_string();
    }
    page += "\nThe emulated image holds core and protocol with nothing beside them that could panic: no function of\n\
             `core::panicking` is linked into it, so nothing in them can.\n\n";
    for note in notes {
        let _ = writeln!(page, "- {note}");
    }
    Ok((page, within))
}
