//! `recompute`: the findings of a kept run again, from the counts that were recorded.

use crate::cli::{RecomputeArgs, StoreArgs};
use crate::failure::Failure;
use crate::print::outln;
use crate::{library, print, recorded, render};
use serde_json::json;
use stepwell_procedure::finding::{Finding, Verdict};
use stepwell_procedure::read::{self, Wrong};
use stepwell_procedure::recompute::{Compared, KeptRun};
use stepwell_procedure::record::Ended;
use stepwell_procedure::run::Plan;
use stepwell_store::{Store, StoredRun};

pub(crate) fn recompute(args: &RecomputeArgs, store: &StoreArgs) -> Result<u8, Failure> {
    let store = Store::open_to_read(&recorded::store_path(store)?)?;
    // Damaged counts give a finding as good ones do: nothing is computed from them.
    store.verify_records(args.run)?;
    let run = store.run(args.run)?;
    let Some(identity) = run.head.identity.as_ref().filter(|_| !run.rounds.is_empty()) else {
        return Err(Failure::Usage(format!(
            "recomputing run {}: what its findings rest on is not kept with it: it never came to a step, or an \
             older version of this program wrote it; `show` has what was found then",
            args.run
        )));
    };
    let plan = plan(args, &run)?;
    let recording = store.recording(args.run)?;
    let kept = KeptRun {
        identity,
        rounds: &run.rounds,
        bursts: &run.bursts,
        recording: &recording,
        findings: &run.findings,
    };
    let compared = stepwell_procedure::recompute::recompute(&plan, &kept);
    let verdict = verdict(&run, &compared);
    if args.json.json {
        let shown = json!({
            "run": args.run,
            "program": {"then": run.head.program, "now": env!("CARGO_PKG_VERSION")},
            "pump_sheet": {"then": run.head.pump_sheet, "now": plan.pump.name, "same_text": plan.pump.source.text == run.head.pump_sheet_text},
            "bench_sheet": {"then": run.head.bench_sheet, "now": plan.bench.name, "same_text": plan.bench.source.text == run.head.bench_sheet_text},
            "verdict": {"then": run.outcome.verdict, "now": verdict},
            "findings": compared.iter().map(|pair| json!({"then": pair.then.as_ref().map(render::finding_json), "now": render::finding_json(&pair.now)})).collect::<Vec<_>>(),
        });
        outln!("{shown:#}");
    } else {
        print(args, &run, &plan, &compared, verdict);
    }
    Ok(verdict.exit_code())
}

/// The kept files, or those named in their place, checked together as before a run.
fn plan(args: &RecomputeArgs, run: &StoredRun) -> Result<Plan, Failure> {
    let head = &run.head;
    let usage = |wrong: Wrong| Failure::Usage(wrong.to_string());
    let kept = |what: &str| format!("{what} kept with run {}", args.run);
    let pump = match &args.pump {
        Some(sheet) => library::pump(sheet)?,
        None => read::pump_sheet(&kept("pump sheet"), &head.pump_sheet_text).map_err(usage)?,
    };
    let bench = match &args.bench {
        Some(sheet) => library::bench(sheet)?,
        None => read::bench_sheet(&kept("bench sheet"), &head.bench_sheet_text).map_err(usage)?,
    };
    let procedure = read::procedure(&kept("procedure"), &head.procedure_text).map_err(usage)?;
    let faults = read::check_together(&pump, &bench, &procedure);
    if !faults.is_empty() {
        return Err(Failure::Usage(faults.join("\n")));
    }
    Ok(Plan { pump_id: head.pump_id.clone(), pump, bench, procedure })
}

/// The worst of the findings as they are now; never a pass for a run that did not come to its end.
fn verdict(run: &StoredRun, compared: &[Compared]) -> Verdict {
    let whole = matches!(run.outcome.ended, Ended::Completed);
    let floor = if whole { Verdict::Pass } else { Verdict::NotMeasured };
    compared.iter().map(|pair| pair.now.verdict).max().unwrap_or(Verdict::NotMeasured).max(floor)
}

fn print(args: &RecomputeArgs, run: &StoredRun, plan: &Plan, compared: &[Compared], verdict: Verdict) {
    let head = &run.head;
    outln!(
        "Run {}: {} of pump {} on {}, computed again",
        args.run,
        head.procedure,
        head.pump_id,
        head.started
    );
    let sheet = |what: &str, now: [&str; 2], then: [&str; 2]| {
        let [name, text] = now;
        let [kept, kept_text] = then;
        let change = match (text == kept_text, name == kept) {
            (true, _) => "as kept".to_owned(),
            (false, true) => "CHANGED".to_owned(),
            (false, false) => format!("ANOTHER sheet than the run's, {kept}"),
        };
        outln!("{:<13}{name} ({change})", format!("{what} sheet:"));
    };
    let (pump, bench) = (&plan.pump, &plan.bench);
    sheet("Pump", [&pump.name, &pump.source.text], [&head.pump_sheet, &head.pump_sheet_text]);
    sheet("Bench", [&bench.name, &bench.source.text], [&head.bench_sheet, &head.bench_sheet_text]);
    outln!("Program:     {} then, {} now", head.program, env!("CARGO_PKG_VERSION"));
    let differ = compared.iter().filter(|pair| differs(pair)).count();
    outln!("{differ} of {} findings differ.\n", compared.len());
    let row = |cells: [Vec<String>; 3]| {
        let widths = [LABEL_WIDTH, VALUE_WIDTH, VALUE_WIDTH];
        print::out(&render::side_by_side(&cells.into_iter().zip(widths).collect::<Vec<_>>()));
    };
    row([String::new(), "then".to_owned(), "now".to_owned()].map(|title| vec![title]));
    for pair in compared {
        let then = pair.then.as_ref().map_or_else(|| vec!["--".to_owned()], cell);
        row([render::broken(&pair.now.label, LABEL_WIDTH), then, cell(&pair.now)]);
    }
    outln!(
        "\nVerdict: {} then, {} now",
        run.outcome.verdict.words().to_uppercase(),
        verdict.words().to_uppercase()
    );
    outln!("Nothing that is kept has been changed.");
}

/// Widths of the table's columns; with two spaces between them [`render::WIDTH`].
const LABEL_WIDTH: usize = 30;
const VALUE_WIDTH: usize = 22;

/// Whether anything that people read of a finding is another one now.
fn differs(pair: &Compared) -> bool {
    pair.then.as_ref().map(cell) != Some(cell(&pair.now))
}

/// Value, verdict and, where there is no value, the reason, one below the other.
fn cell(finding: &Finding) -> Vec<String> {
    let mut lines = render::broken(&render::value(finding), VALUE_WIDTH);
    lines.extend(render::broken(&finding.verdict.words().to_uppercase(), VALUE_WIDTH));
    if let (None, Some(reason)) = (&finding.value, finding.notes.first()) {
        lines.extend(render::broken(reason, VALUE_WIDTH));
    }
    lines
}
