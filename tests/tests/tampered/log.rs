//! The log of a record, what the run came to, and what it owes.

use super::{GOOD, Scene, says};
use stepwell_procedure::finding::Verdict;
use stepwell_procedure::record::{Entry, Event, EventKind};
use stepwell_protocol::time::Tick;
use stepwell_tests::world::played::host::Handed;

fn is_dwell(entry: &Entry) -> bool {
    matches!(entry, Entry::Event(event) if event.kind == EventKind::Dwell)
}

#[test]
fn a_log_that_lacks_an_end_or_a_trip_or_has_one_too_many_is_found() {
    let remove = |handed: &mut Handed| {
        let at = handed.entries.iter().position(is_dwell).expect("a dwell");
        handed.entries[at] = Entry::Event(Event::new(Tick(0), EventKind::Step, "something else"));
    };
    let double = |handed: &mut Handed| {
        let dwell = handed.entries.iter().find(|entry| is_dwell(entry)).expect("a dwell").clone();
        handed.entries.push(dwell);
    };
    let mut completed = Scene::of(GOOD);
    says(&completed.handed(remove), "dwells ended");
    says(&completed.handed(double), "dwells ended");
    let mut tripped = Scene::of("short heron 1 good guard-open@work2500+60000*1");
    says(&tripped.handed(remove), "told of dwells that ended");
    says(&tripped.handed(double), "told of dwells that ended");
    let unnamed = tripped.handed(|handed| {
        for entry in &mut handed.entries {
            if let Entry::Event(event) = entry {
                event.cause = None;
            }
        }
    });
    says(&unnamed, "a trip that is not in the log: guard-open");
}

#[test]
fn an_outcome_that_is_not_what_the_run_came_to_is_found_and_a_burst_that_is_cut_or_left_out() {
    let mut completed = Scene::of(GOOD);
    let other = completed.given_back(|stored| stored.run.outcome.verdict = Verdict::ConditionalPass);
    says(&other.wrong.join("\n"), "and is stored as");
    let cut = completed.given_back(|stored| {
        stored.run.bursts[0].counts.pop();
    });
    says(&cut.wrong.join("\n"), "is not what the rig showed");
    let missing = completed.given_back(|stored| {
        stored.run.bursts.pop();
    });
    says(&missing.wrong.join("\n"), "bursts were captured");
    // As many as are due, and one of them twice; or at a tick at which no dwell began.
    let twice = completed.given_back(|stored| stored.run.bursts.push(stored.run.bursts[0].clone()));
    says(&twice.wrong.join("\n"), "bursts were captured");
    let empty = completed.given_back(|stored| {
        stored.run.bursts[0].at += 1;
        stored.run.bursts[0].counts.clear();
    });
    says(&empty.wrong.join("\n"), "bursts were captured");
    says(&empty.wrong.join("\n"), "is not what the rig showed");
    let nobodys = completed.given_back(|stored| stored.run.bursts[0].channel = "rail".to_owned());
    says(&nobodys.wrong.join("\n"), "a burst of \"rail\", which is no coil's current");

    // Passed, says the program, and so does the disk; but it never came to its end.
    let mut tripped = Scene::of("short heron 1 good guard-open@work2500+60000*1");
    let outcome = tripped.handed.outcome.as_mut().expect("an outcome");
    outcome.verdict = Verdict::Pass;
    tripped.stored.run.outcome = outcome.clone();
    says(&tripped.kept().wrong.join("\n"), "no better than");
}

#[test]
fn a_finding_that_is_owed_and_not_there_is_found_and_such_a_run_is_no_pass() {
    let mut scene = Scene::of(GOOD);
    let owed: Vec<String> = scene.stored.run.findings.iter().map(|finding| finding.id.clone()).collect();
    for (place, id) in owed.iter().enumerate() {
        let lacks = scene.given_back(|stored| drop(stored.run.findings.remove(place)));
        says(&lacks.wrong.join("\n"), &format!("owes {id}, and it is not there"));
        says(&lacks.wrong.join("\n"), "no better than NotMeasured, and in all Pass");
    }
    let none = scene.given_back(|stored| stored.run.findings.clear());
    says(&none.wrong.join("\n"), "no better than NotMeasured, and in all Pass");
    let odd = scene.given_back(|stored| {
        let again = stored.run.findings[0].clone();
        stored.run.findings.push(again);
    });
    says(&odd.wrong.join("\n"), "which it does not owe, or twice");
    let odd = scene.given_back(|stored| {
        let mut unheard_of = stored.run.findings[0].clone();
        unheard_of.id = "colour".to_owned();
        stored.run.findings.push(unheard_of);
    });
    says(&odd.wrong.join("\n"), "found colour, which it does not owe, or twice");
}
