//! The log of a record against what really happened: every end of a dwell and every trip that the program was told
//! of, what was found, and bursts as the rig showed them.

use super::owed;
use super::record::Stored;
use crate::world::played::host::Handed;
use crate::world::witness::said::Said;
use crate::world::witness::watch::Watch;
use std::collections::{BTreeMap, BTreeSet};
use stepwell_procedure::finding::Verdict;
use stepwell_procedure::record::{Ended, Entry, EventKind};
use stepwell_procedure::run::Plan;
use stepwell_procedure::words;
use stepwell_protocol::channel::Coil;
use stepwell_protocol::dwell::DwellReport;

/// What is wrong with the log.
#[must_use]
pub fn judged(plan: &Plan, stored: &Stored, handed: &Handed, life: usize, watch: &Watch) -> Vec<String> {
    let mut wrong = Vec::new();
    wrong.extend(not_kept(stored, handed));
    wrong.extend(dwells(handed, life, watch));
    wrong.extend(trips(handed, life, watch));
    wrong.extend(outcome(plan, stored, handed));
    wrong.extend(bursts(stored, watch));
    wrong.extend(bursts_missing(stored, handed, life, watch));
    wrong
}

/// Entries that the disk had confirmed and that are not there as they were, in order.
fn not_kept(stored: &Stored, handed: &Handed) -> Option<String> {
    let (mut events, mut steps) = (stored.run.events.iter(), stored.run.steps.iter());
    let (mut findings, mut bursts) = (stored.run.findings.iter(), stored.run.bursts.iter());
    let mut rounds = stored.run.rounds.iter();
    let lost = handed.entries[..handed.entries_acknowledged].iter().find(|entry| {
        !match entry {
            Entry::Event(entry) => events.next() == Some(entry),
            Entry::Step(entry) => steps.next() == Some(entry),
            // A number that is none is not equal to itself.
            Entry::Finding(entry) => format!("{:?}", findings.next()) == format!("{:?}", Some(entry)),
            Entry::Burst(entry) => bursts.next() == Some(entry),
            Entry::Round(entry) => format!("{:?}", rounds.next()) == format!("{:?}", Some(entry)),
        }
    })?;
    Some(format!("an entry that was confirmed is not there: {lost:?}"))
}

/// Ends of dwells in the log, by how they ended: neither fewer than the program was told of nor more than it may have
/// been; of a run that was carried out, every one that the board carried out.
#[must_use]
pub fn dwells(handed: &Handed, life: usize, watch: &Watch) -> Option<String> {
    let ear = watch.ears.get(life)?;
    let logged = by_end(handed.entries.iter().filter_map(|entry| match entry {
        Entry::Event(event) if event.kind == EventKind::Dwell => {
            event.text.rsplit_once("ended: ").map(|(_, end)| end.to_owned())
        }
        _ => None,
    }));
    let link_lost = match handed.outcome.as_ref().map(|outcome| &outcome.ended) {
        None | Some(Ended::LinkLost) => true,
        Some(Ended::Completed) => {
            let done = by_end(
                once(watch.reports(ear.session)).map(|report| words::dwell_end(report.end).to_owned()),
            );
            return (logged != done).then(|| format!("dwells ended: {done:?}, in the log: {logged:?}"));
        }
        Some(_) => false,
    };
    let told = by_end(once(ear.told.iter()).map(|report| words::dwell_end(report.end).to_owned()));
    let may = by_end(
        once(ear.told.iter().chain(&ear.answered)).map(|report| words::dwell_end(report.end).to_owned()),
    );
    let few = !link_lost && told.iter().any(|(end, count)| logged.get(end).unwrap_or(&0) < count);
    let many = logged.iter().any(|(end, count)| may.get(end).unwrap_or(&0) < count);
    (few || many).then(|| format!("told of dwells that ended: {told:?}, in the log: {logged:?}"))
}

/// Each report once, however often it came.
fn once<'a>(reports: impl Iterator<Item = &'a DwellReport>) -> impl Iterator<Item = &'a DwellReport> {
    let mut seen = Vec::new();
    reports.filter(move |report| {
        let new = !seen.contains(&(report.serial, report.started));
        seen.push((report.serial, report.started));
        new
    })
}

fn by_end(ends: impl Iterator<Item = String>) -> BTreeMap<String, usize> {
    let mut counts = BTreeMap::new();
    for end in ends {
        *counts.entry(end).or_insert(0) += 1;
    }
    counts
}

/// A trip that the program was told of, first of all, and that its log does not name.
fn trips(handed: &Handed, life: usize, watch: &Watch) -> Option<String> {
    let ear = watch.ears.get(life)?;
    let ended = &handed.outcome.as_ref()?.ended;
    let cause = words::cause_word(*ear.trips.first()?);
    let named = handed.entries.iter().any(|entry| {
        matches!(entry, Entry::Event(event) if event.kind == EventKind::Board && event.cause.as_ref() == Some(&cause))
    });
    (!named && !matches!(ended, Ended::LinkLost)).then(|| format!("a trip that is not in the log: {cause}"))
}

/// A sealed run came to what it is stored as, has the findings that it owes, is no better than the worst of them, and is
/// no pass when it did not come to its end or something is missing.
fn outcome(plan: &Plan, stored: &Stored, handed: &Handed) -> Vec<String> {
    let Stored { sealed, run, .. } = stored;
    if !sealed {
        return Vec::new();
    }
    let (outcome, findings) = (&run.outcome, &run.findings);
    let mut wrong = Vec::new();
    if handed.outcome.as_ref() != Some(outcome) {
        wrong.push(format!("came to {:?}, and is stored as {outcome:?}", handed.outcome));
    }
    wrong.extend(owed::misnamed(plan, findings));
    let is_whole = outcome.ended == Ended::Completed && owed::missing(plan, findings).is_empty();
    let whole = if is_whole && !findings.is_empty() { Verdict::Pass } else { Verdict::NotMeasured };
    let worst = findings.iter().map(|finding| finding.verdict).fold(whole, Verdict::max);
    if outcome.verdict < worst {
        wrong.push(format!("no better than {worst:?}, and in all {:?}", outcome.verdict));
    }
    wrong
}

/// A burst that is not what the rig showed.
fn bursts(stored: &Stored, watch: &Watch) -> Option<String> {
    stored.run.bursts.iter().find_map(|burst| {
        let coil = Coil::BOTH.into_iter().find(|coil| coil.current().name() == burst.channel);
        let Some(coil) = coil else {
            return Some(format!("a burst of {:?}, which is no coil's current", burst.channel));
        };
        let shown = watch.places_of(burst.at).any(|place| {
            // The first conversion after the outputs of the dwell's first tick.
            let counts = watch.burst_from(place + 1, coil);
            !burst.counts.is_empty() && counts[..counts.len().min(BURST_SAMPLES)] == burst.counts
        });
        (!shown).then(|| format!("the burst of tick {} is not what the rig showed", burst.at))
    })
}

/// So many conversions are a burst (docs/protocol.md, 6.1).
const BURST_SAMPLES: usize = 600;

/// A run that was carried out and has other bursts than one for each dwell that was to have one, from its first tick on.
fn bursts_missing(stored: &Stored, handed: &Handed, life: usize, watch: &Watch) -> Option<String> {
    let session = watch.ears.get(life)?.session;
    let completed = handed.outcome.as_ref().is_some_and(|outcome| outcome.ended == Ended::Completed);
    // Another session may have used the same serials before.
    let mut captures = BTreeMap::new();
    let mut due = BTreeSet::new();
    for (_, said) in &watch.said {
        match said {
            Said::Dwell(dwell) => drop(captures.insert(dwell.serial, dwell.burst)),
            Said::Ended(of, report) if *of == Some(session) => {
                let coil = captures.get(&report.serial).copied().flatten();
                due.extend(coil.map(|coil: Coil| (report.started.0, coil.current().name())));
            }
            _ => {}
        }
    }
    let mut logged: Vec<_> =
        stored.run.bursts.iter().map(|burst| (burst.at, burst.channel.as_str())).collect();
    logged.sort_unstable();
    (completed && !due.iter().eq(&logged))
        .then(|| format!("bursts were captured: {due:?}, in the log: {logged:?}"))
}
