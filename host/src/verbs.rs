//! The verbs other than `run`.

use crate::cli::{Cli, JsonArgs, StoreArgs, Verb};
use crate::failure::{FILE, Failure};
use crate::print::outln;
use crate::recorded::Kept;
use crate::{analyse, library, print, recompute, recorded, render, run, serve, tui, verify};
use serde_json::json;
use std::path::PathBuf;
use stepwell_procedure::read::{self, Kind};
use stepwell_procedure::record::Ended;
use stepwell_store::{RunState, Store, StoreError};

/// Carries out what was typed and returns the exit code.
pub(crate) fn carry_out(cli: Cli) -> Result<u8, Failure> {
    // Where runs are kept may be said before or after the verb.
    let kept_in = |said: StoreArgs| StoreArgs { store: said.store.or(cli.store.store.clone()) };
    match cli.verb {
        None => tui::screens(&cli.procedure, &cli.bench, &cli.store),
        Some(Verb::Run(args)) => run::headless(&args, &kept_in(args.store.clone())),
        Some(Verb::Runs { json, store }) => runs(&kept_in(store), json),
        Some(Verb::Recompute(args)) => recompute::recompute(&args, &kept_in(args.store.clone())),
        Some(Verb::Analyse(args)) => analyse::analyse(&args),
        Some(Verb::Show { run, budget, json, store }) => show(run, &kept_in(store), budget, json),
        Some(Verb::Verify { run, json, store }) => verify::verify(run, &kept_in(store), json),
        Some(Verb::Check { files }) => check(&files),
        Some(Verb::Ports(json)) => ports(json),
        Some(Verb::Serve(args)) => serve::serve(&args),
    }
}

fn runs(store: &StoreArgs, json: JsonArgs) -> Result<u8, Failure> {
    let runs = match Store::open_to_read(&recorded::store_path(store)?) {
        // For a machine, no store is no runs.
        Err(StoreError::NothingStored { .. }) if json.json => Vec::new(),
        opened => opened?.runs()?,
    };
    if json.json {
        let rows: Vec<_> = runs.iter().map(summary_json).collect();
        outln!("{:#}", json!(rows));
        return Ok(0);
    }
    if runs.is_empty() {
        outln!("No runs yet. `stepwell run acceptance --pump heron --yes` makes one on the built-in bench.");
    }
    for run in runs {
        let head = &run.head;
        let (number, started, pump_id) = (run.number, &head.started, &head.pump_id);
        outln!("{number:>4}  {started}  {pump_id:<16} {:<14} {}", head.procedure, head.pump_sheet);
        let simulated = if head.simulated { "SIMULATED " } else { "" };
        let verdict = run.outcome.verdict.words().to_uppercase();
        let ended = match &run.outcome.ended {
            // By whom, its notes know: `show`.
            Ended::Stopped => "stopped".to_owned(),
            Ended::Declined { step } => render::declined(step),
            ended => render::ended(ended),
        };
        let standing = standing(run.state, ended);
        print::out(&render::wrapped(&format!("{simulated}{verdict}, {standing}"), "      ", "      "));
    }
    Ok(0)
}

/// How a run ended, unless it has not.
fn standing(state: RunState, ended: String) -> String {
    match state {
        RunState::Running => "running: a program is at it now".to_owned(),
        RunState::Sealed | RunState::Interrupted => ended,
    }
}

/// A run in a list: its head without the files' texts, which `show` has.
fn summary_json(run: &stepwell_store::RunSummary) -> serde_json::Value {
    let mut head = json!(run.head);
    if let Some(head) = head.as_object_mut() {
        head.retain(|key, _| !key.ends_with("_text"));
    }
    json!({"run": run.number, "state": run.state.word(), "head": head, "outcome": run.outcome, "duration_s": run.duration_s})
}

fn show(number: u64, store: &StoreArgs, budget: bool, json: JsonArgs) -> Result<u8, Failure> {
    let store = Store::open_to_read(&recorded::store_path(store)?)?;
    let run = store.run(number)?;
    // Told with what is shown, not in its place: whoever looks for a lost run wants to see what there is.
    let bad = store.verify_records(number).err();
    let code = if bad.is_some() { FILE } else { 0 };
    if json.json {
        let shown = json!({
            "run": number,
            "good": bad.is_none(),
            "damage": bad.map(|error| error.to_string()),
            "state": run.state.word(),
            "head": run.head,
            "outcome": run.outcome,
            "steps": run.steps,
            "findings": run.findings.iter().map(render::finding_json).collect::<Vec<_>>(),
            "events": run.events,
        });
        outln!("{shown:#}");
        return Ok(code);
    }
    let warning = bad.map(|error| format!("BAD: {error}. What is shown here may not be what was written."));
    if let Some(warning) = &warning {
        print::out(&render::wrapped(&format!("{warning}\n"), "", "     "));
    }
    let head = &run.head;
    outln!("Run {number}: {} of pump {} on {}", head.procedure, head.pump_id, head.started);
    outln!("Sheets:  pump {}, bench {}", head.pump_sheet, head.bench_sheet);
    outln!("Board:   {}, firmware {}; program {}", head.board, head.firmware, head.program);
    match &head.simulation {
        Some(simulation) => outln!("SIMULATED: {simulation}"),
        None if head.simulated => outln!("SIMULATED: the board says that the rig behind it is a model"),
        None => {}
    }
    if budget {
        outln!("\nBudgets: standard uncertainty u, share of the variance, degrees of freedom\n");
        print::out(&render::budgets(&run.findings));
    } else {
        steps_and_events(&run);
        outln!("\nFindings");
        print::out(&render::findings(&run.findings, render::WIDTH));
    }
    outln!();
    let ended = Kept::told_by(&run.events).ended(&run.outcome);
    let ended = standing(run.state, ended);
    print::out(&render::outcome(&ended, run.outcome.verdict, head.simulated, render::WIDTH));
    if let Some(warning) = &warning {
        print::out(&render::wrapped(warning, "", "     "));
    }
    Ok(code)
}

fn steps_and_events(run: &stepwell_store::StoredRun) {
    outln!("\nSteps");
    for step in &run.steps {
        let seconds = f64::from(step.ticks.1.wrapping_sub(step.ticks.0)) / 1000.0;
        outln!("  {:<44} {seconds:>7.1} s", step.title);
    }
    outln!("\nEvents");
    for event in &run.events {
        let at = format!("  {:>9.3} s  ", f64::from(event.at) / 1000.0);
        print::out(&render::wrapped(&event.text, &at, "               "));
    }
}

fn check(files: &[PathBuf]) -> Result<u8, Failure> {
    let mut wrong = Vec::new();
    let mut names: Vec<(Kind, String, String)> = Vec::new();
    for path in files {
        let file = path.display().to_string();
        let checked = library::read_file("file", path).and_then(|text| {
            let fault = |wrong: read::Wrong| Failure::Usage(wrong.to_string());
            let kind = read::kind_of(&file, &text).map_err(fault)?;
            let name = match kind {
                Kind::PumpSheet => read::pump_sheet(&file, &text).map_err(fault)?.name,
                Kind::BenchSheet => read::bench_sheet(&file, &text).map_err(fault)?.name,
                Kind::Procedure => read::procedure(&file, &text).map_err(fault)?.name,
            };
            Ok((kind, name))
        });
        match checked {
            Ok((kind, name)) => {
                match names.iter().find(|(k, n, _)| *k == kind && *n == name) {
                    Some((_, _, other)) => wrong.push(format!(
                        "{file}: the name “{name}” is taken by {other}; give one of the two another name"
                    )),
                    None => outln!("{file}: {} “{name}”: good", kind.words()),
                }
                names.push((kind, name, file));
            }
            Err(failure) => wrong.push(failure.to_string()),
        }
    }
    if wrong.is_empty() { Ok(0) } else { Err(Failure::Usage(wrong.join("\n"))) }
}

fn ports(json: JsonArgs) -> Result<u8, Failure> {
    let ports = tokio_serial::available_ports()
        .map_err(|error| Failure::Link(format!("listing the serial ports: {error}")))?;
    let kind = |kind: &tokio_serial::SerialPortType| match kind {
        tokio_serial::SerialPortType::UsbPort(usb) => format!(
            "USB {:04x}:{:04x} {} {}",
            usb.vid,
            usb.pid,
            usb.product.as_deref().unwrap_or("no product name"),
            usb.serial_number.as_deref().unwrap_or("no serial number"),
        ),
        tokio_serial::SerialPortType::PciPort => "built into this computer".to_owned(),
        tokio_serial::SerialPortType::BluetoothPort => "radio".to_owned(),
        tokio_serial::SerialPortType::Unknown => "unknown kind".to_owned(),
    };
    if json.json {
        let rows: Vec<_> =
            ports.iter().map(|port| json!({"port": port.port_name, "kind": kind(&port.port_type)})).collect();
        outln!("{:#}", json!(rows));
        return Ok(0);
    }
    if ports.is_empty() {
        outln!("No serial ports. Plug the board in; a pseudo-terminal is never listed, name it by its path.");
    }
    for port in ports {
        outln!("{:<24} {}", port.port_name, kind(&port.port_type));
    }
    Ok(0)
}
