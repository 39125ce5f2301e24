//! The verbs other than `run`.

use crate::cli::{Cli, JsonArgs, ModelArgs, StoreArgs, Verb};
use crate::failure::Failure;
use crate::print::outln;
use crate::recorded::{Kept, STOPPED_BY_PROGRAM};
use crate::{library, mounted, print, recorded, render, run, tui};
use serde_json::json;
use std::path::PathBuf;
use std::time::Duration;
use stepwell_procedure::read::{self, Kind};
use stepwell_protocol::state::State;
use stepwell_store::{Store, StoreError};
use stepwell_virtual::{Setup, SimulatedBench, VirtualBench, pace};
use tokio::io::AsyncReadExt;

/// Carries out what was typed and returns the exit code.
pub(crate) fn carry_out(cli: Cli) -> Result<u8, Failure> {
    // Where runs are kept may be said before or after the verb.
    let kept_in = |said: StoreArgs| StoreArgs { store: said.store.or(cli.store.store.clone()) };
    match cli.verb {
        None => tui::screens(&cli.procedure, &cli.bench, &cli.store),
        Some(Verb::Run(args)) => run::headless(&args, &kept_in(args.store.clone())),
        Some(Verb::Runs { json, store }) => runs(&kept_in(store), json),
        Some(Verb::Show { run, json, store }) => show(run, &kept_in(store), json),
        Some(Verb::Check { files }) => check(&files),
        Some(Verb::Ports(json)) => ports(json),
        Some(Verb::Serve { pump, model }) => serve(&pump, &model),
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
        let simulated = if run.head.simulated { "SIMULATED " } else { "" };
        outln!(
            "{:>4}  {}  {:<16} {:<14} {:<10} {simulated}{}, {}",
            run.number,
            run.head.started,
            run.head.pump_id,
            run.head.procedure,
            run.head.pump_sheet,
            run.outcome.verdict.words().to_uppercase(),
            render::ended(&run.outcome.ended),
        );
    }
    Ok(0)
}

/// A run in a list: its head without the files' texts, which `show` has.
fn summary_json(run: &stepwell_store::RunSummary) -> serde_json::Value {
    let mut head = json!(run.head);
    if let Some(head) = head.as_object_mut() {
        head.retain(|key, _| !key.ends_with("_text"));
    }
    json!({"run": run.number, "head": head, "outcome": run.outcome, "duration_s": run.duration_s})
}

fn show(number: u64, store: &StoreArgs, json: JsonArgs) -> Result<u8, Failure> {
    let store = Store::open_to_read(&recorded::store_path(store)?)?;
    let run = store.run(number)?;
    if json.json {
        let shown = json!({
            "run": number,
            "head": run.head,
            "outcome": run.outcome,
            "steps": run.steps,
            "findings": run.findings.iter().map(render::finding_json).collect::<Vec<_>>(),
            "events": run.events,
        });
        outln!("{shown:#}");
        return Ok(0);
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
    outln!("\nFindings");
    print::out(&render::findings(&run.findings, render::WIDTH));
    outln!();
    let stopped = run.events.iter().any(|event| event.text.starts_with(STOPPED_BY_PROGRAM));
    let ended = Kept { stopped, ..Kept::default() }.ended(&run.outcome);
    print::out(&render::outcome(&ended, run.outcome.verdict, head.simulated, render::WIDTH));
    Ok(0)
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

/// The built-in bench behind a port of this process, in real time. Must be called inside a runtime.
pub(crate) fn built_in_port(setup: &Setup) -> tokio::io::DuplexStream {
    let (ours, theirs) = tokio::io::duplex(1 << 16);
    let setup = setup.clone();
    tokio::spawn(async move {
        let mut port = ours;
        let mut bytes = [0; 4096];
        // The bench is switched on by the first byte.
        let Ok(len @ 1..) = port.read(&mut bytes).await else { return };
        let mut bench = VirtualBench::new(&setup);
        bench.receive(&bytes[..len]);
        let _ = pace(&mut port, &mut bench, |_| {}).await;
    });
    theirs
}

/// A bench whose port is gone is watched this long before it is switched off, in ticks.
const AFTER_GONE_TICKS: u32 = 8_000;

fn serve(pump: &str, model: &ModelArgs) -> Result<u8, Failure> {
    let setup = mounted::setup(&library::pump(pump)?, model)?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| Failure::Internal(format!("starting the bench: {error}")))?;
    runtime.block_on(async {
        let (mut master, slave) = tokio_serial::SerialStream::pair()
            .map_err(|error| Failure::Link(format!("making a pseudo-terminal: {error}")))?;
        let name = tokio_serial::SerialPort::name(&slave)
            .ok_or_else(|| Failure::Link("making a pseudo-terminal: it has no name".into()))?;
        drop(slave);
        outln!("SIMULATED bench with pump {pump} at {name}. Ctrl-C ends it.");
        outln!("In another terminal: stepwell run acceptance --pump {pump} --port {name} --id NUMBER");
        let stop = tokio::signal::ctrl_c();
        tokio::pin!(stop);
        loop {
            tokio::select! {
                _ = &mut stop => return Ok(130),
                () = one_client(&mut master, &setup) => {}
            }
        }
    })
}

/// Waits for a program, serves it, and watches the bench come to rest when it is gone.
async fn one_client(master: &mut tokio_serial::SerialStream, setup: &Setup) {
    let mut bytes = [0; 4096];
    let len = loop {
        match master.read(&mut bytes).await {
            Ok(len @ 1..) => break len,
            // Nobody has the other end open.
            Ok(0) | Err(_) => tokio::time::sleep(Duration::from_millis(20)).await,
        }
    };
    let mut bench = VirtualBench::new(setup);
    bench.receive(&bytes[..len]);
    outln!("bench switched on by a program");
    let mut log = StateLog { last: State::Rest, energised_until: None };
    let gone = pace(master, &mut bench, |bench| log.watch(bench)).await;
    let at = bench.now();
    outln!("program gone at tick {} ({})", at.0, gone.err().map_or("closed".to_owned(), |e| e.to_string()));
    for _ in 0..AFTER_GONE_TICKS {
        // A bench in this process is never gone.
        let _ = bench.tick();
        log.watch(&bench);
    }
    match log.energised_until {
        Some(until) if until.is_after(at) => {
            outln!(
                "last output energised at tick {}, {} ms after the program was gone",
                until.0,
                until.ms_since(at)
            );
        }
        _ => outln!("nothing was energised any more when the program was gone"),
    }
    outln!("bench switched off, {}", stepwell_procedure::words::state(bench.state()));
}

/// Prints changes of the board's state.
struct StateLog {
    last: State,
    energised_until: Option<stepwell_protocol::time::Tick>,
}

impl StateLog {
    fn watch(&mut self, bench: &impl SimulatedBench) {
        if bench.outputs().energised() {
            self.energised_until = Some(bench.now());
        }
        if bench.state() != self.last {
            self.last = bench.state();
            outln!("tick {:>8}: {}", bench.now().0, stepwell_procedure::words::state(self.last));
        }
    }
}
