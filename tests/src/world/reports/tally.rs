//! What many cases come to, by what went wrong in them.

use super::claims::{Hazard, hazards, trips};
use crate::world::Story;
use crate::world::checkers::danger::Episode;
use crate::world::played::case::Case;
use crate::world::played::line::Quality;
use crate::world::played::mishap::What;
use hdrhistogram::Histogram;
use std::collections::BTreeMap;
use std::fmt::Write;
use std::sync::LazyLock;

/// What is claimed of each thing that can go wrong.
static HAZARDS: LazyLock<Vec<Hazard>> = LazyLock::new(hazards);

/// What a campaign keeps of one story.
#[derive(Debug)]
pub struct Digest {
    /// The case.
    pub case: Case,
    /// Everything that must never happen and did.
    pub wrong: Vec<String>,
    tripped: bool,
    /// Whether a trip or words name what went wrong, as its row of hazards claims; of a control, the names under which
    /// that would be said of it.
    named: bool,
    named_as: Vec<&'static str>,
    /// The first cause by which it tripped, unless that names what went wrong.
    unnamed_trip: Option<String>,
    /// Whether something was so that must not be, and the board could not know or help it ([`crate::world::checkers::excuse`]).
    beyond: bool,
    at_rest_ms: Option<usize>,
    lost: usize,
    acknowledged: usize,
    /// Rig time, ms.
    lasted_ms: usize,
    /// How long each dangerous condition went on while something was being worked.
    pub dangers: Vec<Episode>,
}

impl Digest {
    /// What is kept of `story`.
    #[must_use]
    pub fn of(case: Case, story: &Story) -> Digest {
        let names = |what: What| {
            HAZARDS
                .iter()
                .any(|row| row.mishaps.iter().any(|name| name == what.name()) && row.is_named_in(story))
        };
        let unnamed_trip = trips(story).into_iter().next();
        let named = case.mishap.is_some_and(|mishap| names(mishap.what));
        let named_as = match case.mishap {
            None => What::all().filter(|what| names(*what)).map(What::name).collect(),
            Some(_) => Vec::new(),
        };
        Digest {
            case,
            wrong: story.wrong.clone(),
            named,
            named_as,
            unnamed_trip: unnamed_trip.filter(|_| !named),
            beyond: !story.beyond.is_empty(),
            tripped: story.tripped,
            at_rest_ms: story.at_rest_ms,
            lost: story.lost(),
            acknowledged: story.acknowledged(),
            lasted_ms: story.watch.ticks.len(),
            dangers: story.episodes.clone(),
        }
    }

    /// Whether nothing happened that must not, and nothing was lost.
    #[must_use]
    pub fn good(&self) -> bool {
        self.wrong.is_empty()
    }
}

/// One row of a table.
#[derive(Debug)]
struct Row {
    cases: usize,
    tripped: usize,
    named: usize,
    beyond: usize,
    unnamed: BTreeMap<String, usize>,
    unsafe_cases: usize,
    lost: usize,
    times_ms: Histogram<u64>,
    bound_ms: usize,
    /// The longest time of one condition in which the board could not know of it.
    hidden_ms: usize,
}

impl Row {
    fn new() -> Row {
        let times_ms = Histogram::new(3).expect("three digits are possible");
        Row {
            cases: 0,
            tripped: 0,
            named: 0,
            beyond: 0,
            unnamed: BTreeMap::new(),
            unsafe_cases: 0,
            lost: 0,
            times_ms,
            bound_ms: 0,
            hidden_ms: 0,
        }
    }

    fn took(&mut self, ms: usize) {
        self.times_ms.record(ms as u64).expect("it grows to hold any time");
    }

    fn times(&self) -> String {
        let times = &self.times_ms;
        if times.is_empty() {
            return "| | | | |".to_owned();
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
        row.named += usize::from(digest.named);
        if let Some(cause) = &digest.unnamed_trip {
            *row.unnamed.entry(cause.clone()).or_default() += 1;
        }
        row.beyond += usize::from(digest.beyond);
        row.tripped += usize::from(digest.tripped);
        row.unsafe_cases += usize::from(!digest.wrong.is_empty());
        row.lost += digest.lost;
        // Without a trip the work may have ended by itself, which says nothing.
        if let (Some(ms), true) = (digest.at_rest_ms, digest.tripped) {
            row.took(ms);
        }
        for Episode { danger, seen_ms, hidden_ms, .. } in &digest.dangers {
            let row = by_danger.entry(danger.name).or_insert_with(Row::new);
            row.bound_ms = danger.bound_ms;
            row.hidden_ms = row.hidden_ms.max(*hidden_ms);
            row.took(*seen_ms);
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
        "| what goes wrong | procedures | tripped | named | named in a control, % | beyond | unsafe | samples lost | \
         trips while working | to rest: median, ms | 99 %, ms | longest, ms | other trips |\n\
         |---|---:|---:|---:|---:|---:|---:|---:|---:|---:|---:|---:|---|\n",
    );
    let on_this_line = |digest: &&Digest| digest.case.mishap.is_none() && digest.case.line == Quality::BAD;
    let controls: Vec<&Digest> = digests.iter().filter(on_this_line).collect();
    for (name, row) in &by_mishap {
        let Row { cases, tripped, named, beyond, unsafe_cases, lost, .. } = row;
        let unnamed: Vec<String> =
            row.unnamed.iter().map(|(cause, count)| format!("{cause} {count}")).collect();
        let by_chance = controls.iter().filter(|control| control.named_as.contains(name)).count();
        let by_chance = 100.0 * by_chance as f64 / controls.len().max(1) as f64;
        let _ = writeln!(
            out,
            "| {name} | {cases} | {tripped} | {named} | {by_chance:.0} | {beyond} | {unsafe_cases} | {lost} {} {} |",
            row.times(),
            unnamed.join(", ")
        );
    }
    out.push_str(
        "\n| dangerous condition | may be seen for at most, ms | times at work or armed | seen by the board: median, ms | \
         99 %, ms | longest, ms | hidden from it: longest, ms |\n|---|---:|---:|---:|---:|---:|---:|\n",
    );
    for (name, row) in &by_danger {
        let _ = writeln!(out, "| {name} | {} {} {} |", row.bound_ms, row.times(), row.hidden_ms);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::{Digest, tables};
    use crate::world::checkers::danger::{Danger, Episode};
    use crate::world::played::case::{Case, Length};

    /// Seen in time, once it could be seen.
    const SLOW: Episode = Episode {
        danger: Danger { name: "rail above its guard", bound_ms: 20 },
        lasted_ms: 55,
        seen_ms: 19,
        hidden_ms: 36,
        from: 0,
    };

    fn digest(case: &str, at_rest_ms: Option<usize>) -> Digest {
        Digest {
            case: case.parse().expect("a case"),
            wrong: Vec::new(),
            tripped: true,
            named: false,
            named_as: Vec::new(),
            unnamed_trip: Some("LeaseLost".to_owned()),
            beyond: false,
            at_rest_ms,
            lost: 0,
            acknowledged: 0,
            lasted_ms: 1,
            dangers: vec![SLOW],
        }
    }

    #[test]
    fn every_row_has_as_many_cells_as_its_head_and_the_causes_stand_in_the_last() {
        let healthy = Case::healthy(Length::Short, "heron", 1).to_string();
        let with = |mishap: &str| format!("{healthy} {mishap}");
        let text = tables(&[
            digest(&healthy, None),
            digest(&with("guard-open@1+2*1"), Some(30_000)),
            digest(&with("disk-full@1+2*1"), None),
        ]);
        let cells = |line: &str| line.split('|').map(|cell| cell.trim().to_owned()).collect::<Vec<_>>();
        let of_runs: Vec<_> = text.lines().skip_while(|line| !line.starts_with("| what")).collect();
        let of_dangers = of_runs.iter().position(|line| line.is_empty()).expect("two tables");
        let (of_runs, of_dangers) = of_runs.split_at(of_dangers);
        assert_eq!((of_runs.len(), of_dangers[1..].len()), (5, 3), "{text}");
        for table in [of_runs, &of_dangers[1..]] {
            let head = cells(table[0]).len();
            assert!(table.iter().all(|line| cells(line).len() == head), "{text}");
        }
        let slow = "| rail above its guard | 20 | 3 | 19 | 19 | 19 | 36 |";
        assert!(text.lines().any(|line| line == slow), "{text}");
        // Three digits are kept, however long it was.
        let longest_ms = cells(of_runs[3])[12].parse::<usize>().expect("a time");
        assert!((30_000..30_030).contains(&longest_ms), "{}", of_runs[3]);
        for line in &of_runs[2..] {
            assert_eq!(cells(line).iter().rev().nth(1).map(String::as_str), Some("LeaseLost 1"), "{line}");
        }
    }
}
