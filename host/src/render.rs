//! Runs and findings as text and as JSON: formatting only, no arithmetic beyond units.

use serde_json::{Value as Json, json};
use std::fmt::Write;
use stepwell_procedure::finding::{DECISION_RULE, Finding, Verdict};
use stepwell_procedure::quantity::Dimension;
use stepwell_procedure::record::{Ended, Outcome, UNREACHED};
use stepwell_procedure::sheet::Tolerance;

/// Width of printed text.
const WIDTH: usize = 78;

/// A tolerance as people write it.
pub(crate) fn tolerance(dimension: Dimension, tolerance: Option<&Tolerance>) -> String {
    match tolerance.map(|t| (t.min, t.max)) {
        Some((Some(min), Some(max))) => format!("{} … {}", dimension.display(min), dimension.display(max)),
        Some((Some(min), None)) => format!("≥ {}", dimension.display(min)),
        Some((None, Some(max))) => format!("≤ {}", dimension.display(max)),
        Some((None, None)) | None => "no tolerance".to_owned(),
    }
}

/// A value with its uncertainty, or why there is none.
pub(crate) fn value(finding: &Finding) -> String {
    finding.value.as_ref().map_or("--".to_owned(), |value| {
        finding.dimension.display_with_uncertainty(value.estimate, value.expanded_uncertainty)
    })
}

/// Findings as a table, with notes and what to check next below each that is not a pass; those that
/// were never reached stand together at the end.
pub(crate) fn findings(findings: &[Finding]) -> String {
    let (reached, missed): (Vec<&Finding>, Vec<&Finding>) =
        findings.iter().partition(|finding| unreached(finding).is_none());
    let mut text = table(&reached);
    if let Some(why) = missed.first().and_then(|finding| unreached(finding)) {
        let labels: Vec<&str> = missed.iter().map(|finding| finding.label.as_str()).collect();
        text.push_str(&wrapped(&labels.join("; "), &format!("NOT MEASURED, {why}: "), "    "));
    }
    text
}

/// Why a finding was never reached, when that is so.
fn unreached(finding: &Finding) -> Option<&str> {
    finding.notes.first().map(String::as_str).filter(|note| note.starts_with(UNREACHED))
}

fn table(findings: &[&Finding]) -> String {
    let rows: Vec<[String; 4]> = findings
        .iter()
        .map(|f| {
            [
                f.label.clone(),
                value(f),
                tolerance(f.dimension, f.tolerance.as_ref()),
                f.verdict.words().to_uppercase(),
            ]
        })
        .collect();
    let width = |column: usize| rows.iter().map(|row| row[column].chars().count()).max().unwrap_or(0);
    let widths = [width(0), width(1), width(2)];
    let pad = |cell: &str, width: usize| format!("{cell}{}", " ".repeat(width - cell.chars().count()));
    let mut text = String::new();
    for (row, finding) in rows.iter().zip(findings) {
        let [label, value, tolerance, verdict] = row;
        let (label, value, tolerance) =
            (pad(label, widths[0]), pad(value, widths[1]), pad(tolerance, widths[2]));
        let _ = writeln!(text, "{label}  {value}  {tolerance}  {verdict}");
        if finding.verdict != Verdict::Pass {
            for note in &finding.notes {
                text.push_str(&wrapped(note, "    ", "    "));
            }
            for cause in &finding.check_next {
                text.push_str(&wrapped(cause, "    check next: ", "                "));
            }
        }
    }
    text
}

/// How a run ended, in words.
pub(crate) fn ended(ended: &Ended) -> String {
    match ended {
        Ended::Completed => "completed".to_owned(),
        Ended::Gated { step } => format!("ended after step “{step}”: its findings do not let the work go on"),
        Ended::Stopped => "stopped by the operator".to_owned(),
        Ended::Declined { step } => format!("declined by the operator at step “{step}”"),
        Ended::Tripped { what } => format!("tripped: {what}"),
        Ended::Refused { why } => format!("the board would not: {why}"),
        Ended::LinkLost => {
            "link lost; the board goes to rest by itself within half a second. Check cable, port and \
                            power, then run again"
                .to_owned()
        }
        Ended::Interrupted => "interrupted: the program ended in the middle of the run".to_owned(),
    }
}

/// The last lines of a run.
pub(crate) fn outcome(outcome: &Outcome, simulated: bool) -> String {
    let mut text = wrapped(&ended(&outcome.ended), "Ended:   ", "         ");
    let _ = writeln!(text, "Rule:    {DECISION_RULE}");
    let simulated = if simulated { "   (SIMULATED bench)" } else { "" };
    let _ = writeln!(text, "Verdict: {}{simulated}", outcome.verdict.words().to_uppercase());
    text
}

/// Text broken into lines of at most [`WIDTH`] characters.
pub(crate) fn wrapped(text: &str, first: &str, rest: &str) -> String {
    let mut out = String::new();
    let mut line = first.to_owned();
    let mut bare = true;
    for word in text.split_whitespace() {
        if !bare && line.chars().count() + 1 + word.chars().count() > WIDTH {
            let _ = writeln!(out, "{line}");
            rest.clone_into(&mut line);
            bare = true;
        }
        if !bare {
            line.push(' ');
        }
        line.push_str(word);
        bare = false;
    }
    let _ = writeln!(out, "{line}");
    out
}

/// A finding for machines: values in SI units.
pub(crate) fn finding_json(finding: &Finding) -> Json {
    let value = finding.value.as_ref();
    json!({
        "id": finding.id,
        "step": finding.step,
        "label": finding.label,
        "dimension": finding.dimension,
        "value": value.map(|v| v.estimate),
        "expanded_uncertainty": value.map(|v| v.expanded_uncertainty),
        "coverage_factor": value.map(|v| v.coverage_factor),
        "coverage_probability": 0.95,
        "budget": value.map(|v| v.budget.iter().map(|(name, u)| json!({"name": name, "standard_uncertainty": u})).collect::<Vec<_>>()),
        "tolerance": finding.tolerance,
        "verdict": finding.verdict,
        "notes": finding.notes,
        "check_next": finding.check_next,
    })
}

#[cfg(test)]
mod tests {
    use super::wrapped;

    #[test]
    fn lines_are_broken_between_words_and_never_longer_than_the_width() {
        let text = "word ".repeat(60);
        let out = wrapped(&text, "first: ", "       ");
        assert!(out.lines().all(|line| line.chars().count() <= super::WIDTH));
        assert_eq!(out.matches("word").count(), 60);
        assert!(out.starts_with("first: word"));
    }
}
