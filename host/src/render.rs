//! Runs and findings as text and as JSON: formatting only, no arithmetic beyond units.

use serde_json::{Value as Json, json};
use std::fmt::Write;
use stepwell_analysis::uncertainty::COVERAGE_PROBABILITY;
use stepwell_procedure::finding::{BudgetLine, DECISION_RULE, Finding, Value, Verdict};
use stepwell_procedure::quantity::Dimension;
use stepwell_procedure::record::{Ended, UNREACHED};
use stepwell_procedure::sheet::Tolerance;

/// Width of printed text.
pub(crate) const WIDTH: usize = 78;

/// A tolerance as people write it.
pub(crate) fn tolerance(dimension: Dimension, tolerance: Option<&Tolerance>) -> String {
    match tolerance.map(|t| (t.min, t.max)) {
        Some((Some(min), Some(max))) => format!("{} … {}", dimension.display(min), dimension.display(max)),
        Some((Some(min), None)) => format!("≥ {}", dimension.display(min)),
        Some((None, Some(max))) => format!("≤ {}", dimension.display(max)),
        Some((None, None)) | None => "no tolerance".to_owned(),
    }
}

/// How probable it is that the true value lies within its limits, where that is known.
pub(crate) fn conformity(finding: &Finding) -> Option<String> {
    let percent = finding.conformity? * 100.0;
    // Nothing measured is ever certain.
    Some(match percent {
        above if above > 99.9 => "conforming > 99.9 %".to_owned(),
        below if below < 0.1 => "conforming < 0.1 %".to_owned(),
        between => format!("conforming {between:.1} %"),
    })
}

/// A value with its uncertainty, or why there is none.
pub(crate) fn value(finding: &Finding) -> String {
    finding.value.as_ref().map_or("--".to_owned(), |value| {
        finding.dimension.display_with_uncertainty(value.estimate, value.expanded_uncertainty)
    })
}

/// Findings as a table at most `width` characters wide, with notes and what to check next below each
/// that is not a pass; those that were never reached stand together at the end.
pub(crate) fn findings(findings: &[Finding], width: usize) -> String {
    let (reached, missed): (Vec<&Finding>, Vec<&Finding>) =
        findings.iter().partition(|finding| unreached(finding).is_none());
    let mut text = table(&reached, width);
    if let Some(why) = missed.first().and_then(|finding| unreached(finding)) {
        let labels: Vec<&str> = missed.iter().map(|finding| finding.label.as_str()).collect();
        let missing = format!("NOT MEASURED, {why}: {}", labels.join("; "));
        text.push_str(&wrapped_to(width, &missing, "", "    "));
    }
    text
}

/// The budget of each finding that has a value: where its uncertainty comes from, largest part first.
pub(crate) fn budgets(findings: &[Finding]) -> String {
    let measured = findings.iter().filter_map(|finding| Some((finding, finding.value.as_ref()?)));
    measured.map(|(finding, value)| budget(finding, value)).collect::<Vec<_>>().join("\n")
}

fn budget(finding: &Finding, measured: &Value) -> String {
    let of = |u: f64| finding.dimension.display_uncertainty_of(measured.estimate, u);
    let u = measured.standard_uncertainty();
    let mut rows = vec![["contribution", "u", "share", "dof"].map(str::to_owned)];
    // Runs of the first programs kept their parts in the order in which they were added.
    let mut parts: Vec<&BudgetLine> = measured.budget.iter().collect();
    parts.sort_by(|a, b| b.standard_uncertainty.total_cmp(&a.standard_uncertainty));
    rows.extend(parts.iter().map(|part| {
        let share = format!("{:.1} %", 100.0 * (part.standard_uncertainty / u).powi(2));
        [part.name.clone(), of(part.standard_uncertainty), share, freedom(part.degrees_of_freedom)]
    }));
    let whole = format!("combined, k = {:.2}", measured.coverage_factor);
    rows.push([whole, of(u), String::new(), freedom(measured.degrees_of_freedom)]);
    let width = |column: usize| rows.iter().map(|row| row[column].chars().count()).max().unwrap_or(0);
    let [name, number, share, dof] = [0, 1, 2, 3].map(width);
    let mut text = format!("{}: {}\n", finding.label, value(finding));
    for row in &rows {
        let line = format!("  {:<name$}  {:>number$}  {:>share$}  {:>dof$}", row[0], row[1], row[2], row[3]);
        let _ = writeln!(text, "{}", line.trim_end());
    }
    text
}

/// Degrees of freedom as people read them.
fn freedom(degrees_of_freedom: Option<f64>) -> String {
    match degrees_of_freedom {
        None => "--".to_owned(),
        // So many are as good as a given quantity's.
        Some(many) if many >= 1e4 => "∞".to_owned(),
        Some(some) if some >= 100.0 => format!("{some:.0}"),
        Some(few) => format!("{few:.1}"),
    }
}

/// How many findings are no pass, in words.
pub(crate) fn count(findings: &[Finding]) -> String {
    let passed = findings.iter().filter(|finding| finding.verdict == Verdict::Pass).count();
    match (findings.len(), findings.len() - passed) {
        (0, _) => "no findings".to_owned(),
        (all, 0) => format!("all {all} findings pass"),
        (all, out) => format!("{out} of {all} findings do not pass"),
    }
}

/// Why a finding was never reached, when that is so.
fn unreached(finding: &Finding) -> Option<&str> {
    finding.notes.first().map(String::as_str).filter(|note| note.starts_with(UNREACHED))
}

/// Narrowest column of labels; where it would be narrower, value and tolerance stand below the label.
const LABEL_MIN: usize = 20;

/// Between two columns.
const SPACE: usize = 2;

fn table(findings: &[&Finding], width: usize) -> String {
    let rows: Vec<[String; 5]> = findings
        .iter()
        .map(|f| {
            [
                f.verdict.words().to_uppercase(),
                f.label.clone(),
                value(f),
                tolerance(f.dimension, f.tolerance.as_ref()),
                conformity(f).unwrap_or_default(),
            ]
        })
        .collect();
    let widest = |column: usize| rows.iter().map(|row| row[column].chars().count()).max().unwrap_or(0);
    let longest_word = |row: &[String; 5]| row[0].split(' ').map(str::len).max().unwrap_or(0);
    let verdict_width = rows.iter().map(longest_word).max().unwrap_or(0);
    let (value_width, tolerance_width) = (widest(2), widest(3).max(widest(4)));
    let label_width =
        width.saturating_sub(verdict_width + value_width + tolerance_width + 3 * SPACE).min(widest(1));
    let stacked = label_width < LABEL_MIN.min(widest(1));
    let mut text = String::new();
    for (row, finding) in rows.iter().zip(findings) {
        let [verdict, label, value, tolerance, conformity] = row;
        let verdict = broken(verdict, verdict_width);
        let cells = if stacked {
            let rest = width.saturating_sub(verdict_width + SPACE);
            let mut lines = broken(label, rest);
            let comma = if conformity.is_empty() { "" } else { ", " };
            lines.extend(broken(&format!("{value}, limits: {tolerance}{comma}{conformity}"), rest));
            vec![(verdict, verdict_width), (lines, rest)]
        } else {
            vec![
                (verdict, verdict_width),
                (broken(label, label_width), label_width),
                (vec![value.clone()], value_width),
                (vec![tolerance.clone(), conformity.clone()], tolerance_width),
            ]
        };
        text.push_str(&side_by_side(&cells));
        if finding.verdict != Verdict::Pass {
            for note in &finding.notes {
                text.push_str(&wrapped_to(width, note, "    ", "    "));
            }
            for cause in &finding.check_next {
                text.push_str(&wrapped_to(width, cause, "    check next: ", "                "));
            }
        }
    }
    text
}

/// Cells of lines, each as wide as said, as one row.
pub(crate) fn side_by_side(cells: &[(Vec<String>, usize)]) -> String {
    let filled =
        |lines: &[String]| lines.iter().rposition(|line| !line.is_empty()).map_or(0, |last| last + 1);
    let height = cells.iter().map(|(lines, _)| filled(lines)).max().unwrap_or(0);
    let mut text = String::new();
    for at in 0..height {
        let line: Vec<String> = cells
            .iter()
            .map(|(lines, width)| format!("{:<width$}", lines.get(at).map_or("", String::as_str)))
            .collect();
        let _ = writeln!(text, "{}", line.join(&" ".repeat(SPACE)).trim_end());
    }
    text
}

/// Text broken between words into lines of at most `width` characters.
pub(crate) fn broken(text: &str, width: usize) -> Vec<String> {
    wrapped_to(width, text, "", "").lines().map(str::to_owned).collect()
}

/// What a board does that no longer hears the program: the lease and the relieving hold of docs/protocol.md.
pub(crate) const BY_ITSELF: &str = "by itself the board switches the drive off within half a second, and may hold a \
                                     valve for five seconds more to empty the rail. Treat the rail as under pressure \
                                     until the mechanical gauge says otherwise";

/// How a run ended, in words.
pub(crate) fn ended(ended: &Ended) -> String {
    match ended {
        Ended::Completed => "completed".to_owned(),
        Ended::Gated { step } => format!("ended after step “{step}”: its findings do not let the work go on"),
        Ended::Stopped => "stopped by the operator".to_owned(),
        Ended::Declined { step } => format!("{} by the operator", declined(step)),
        Ended::Tripped { what } => format!("tripped: {what}"),
        Ended::Refused { why } => format!("the board would not: {why}"),
        Ended::LinkLost => {
            format!("link lost; {BY_ITSELF}; clear up why the link was lost, then run again")
        }
        Ended::Interrupted => "interrupted: the program ended in the middle of the run".to_owned(),
    }
}

/// Where a run was declined, in words; by whom, its notes know.
pub(crate) fn declined(step: &str) -> String {
    format!("declined at step “{step}”")
}

/// The last lines of a run: how it ended, in words, and what it comes to.
pub(crate) fn outcome(ended: &str, verdict: Verdict, simulated: bool, width: usize) -> String {
    let mut text = wrapped_to(width, ended, "Ended:   ", "         ");
    text.push_str(&wrapped_to(width, DECISION_RULE, "Rule:    ", "         "));
    let simulated = if simulated { "   (SIMULATED bench)" } else { "" };
    let _ = writeln!(text, "Verdict: {}{simulated}", verdict.words().to_uppercase());
    text
}

/// Text broken into lines of at most [`WIDTH`] characters.
pub(crate) fn wrapped(text: &str, first: &str, rest: &str) -> String {
    wrapped_to(WIDTH, text, first, rest)
}

/// Text broken between words into lines of at most `width` characters.
pub(crate) fn wrapped_to(width: usize, text: &str, first: &str, rest: &str) -> String {
    let mut out = String::new();
    let mut line = first.to_owned();
    let mut bare = true;
    for word in text.split_whitespace() {
        if !bare && line.chars().count() + 1 + word.chars().count() > width {
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
        "unit": ucum(finding.dimension),
        "value": value.map(|v| v.estimate),
        "expanded_uncertainty": value.map(|v| v.expanded_uncertainty),
        "coverage_factor": value.map(|v| v.coverage_factor),
        "coverage_probability": COVERAGE_PROBABILITY,
        "standard_uncertainty": value.map(Value::standard_uncertainty),
        "degrees_of_freedom": value.and_then(|v| finite(v.degrees_of_freedom)),
        "budget": value.map(|v| v.budget.iter().map(|part| part_json(part, v)).collect::<Vec<_>>()),
        "tolerance": finding.tolerance,
        "probability_of_conformity": finding.conformity,
        "decision_rule": finding.tolerance.map(|_| DECISION_RULE),
        "verdict": finding.verdict,
        "notes": finding.notes,
        "check_next": finding.check_next,
    })
}

fn part_json(part: &BudgetLine, whole: &Value) -> Json {
    json!({
        "name": part.name,
        "standard_uncertainty": part.standard_uncertainty,
        "share": (part.standard_uncertainty / whole.standard_uncertainty()).powi(2),
        "degrees_of_freedom": finite(part.degrees_of_freedom),
    })
}

/// Degrees of freedom in JSON: null for infinitely many, and where they were not kept.
fn finite(degrees_of_freedom: Option<f64>) -> Option<f64> {
    degrees_of_freedom.filter(|freedom| freedom.is_finite())
}

/// The SI coherent unit of a dimension as a UCUM code (case sensitive).
pub(crate) const fn ucum(dimension: Dimension) -> &'static str {
    match dimension {
        Dimension::Fraction => "1",
        Dimension::Time => "s",
        Dimension::Pressure => "Pa",
        Dimension::Flow => "m3/s",
        Dimension::Volume | Dimension::Displacement => "m3",
        Dimension::Speed => "/s",
        Dimension::Resistance => "Ohm",
        Dimension::Voltage => "V",
        Dimension::Current => "A",
        Dimension::Inductance => "H",
        Dimension::Temperature => "Cel",
        Dimension::TemperatureDifference => "K",
        Dimension::VoltPerAmpere => "V/A",
        Dimension::VoltPerOhm => "V/Ohm",
        Dimension::PulsesPerVolume => "/m3",
        Dimension::PressureRate => "Pa/s",
    }
}

#[cfg(test)]
mod tests {
    use super::{budgets, findings, wrapped};
    use stepwell_procedure::finding::{BudgetLine, Finding, Value, Verdict};
    use stepwell_procedure::quantity::Dimension;
    use stepwell_procedure::sheet::Tolerance;

    fn finding(label: &str, verdict: Verdict) -> Finding {
        let part = |name: &str, standard_uncertainty, freedom| BudgetLine {
            name: name.into(),
            standard_uncertainty,
            degrees_of_freedom: Some(freedom),
        };
        let value = Value {
            estimate: 0.0453,
            expanded_uncertainty: 0.0054,
            coverage_factor: 2.0,
            degrees_of_freedom: Some(44.4),
            budget: vec![part("noise of the recording", 0.0025, 31.0), part("gain", 0.00102, f64::INFINITY)],
        };
        Finding {
            id: "id".into(),
            step: "step".into(),
            label: label.into(),
            dimension: Dimension::Fraction,
            value: Some(value),
            tolerance: Some(Tolerance { min: Some(0.02), max: Some(0.105) }),
            conformity: Some(0.9987),
            verdict,
            notes: vec!["a note ".repeat(20)],
            check_next: vec!["a cause ".repeat(20)],
        }
    }

    #[test]
    fn findings_fit_the_width_and_verdicts_stand_in_line_at_the_beginning() {
        let all = [
            finding("Share of flow stopped by the pressure output", Verdict::Pass),
            finding("Air left in the rail", Verdict::ConditionalFail),
            finding("Rise time 10–90 %", Verdict::NotMeasured),
        ];
        for width in [78, 58, 38] {
            let text = findings(&all, width);
            assert!(text.lines().all(|line| line.chars().count() <= width), "{width}:\n{text}");
            for word in ["PASS ", "CONDITIONAL ", "NOT "] {
                assert!(text.lines().any(|line| line.starts_with(word)), "{width}:\n{text}");
            }
        }
    }

    /// Shares are those of squares: 0.0025 and 0.00102 of 0.0027.
    #[test]
    fn a_budget_names_its_parts_and_their_shares() {
        let text = budgets(&[finding("Overshoot", Verdict::Pass)]);
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(
            lines,
            [
                "Overshoot: (4.53 ± 0.54) %",
                "  contribution                 u   share   dof",
                "  noise of the recording  0.25 %  85.7 %  31.0",
                "  gain                    0.10 %  14.3 %     ∞",
                "  combined, k = 2.00      0.27 %          44.4",
            ]
        );
    }

    #[test]
    fn the_probability_of_conformity_is_told_and_never_certain() {
        let mut one = finding("Overshoot", Verdict::Pass);
        for (probability, words) in [
            (1.0, "conforming > 99.9 %"),
            (0.998_7, "conforming 99.9 %"),
            (0.5, "conforming 50.0 %"),
            (1e-9, "conforming < 0.1 %"),
        ] {
            one.conformity = Some(probability);
            assert!(findings(&[one.clone()], 78).contains(words), "{words}");
        }
        one.conformity = None;
        assert!(!findings(&[one], 78).contains("conforming"));
    }

    #[test]
    fn lines_are_broken_between_words_and_never_longer_than_the_width() {
        let text = "word ".repeat(60);
        let out = wrapped(&text, "first: ", "       ");
        assert!(out.lines().all(|line| line.chars().count() <= super::WIDTH));
        assert_eq!(out.matches("word").count(), 60);
        assert!(out.starts_with("first: word"));
    }
}
