//! What many cases come to, by what went wrong in them.

use super::Story;
use super::case::Case;
use hdrhistogram::Histogram;
use std::collections::BTreeMap;
use std::fmt::Write;

/// What a campaign keeps of one story.
#[derive(Debug)]
pub struct Digest {
    /// The case.
    pub case: Case,
    /// Everything that must never happen and did.
    pub wrong: Vec<String>,
    tripped: bool,
    at_rest_ms: Option<usize>,
    lost: usize,
    acknowledged: usize,
    /// Rig time, ms.
    lasted_ms: usize,
    /// By condition: how long each went on while something was being worked, and its bound.
    pub dangers: Vec<(&'static str, usize, usize)>,
}

impl Digest {
    /// What is kept of `story`.
    #[must_use]
    pub fn of(case: Case, story: &Story) -> Digest {
        let dangers = story.episodes.iter();
        Digest {
            case,
            wrong: story.wrong.clone(),
            tripped: story.tripped,
            at_rest_ms: story.at_rest_ms,
            lost: story.lost(),
            acknowledged: story.acknowledged(),
            lasted_ms: story.watch.ticks.len(),
            dangers: dangers.map(|e| (e.danger.name, e.lasted_ms, e.danger.bound_ms)).collect(),
        }
    }

    /// Whether nothing happened that must not, and nothing was lost.
    #[must_use]
    pub fn good(&self) -> bool {
        self.wrong.is_empty() && self.lost == 0
    }
}

/// One row of a table.
#[derive(Debug)]
struct Row {
    cases: usize,
    tripped: usize,
    unsafe_cases: usize,
    lost: usize,
    times_ms: Histogram<u64>,
    bound_ms: usize,
}

impl Row {
    fn new() -> Row {
        let times_ms = Histogram::new(3).expect("three digits are possible");
        Row { cases: 0, tripped: 0, unsafe_cases: 0, lost: 0, times_ms, bound_ms: 0 }
    }

    fn times(&self) -> String {
        let times = &self.times_ms;
        if times.is_empty() {
            return "| | | |".to_owned();
        }
        let at = |quantile: f64| times.value_at_quantile(quantile);
        format!("| {} | {} | {} | {} |", times.len(), at(0.5), at(0.99), times.max())
    }
}

/// Markdown: totals, a row for each thing that went wrong, a row for each dangerous condition.
#[must_use]
pub fn tables(digests: &[Digest]) -> String {
    let mut by_mishap: BTreeMap<&str, Row> = BTreeMap::new();
    let mut by_danger: BTreeMap<&str, Row> = BTreeMap::new();
    for digest in digests {
        let name = digest.case.what();
        let row = by_mishap.entry(name).or_insert_with(Row::new);
        row.cases += 1;
        row.tripped += usize::from(digest.tripped);
        row.unsafe_cases += usize::from(!digest.wrong.is_empty());
        row.lost += digest.lost;
        // Without a trip the dwell may have ended by itself, which says nothing.
        if let (Some(ms), true) = (digest.at_rest_ms, digest.tripped) {
            row.times_ms.saturating_record(ms as u64);
        }
        for &(danger, lasted_ms, bound_ms) in &digest.dangers {
            let row = by_danger.entry(danger).or_insert_with(Row::new);
            row.bound_ms = bound_ms;
            row.times_ms.saturating_record(lasted_ms as u64);
        }
    }
    let total = |of: fn(&Digest) -> usize| digests.iter().map(of).sum::<usize>();
    let mut out = String::new();
    let _ = writeln!(
        out,
        "{} procedures, {:.1} hours of bench time; unsafe: {}; samples confirmed by the disk: {}, of them lost: {}.\n",
        digests.len(),
        total(|digest| digest.lasted_ms) as f64 / 3.6e6,
        digests.iter().filter(|digest| !digest.wrong.is_empty()).count(),
        total(|digest| digest.acknowledged),
        total(|digest| digest.lost),
    );
    out.push_str(
        "| what goes wrong | procedures | tripped | unsafe | lost | trips while working | median, ms | 99 %, ms | \
         longest, ms |\n|---|---:|---:|---:|---:|---:|---:|---:|---:|\n",
    );
    for (name, row) in &by_mishap {
        let Row { cases, tripped, unsafe_cases, lost, .. } = row;
        let _ = writeln!(out, "| {name} | {cases} | {tripped} | {unsafe_cases} | {lost} {}", row.times());
    }
    out.push_str(
        "\n| dangerous condition | bound, ms | times while working | median, ms | 99 %, ms | longest, ms |\n\
         |---|---:|---:|---:|---:|---:|\n",
    );
    for (name, row) in &by_danger {
        let _ = writeln!(out, "| {name} | {} {}", row.bound_ms, row.times());
    }
    out
}
