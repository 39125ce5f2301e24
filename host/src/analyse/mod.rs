//! `analyse`: findings from a recording made elsewhere, with a scope or a logger.
//!
//! The file becomes columns in SI units ([`table`]), the kind decides which estimators they go to
//! ([`kinds`]), and what comes back is printed, drawn or written as JSON. The estimators are those of runs.

mod chart;
mod columns;
mod given;
mod kinds;
mod number;
mod table;

use crate::cli::AnalyseArgs;
use crate::failure::Failure;
use crate::print::outln;
use crate::{print, render};
use chart::Chart;
use serde_json::json;
use stepwell_analysis::Measured;
use stepwell_analysis::uncertainty::{COVERAGE_PROBABILITY, Share};
use stepwell_procedure::quantity::Dimension;

/// What became of one finding.
#[derive(Debug)]
pub(crate) struct Found {
    pub(crate) id: &'static str,
    pub(crate) label: &'static str,
    pub(crate) dimension: Dimension,
    /// The value, or why there is none.
    pub(crate) result: Result<Measured, String>,
    pub(crate) notes: Vec<String>,
}

/// All that a recording tells.
#[derive(Debug)]
pub(crate) struct Analysis {
    pub(crate) findings: Vec<Found>,
    /// What concerns the whole recording.
    pub(crate) notes: Vec<String>,
    pub(crate) chart: Option<Chart>,
}

/// Not everything could be measured.
const NOT_MEASURED: u8 = 4;

pub(crate) fn analyse(args: &AnalyseArgs) -> Result<u8, Failure> {
    let table = table::Table::read(&args.file)?;
    let mut analysis = kinds::analyse(args, &table)?;
    analysis.notes.extend(table.notes);
    if let (Some(path), Ok(recording)) = (&args.plot, args.file.canonicalize())
        && path.canonicalize().is_ok_and(|picture| picture == recording)
    {
        return Err(Failure::Usage(
            "the picture would overwrite the recording; name another file with --plot".into(),
        ));
    }
    if let (Some(path), Some(chart)) = (&args.plot, &analysis.chart) {
        chart.svg(path)?;
    } else if args.plot.is_some() {
        analysis.notes.push("no picture was written: there is nothing to draw".to_owned());
    }
    if args.json.json {
        outln!("{:#}", as_json(args, &analysis));
    } else {
        print(args, &analysis);
    }
    let whole = analysis.findings.iter().all(|found| found.result.is_ok());
    Ok(if whole { 0 } else { NOT_MEASURED })
}

fn as_json(args: &AnalyseArgs, analysis: &Analysis) -> serde_json::Value {
    let finding = |found: &Found| {
        let measured = found.result.as_ref().ok();
        json!({
            "id": found.id,
            "label": found.label,
            "value": measured.map(|m| m.value),
            "unit": render::ucum(found.dimension),
            "expanded_uncertainty": measured.map(Measured::expanded_uncertainty),
            "coverage_factor": measured.map(|m| m.coverage_factor(COVERAGE_PROBABILITY)),
            "coverage_probability": COVERAGE_PROBABILITY,
            "degrees_of_freedom": measured.map(Measured::degrees_of_freedom).filter(|nu| *nu < MANY),
            "budget": measured.map_or(Vec::new(), budget),
            "reason": found.result.as_ref().err(),
            "notes": found.notes,
        })
    };
    let kind = clap::ValueEnum::to_possible_value(&args.kind);
    json!({
        "kind": kind.as_ref().map(clap::builder::PossibleValue::get_name),
        "findings": analysis.findings.iter().map(finding).collect::<Vec<_>>(),
        "notes": analysis.notes,
    })
}

/// So many degrees of freedom are as good as infinitely many.
const MANY: f64 = 1e6;

fn budget(measured: &Measured) -> Vec<serde_json::Value> {
    let line = |part: Share| {
        json!({
            "name": part.name,
            "standard_uncertainty": part.standard_uncertainty,
            "share": part.share,
            "degrees_of_freedom": Some(part.degrees_of_freedom).filter(|nu| *nu < MANY),
        })
    };
    measured.budget().into_iter().map(line).collect()
}

/// Smaller shares of an uncertainty are not told to people.
const SHARE_TOLD_MIN: f64 = 0.005;

/// Lines of the picture in the terminal.
const CHART_HEIGHT: u16 = 14;

fn print(args: &AnalyseArgs, analysis: &Analysis) {
    outln!("{}", args.file.display());
    for found in &analysis.findings {
        match &found.result {
            Ok(measured) => {
                let value =
                    found.dimension.display_with_uncertainty(measured.value, measured.expanded_uncertainty());
                let factor = measured.coverage_factor(COVERAGE_PROBABILITY);
                print::out(&render::wrapped(
                    &format!("{value}   (95 %, k = {factor:.2})"),
                    &label(found),
                    INDENT,
                ));
                let shares: Vec<String> = measured
                    .budget()
                    .iter()
                    .filter(|part| part.share >= SHARE_TOLD_MIN)
                    .map(|part| format!("{} {:.0} %", part.name, 100.0 * part.share))
                    .collect();
                if !shares.is_empty() {
                    print::out(&render::wrapped(&format!("from {}", shares.join(", ")), INDENT, INDENT));
                }
            }
            Err(reason) => {
                print::out(&render::wrapped(&format!("NOT MEASURED: {reason}"), &label(found), INDENT));
            }
        }
        for note in &found.notes {
            print::out(&render::wrapped(note, INDENT, INDENT));
        }
    }
    for note in &analysis.notes {
        print::out(&render::wrapped(note, "Note: ", "      "));
    }
    if let Some(chart) = &analysis.chart {
        outln!();
        print::out(&chart.text(render::WIDTH as u16, CHART_HEIGHT));
    }
}

/// Below a label, in line with its value.
const INDENT: &str = "                                ";

fn label(found: &Found) -> String {
    format!("{:<width$}", format!("{} ", found.label), width = INDENT.len())
}
