//! What a row of hazards claims and nothing bears out: neither its runs nor the tests that it cites.

use super::claims::Hazard;
use crate::faulty::{self, Faulty};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// The name under which nothing goes wrong.
pub const CONTROL: &str = "nothing";

/// What the runs of one row came to.
#[derive(Clone, Debug, Default)]
pub struct Measured {
    /// How many they were.
    pub cases: usize,
    /// Times that count for its bound.
    pub while_working: usize,
    /// The longest of them, ms.
    pub longest_ms: usize,
    /// The case in which it took so long.
    pub slowest: String,
    /// What it may be at the most, ms.
    pub bound_ms: usize,
    /// Runs that tripped, by their first cause; others by how they ended.
    pub came: BTreeMap<String, usize>,
    /// What went wrong in runs that did not trip and ended in another way than a control on the same pump.
    pub unlike_control: BTreeSet<String>,
    /// Runs in which its words were said.
    pub told: usize,
    /// Runs in which a bound was missed and the board could not know.
    pub hidden: usize,
    /// The first of what was missed.
    pub missed: Option<String>,
    /// The highest the rail went, share of the pump's guard.
    pub of_guard: f64,
    /// Everything that must never happen and did, the first of each run.
    pub wrong: Vec<String>,
}

/// What `hazard` claims and nothing bears out; `faults` are those that are tried as acceptances.
#[must_use]
pub fn unfounded(hazard: &Hazard, measured: &Measured, faults: &[Faulty]) -> Vec<String> {
    let mut wrong = of_tests(hazard, faults);
    if hazard.mishaps.is_empty() {
        if hazard.test.is_empty() && hazard.metal.is_none() {
            wrong.push("nothing proves it".to_owned());
        }
        return wrong;
    }
    wrong.extend(of_times(hazard, measured));
    wrong.extend(of_words(hazard, measured, faults));
    wrong.extend(of_ends(hazard, measured));
    wrong
}

/// Tests that are cited are there, and that of the faults tries everything that goes wrong in the row.
fn of_tests(hazard: &Hazard, faults: &[Faulty]) -> Vec<String> {
    let absent =
        hazard.test.iter().filter(|test| !exists(test)).map(|test| format!("there is no test {test}"));
    let mut wrong: Vec<String> = absent.collect();
    if cites_faults(hazard) {
        let untried = hazard.mishaps.iter().filter(|name| !faults.iter().any(|fault| fault.name == **name));
        wrong.extend(untried.map(|name| format!("{} does not try {name}", faulty::TEST)));
    }
    wrong
}

fn cites_faults(hazard: &Hazard) -> bool {
    hazard.test.iter().any(|test| test == faulty::TEST)
}

/// The tests that show what is found of a fault.
const SHOWS_FINDINGS: [&str; 2] = [faulty::TEST, "what_is_said_of_a_shorted_coil_is_true"];

fn of_times(hazard: &Hazard, measured: &Measured) -> Vec<String> {
    let mut wrong = Vec::new();
    match (&measured.missed, hazard.hides) {
        (Some(missed), false) => wrong.push(format!("the board could not know: {missed}")),
        (None, true) => wrong.push("claims that it hides something, and nothing was missed".to_owned()),
        _ => {}
    }
    if !hazard.harmless {
        if measured.while_working == 0 {
            wrong.push("it never came while anything was worked".to_owned());
        }
        if measured.longest_ms > measured.bound_ms {
            let Measured { longest_ms, bound_ms, slowest, .. } = measured;
            wrong.push(format!("{longest_ms} ms, {bound_ms} at the most ({slowest})"));
        }
    }
    wrong
}

/// What the words of the row promise.
fn of_words(hazard: &Hazard, measured: &Measured, faults: &[Faulty]) -> Vec<String> {
    let Hazard { follows, noticed, trips, may, ends, told, test, mishaps, .. } = hazard;
    let mut wrong = Vec::new();
    let claims = |word: &str| follows.contains(word) || noticed.contains(word);
    let tried = |fault: &&Faulty| cites_faults(hazard) && mishaps.contains(&fault.name);
    let trips = !(trips.is_empty() && may.is_empty())
        || faults.iter().filter(tried).any(|fault| fault.ended == "tripped");
    if claims("latched") && !trips {
        wrong.push("latched, by which cause?".to_owned());
    }
    if claims("staged stop") && !trips && !ends.iter().any(|end| end == "stopped" || end == "refused") {
        wrong.push("claims a staged stop, and nothing stopped it".to_owned());
    }
    if claims("named") && told.is_none() {
        wrong.push("named, in which words?".to_owned());
    }
    if ["finding", "fail", "not measured", "not passed"].into_iter().any(claims)
        && !test.iter().any(|test| SHOWS_FINDINGS.contains(&test.as_str()))
    {
        let alike = mishaps.iter().filter(|name| !measured.unlike_control.contains(*name));
        wrong.extend(alike.map(|name| format!("claims findings, and {name} ends as a control does")));
    }
    if let Some(told) = told.as_ref().filter(|_| measured.told == 0) {
        wrong.push(format!("nobody was told: {told}"));
    }
    wrong
}

/// How the runs ended: all that is claimed, and nothing else.
fn of_ends(hazard: &Hazard, measured: &Measured) -> Vec<String> {
    let Hazard { trips, may, ends, .. } = hazard;
    let claimed = || trips.iter().chain(ends);
    let never = claimed().filter(|claimed| !measured.came.contains_key(*claimed));
    let unclaimed = measured.came.keys().filter(|came| !claimed().chain(may).any(|claimed| claimed == *came));
    let mut wrong: Vec<String> = never.map(|claimed| format!("claims {claimed}, which never came")).collect();
    wrong.extend(unclaimed.map(|came| format!("{came} came of it, which it does not claim")));
    if measured.unlike_control.contains(CONTROL) {
        wrong.push("nothing was wrong, and it did not always come to the same end".to_owned());
    }
    wrong
}

/// Whether a test of this name is anywhere in the project.
fn exists(test: &str) -> bool {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the project's folder");
    ["firmware/core/tests", "host/tests", "host/session/src", "host/store/tests", "tests/tests"]
        .iter()
        .any(|folder| holds(&root.join(folder), &format!("fn {test}(")))
}

fn holds(path: &Path, name: &str) -> bool {
    if let Ok(entries) = std::fs::read_dir(path) {
        return entries.flatten().any(|entry| holds(&entry.path(), name));
    }
    let file = std::fs::read_to_string(path).unwrap_or_default();
    let lines: Vec<&str> = file.lines().map(str::trim).collect();
    lines.windows(2).any(|pair| pair[0] == "#[test]" && pair[1].starts_with(name))
}

#[cfg(test)]
mod tests {
    use super::{CONTROL, Measured, unfounded};
    use crate::faulty::{self, faulty};
    use crate::world::reports::claims::Hazard;

    /// A row whose runs passed three times, with this besides.
    fn row(text: &str) -> Hazard {
        let text = format!("fault = \"-\"\nharmless = true\nends = [\"passed\"]\n{text}");
        toml::from_str(&text).unwrap_or_else(|wrong| panic!("{wrong}"))
    }

    fn passed() -> Measured {
        Measured { cases: 3, came: [("passed".to_owned(), 3)].into(), ..Measured::default() }
    }

    fn wrong(text: &str, measured: &Measured) -> Vec<String> {
        unfounded(&row(text), measured, &faulty())
    }

    #[test]
    fn the_test_of_the_faults_must_try_what_goes_wrong_in_the_row() {
        let cites = |name: &str| {
            let test = faulty::TEST;
            wrong(
                &format!("noticed = \"-\"\nfollows = \"-\"\nmishaps = [\"{name}\"]\ntest = [\"{test}\"]"),
                &passed(),
            )
        };
        assert_eq!(cites("worn-pump"), Vec::<String>::new());
        assert_eq!(cites("unplug"), [format!("{} does not try unplug", faulty::TEST)]);
        let none = wrong("noticed = \"-\"\nfollows = \"-\"\ntest = [\"no_such_test\"]", &passed());
        assert_eq!(none, ["there is no test no_such_test"]);
    }

    #[test]
    fn findings_are_claimed_only_of_what_ends_otherwise_than_a_control_or_by_a_test() {
        for claim in
            ["findings of flow", "fails with what to check", "not measured", "resistances are not passed"]
        {
            let text =
                format!("noticed = \"-\"\nfollows = \"{claim}\"\nmishaps = [\"worn-pump\", \"rail-leak\"]");
            let told = |name: &str| format!("claims findings, and {name} ends as a control does");
            assert_eq!(wrong(&text, &passed()), [told("worn-pump"), told("rail-leak")]);
            let half = Measured { unlike_control: ["worn-pump".to_owned()].into(), ..passed() };
            assert_eq!(wrong(&text, &half), [told("rail-leak")]);
            let shown = format!("{text}\ntest = [\"what_is_said_of_a_shorted_coil_is_true\"]");
            assert_eq!(wrong(&shown, &passed()), Vec::<String>::new());
            let of_stops = format!("{text}\ntest = [\"a_valve_is_held_while_the_pump_coasts\"]");
            assert_eq!(wrong(&of_stops, &passed()), [told("worn-pump"), told("rail-leak")]);
        }
    }

    #[test]
    fn a_stop_is_claimed_only_of_what_trips_or_is_stopped() {
        let text = "noticed = \"-\"\nfollows = \"staged stop, latched\"\nmishaps = [\"weak-drive\"]";
        let told = ["latched, by which cause?", "claims a staged stop, and nothing stopped it"];
        assert_eq!(wrong(text, &passed()), told);
        // As an acceptance it trips, but only who cites that may say so.
        assert_eq!(wrong(&format!("{text}\ntest = [\"{}\"]", faulty::TEST), &passed()), Vec::<String>::new());
        let elsewhere = format!("{text}\ntest = [\"what_is_said_of_a_shorted_coil_is_true\"]");
        assert_eq!(wrong(&elsewhere, &passed()), told);
    }

    #[test]
    fn a_control_comes_to_the_same_end_on_the_same_pump() {
        let text = format!("noticed = \"-\"\nfollows = \"-\"\nmishaps = [\"{CONTROL}\"]");
        assert_eq!(wrong(&text, &passed()), Vec::<String>::new());
        let odd = Measured { unlike_control: [CONTROL.to_owned()].into(), ..passed() };
        assert_eq!(wrong(&text, &odd).len(), 1);
    }

    #[test]
    fn every_test_that_is_cited_must_be_there() {
        let text = "noticed = \"-\"\nfollows = \"-\"\ntest = [\"a_valve_is_held_while_the_pump_coasts\", \"none_such\"]";
        assert_eq!(wrong(text, &passed()), ["there is no test none_such"]);
    }

    #[test]
    fn what_may_come_need_not_and_nothing_else_may() {
        let text =
            "noticed = \"-\"\nfollows = \"-\"\nmishaps = [\"hot-fluid\"]\nmay = [\"FluidTemperature\"]";
        assert_eq!(wrong(text, &passed()), Vec::<String>::new());
        let with = |came: &str| {
            let mut measured = passed();
            measured.came.insert(came.to_owned(), 1);
            measured
        };
        assert_eq!(wrong(text, &with("FluidTemperature")), Vec::<String>::new());
        assert_eq!(wrong(text, &with("NoFlow")), ["NoFlow came of it, which it does not claim"]);
    }
}
