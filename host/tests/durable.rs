//! The program and its store when something befalls one of them: killed, two at once, no room, no rights,
//! no folder. What was measured is kept, or it is said what is not; nothing is called good that is not.

#![expect(clippy::unwrap_used, reason = "a test that meets an error it does not expect has failed")]

#[path = "program/process.rs"]
#[allow(dead_code, reason = "shared with the other tests of the program")]
mod process;

use process::{Told, folder, stepwell, told};
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Child, Stdio};
use std::sync::mpsc;
use std::time::{Duration, SystemTime};
use stepwell_store::Store;

fn json(told: &Told) -> Value {
    serde_json::from_str(&told.out).unwrap_or_else(|error| panic!("{error}: {}{}", told.out, told.err))
}

/// Carries a line of the shell out, with the program, a store and a folder for passing things as `$0`, `$1`
/// and `TMPDIR`.
fn shell(line: &str, store: &Path, passing: &Path) -> Told {
    told(
        std::process::Command::new("bash")
            .args(["-c", line, env!("CARGO_BIN_EXE_stepwell")])
            .arg(store)
            .env("TMPDIR", passing)
            .stdin(Stdio::null()),
    )
}

fn rest(time: Duration) {
    let (_keep, never) = mpsc::channel::<()>();
    let _ = never.recv_timeout(time);
}

fn beside(path: &Path, what: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(what);
    name.into()
}

/// When the program last wrote its journal.
fn written(store: &Path) -> Option<SystemTime> {
    std::fs::metadata(beside(store, "-wal")).and_then(|file| file.modified()).ok()
}

#[expect(clippy::disallowed_methods, reason = "compared with the time of a file")]
fn now() -> SystemTime {
    SystemTime::now()
}

/// From the first to the last tick of the first run that is stored; nothing when none has begun.
fn stored(store: &Path) -> Option<Duration> {
    let runs = Store::open_to_read(store).and_then(|store| store.runs()).ok()?;
    Some(Duration::from_secs_f64(runs.first()?.duration_s.unwrap_or(0.0)))
}

/// A program with a run under way, in real time, and when it was seen to have begun it.
fn under_way(store: &Path) -> (Child, SystemTime) {
    let mut command = stepwell(store);
    command.args(["run", "acceptance", "--yes", "--real-time"]);
    let child = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    let begun = (0..1_500).any(|_| {
        rest(Duration::from_millis(20));
        stored(store).is_some()
    });
    assert!(begun, "it never began");
    (child, now())
}

/// Kills `programs` of them at instants all over a second, and looks at what each leaves. A run begins when the board
/// has answered, and from then on the bench, which keeps real time, tells of every millisecond. What of the time from
/// the begin to the kill is not in the store is lost; neither that nor the time since the last commit may be more than a
/// second. Returns the longest such times.
fn kill(name: &str, programs: u32) -> (Duration, Duration) {
    let folder = folder(name);
    let mut children: Vec<(PathBuf, (Child, SystemTime))> = (0..programs)
        .map(|program| {
            let store = folder.join(format!("runs-{program}"));
            let under_way = under_way(&store);
            (store, under_way)
        })
        .collect();
    rest(Duration::from_secs(2));
    let mut worst = (Duration::ZERO, Duration::ZERO);
    for (n, (store, (child, begun))) in (0..).zip(&mut children) {
        // Spread over the commits' period by a ratio that fits no number of them.
        rest(Duration::from_millis((n * 618) % 1_000));
        child.kill().unwrap();
        child.wait().unwrap();
        let killed = now();
        let uncommitted = killed.duration_since(written(store).unwrap()).unwrap_or_default();
        let of_the_run = killed.duration_since(*begun).unwrap_or_default();
        let lost = of_the_run.saturating_sub(stored(store).unwrap());
        worst = (worst.0.max(uncommitted), worst.1.max(lost));
        let verified = told(stepwell(store).args(["verify", "--json"]));
        assert_eq!(verified.code, 0, "{}{}", verified.out, verified.err);
        assert_eq!(json(&verified)["runs"][0]["state"], "interrupted", "{}", verified.out);
        let second = Duration::from_secs(1);
        assert!(uncommitted <= second, "killed {uncommitted:?} after its last commit");
        assert!(lost <= second, "{lost:?} of {of_the_run:?} are not in the store");
    }
    worst
}

fn at_most(all: impl Iterator<Item = (Duration, Duration)>) {
    let (uncommitted, lost) = all.fold((Duration::ZERO, Duration::ZERO), |a, b| (a.0.max(b.0), a.1.max(b.1)));
    println!("at most {uncommitted:?} since the last commit, at most {lost:?} lost");
}

#[test]
fn twenty_killed_programs_lose_at_most_their_last_second() {
    // A few at a time: twenty real-time programs at once are more than a small computer serves.
    at_most((0..5).map(|batch| kill(&format!("few-{batch}"), 4)));
}

#[test]
#[ignore = "four minutes; the test above takes a sample"]
fn two_hundred_killed_programs_lose_at_most_their_last_second() {
    at_most((0..10).map(|batch| kill(&format!("batch-{batch}"), 20)));
}

/// As fast as it can: most of its time goes into writing, so most kills hit a commit.
#[test]
fn programs_that_are_killed_while_they_write_leave_runs_that_verify() {
    let store = folder("fast").join("runs");
    let mut states = Vec::new();
    for n in 0..20_u64 {
        let mut child = {
            let mut command = stepwell(&store);
            command.args(["run", "acceptance", "--yes"]);
            command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap()
        };
        rest(Duration::from_millis(100 + (n * 97) % 900));
        let _ = child.kill();
        child.wait().unwrap();
        let verified = told(stepwell(&store).args(["verify", "--json"]));
        if verified.code == 2 && verified.err.contains("no runs are stored yet") {
            continue;
        }
        assert_eq!(verified.code, 0, "{}{}", verified.out, verified.err);
        let runs = json(&verified)["runs"].as_array().unwrap().clone();
        states = runs.iter().map(|run| run["state"].as_str().unwrap().to_owned()).collect();
    }
    assert!(states.iter().filter(|state| *state == "interrupted").count() > 5, "{states:?}");
}

#[test]
fn programs_keep_one_run_each_in_one_store_at_the_same_time() {
    let store = folder("two").join("runs");
    let start = |seed: &str| {
        let mut command = stepwell(&store);
        command.args(["run", "acceptance", "--yes", "--json", "--seed", seed]);
        process::spawn(&mut command)
    };
    let programs = ["1", "2", "3"].map(start);
    let mut numbers: Vec<u64> = programs
        .into_iter()
        .map(|program| {
            let run = process::finish(program);
            let result = json(&run);
            assert_eq!(result["kept"], true, "{}", run.err);
            result["run"].as_u64().unwrap()
        })
        .collect();
    numbers.sort_unstable();
    assert_eq!(numbers, [1, 2, 3]);
    let verified = told(stepwell(&store).args(["verify", "--json"]));
    assert_eq!(verified.code, 0, "{}{}", verified.out, verified.err);
    assert!(json(&verified)["runs"].as_array().unwrap().iter().all(|run| run["state"] == "sealed"));
}

/// A limit on the size of files stands in for a full disk. The run is put elsewhere, and fits there because
/// nothing of it is written twice; with nowhere to put it, it is told what is lost.
#[test]
fn a_disk_without_room_stops_the_run_and_it_is_put_elsewhere_or_what_is_lost_is_told() {
    let folder = folder("no-room");
    let limited = |store: &Path, passing: &Path| {
        let line = r#"ulimit -f 400; exec "$0" run acceptance --yes --json --store "$1""#;
        let run = shell(line, store, passing);
        assert_eq!(run.code, 1, "{}", run.err);
        let result = json(&run);
        assert_eq!((&result["kept"], &result["run"]), (&Value::from(false), &Value::from(1)));
        assert_ne!(result["verdict"], "pass");
        assert!(!result["findings"].as_array().unwrap().is_empty(), "what was measured is told");
        let verified = told(stepwell(store).arg("verify"));
        assert_eq!(verified.code, 0, "{}{}", verified.out, verified.err);
        assert!(verified.out.contains("interrupted: no seal"), "{}", verified.out);
        result
    };
    let rescued = limited(&folder.join("runs"), &folder);
    assert_eq!(rescued["instead"]["whole"], true, "{rescued:#}");
    let elsewhere = PathBuf::from(rescued["instead"]["file"].as_str().unwrap());
    let kept = json(&told(stepwell(&elsewhere).args(["show", "1", "--json"])));
    assert_eq!((&kept["state"], &kept["findings"]), (&Value::from("sealed"), &rescued["findings"]));

    let lost = limited(&folder.join("others"), Path::new("/nowhere"));
    let what = lost["instead"]["lost"].as_str().unwrap();
    assert!(
        what.contains("s of samples from") && what.contains("could not be put into another file"),
        "{what}"
    );
    assert!(["invalid", "conditional-fail", "fail"].contains(&lost["verdict"].as_str().unwrap()), "{lost:#}");
}

/// A folder that goes takes nothing with it: all that was committed can still be read while the file is open.
#[test]
fn a_folder_that_is_removed_in_mid_run_stops_the_run_and_all_of_it_is_put_elsewhere() {
    let folder = folder("removed");
    let (bench, passing) = (folder.join("bench"), folder.join("passing"));
    std::fs::create_dir(&bench).unwrap();
    std::fs::create_dir(&passing).unwrap();
    let store = bench.join("runs");
    let mut command = stepwell(&store);
    command.args(["run", "electrical", "--yes", "--real-time", "--json"]).env("TMPDIR", &passing);
    let child = process::spawn(&mut command);
    while written(&store).is_none() {
        rest(Duration::from_millis(50));
    }
    rest(Duration::from_secs(3));
    std::fs::remove_dir_all(&bench).unwrap();
    let run = process::finish(child);
    assert_eq!(run.code, 1, "{}", run.err);
    let result = json(&run);
    assert!(result["not_kept"].as_str().unwrap().contains("was moved or removed"), "{result:#}");
    assert_eq!(result["instead"]["whole"], true, "{result:#}");
    let rescued = PathBuf::from(result["instead"]["file"].as_str().unwrap());
    let verified = told(stepwell(&rescued).args(["verify", "1"]));
    assert_eq!(verified.code, 0, "{}{}", verified.out, verified.err);
    assert!(verified.out.contains("sealed"), "{}", verified.out);
    let shown = told(stepwell(&rescued).args(["show", "1"]));
    assert!(
        shown.out.contains("stopped by the program") && shown.out.contains("rescued from run 1"),
        "{}",
        shown.out
    );
}

#[test]
fn a_store_or_a_folder_that_may_not_be_written_begins_nothing() {
    use std::os::unix::fs::PermissionsExt;
    let folder = folder("rights");
    let store = folder.join("runs");
    assert_eq!(told(stepwell(&store).args(["run", "electrical", "--yes"])).code, 0);
    let permit = |path: &Path, mode| {
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
    };
    permit(&store, 0o444);
    if std::fs::File::options().append(true).open(&store).is_ok() {
        println!("skipped: the administrator may write everything");
        return;
    }
    let refused = || {
        let run = told(stepwell(&store).args(["run", "electrical", "--yes"]));
        assert_eq!(run.code, 2, "{}", run.err);
        assert!(run.err.contains("not permitted") && !run.err.contains("Guards"), "{}", run.err);
        assert_eq!(told(stepwell(&store).args(["verify"])).code, 0, "it can still be read");
    };
    refused();
    permit(&store, 0o644);
    permit(&folder, 0o555);
    refused();
    permit(&folder, 0o755);
}

/// What is carried out is what was read when the run began, and that is what is kept.
#[test]
fn a_sheet_that_is_edited_in_a_run_changes_nothing_of_it() {
    let folder = folder("edited");
    let (store, sheet) = (folder.join("runs"), folder.join("heron.toml"));
    let text = include_str!("../library/pumps/heron.toml");
    std::fs::write(&sheet, text).unwrap();
    let mut command = stepwell(&store);
    command.args(["run", "electrical", "--yes", "--real-time", "--pump"]).arg(&sheet);
    let mut run = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    let begun = (0..600).any(|_| {
        rest(Duration::from_millis(50));
        written(&store).is_some()
    });
    assert!(begun, "it never began");
    std::fs::write(&sheet, "no sheet any more").unwrap();
    assert_eq!(run.try_wait().unwrap(), None, "it was over before the sheet was edited");
    assert_eq!(run.wait().unwrap().code(), Some(0));
    let kept = Store::open_to_read(&store).unwrap().run(1).unwrap();
    assert_eq!(kept.head.pump_sheet_text, text);
}

#[test]
fn a_run_is_not_begun_in_a_file_that_is_damaged_where_its_runs_are_listed() {
    let store = folder("damaged").join("runs");
    assert_eq!(told(stepwell(&store).args(["run", "electrical", "--yes"])).code, 0);
    let mut bytes = std::fs::read(&store).unwrap();
    bytes[20_000..23_000].fill(0x55);
    std::fs::write(&store, &bytes).unwrap();
    let run = told(stepwell(&store).args(["run", "electrical", "--yes"]));
    assert_eq!((run.code, run.out.as_str()), (2, ""), "{}", run.err);
    assert!(run.err.contains("the file is damaged") && !run.err.contains("[1/"), "{}", run.err);
    assert_eq!(std::fs::read(&store).unwrap(), bytes);
}

#[test]
fn verify_names_the_first_bad_record_and_the_runs_that_are_good() {
    let store = folder("verify").join("runs");
    for _ in 0..3 {
        assert_eq!(told(stepwell(&store).args(["run", "electrical", "--yes"])).code, 0);
    }
    let all = told(stepwell(&store).arg("verify"));
    assert_eq!(all.code, 0, "{}", all.err);
    assert_eq!(all.out.matches(": good, ").count(), 3, "{}", all.out);
    let two = json(&told(stepwell(&store).args(["verify", "2", "--json"])));
    assert_eq!((&two["good"], &two["runs"][0]["state"]), (&Value::from(true), &Value::from("sealed")));
    let digest = two["runs"][0]["digest"].as_str().unwrap().to_owned();
    assert!(digest.len() == 64 && all.out.contains(&digest), "{digest}");
    let none = told(stepwell(&store).args(["verify", "9"]));
    assert_eq!(none.code, 2);
    assert!(none.err.contains("runs 1 to 3 are stored"), "{}", none.err);

    // One letter in a text of run 2.
    let mut bytes = std::fs::read(&store).unwrap();
    let text = b"answered: ";
    let places: Vec<usize> =
        bytes.windows(text.len()).enumerate().filter(|(_, here)| here == text).map(|(at, _)| at).collect();
    bytes[places[places.len() / 2]] = b'A';
    std::fs::write(&store, bytes).unwrap();
    let bad = told(stepwell(&store).arg("verify"));
    assert_eq!(bad.code, 2, "{}", bad.out);
    let words = bad.out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("Run 2: BAD: ") && words.contains("(event) is not what was written"), "{words}");
    assert!(words.contains("Every record is what was written in: 1, 3."), "{words}");
    let bad = json(&told(stepwell(&store).args(["verify", "--json"])));
    assert_eq!((&bad["good"], &bad["runs"][1]["good"]), (&Value::from(false), &Value::from(false)));
    assert!(bad["runs"][1]["bad_record"]["number"].as_u64().is_some(), "{bad:#}");
    assert_eq!(told(stepwell(&store).args(["verify", "1"])).code, 0);

    // Shown with a warning; nothing is computed from it.
    let shown = told(stepwell(&store).args(["show", "2"]));
    assert_eq!(shown.code, 2, "{}", shown.err);
    let words = shown.out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert_eq!(words.matches("may not be what was written").count(), 2, "{}", shown.out);
    assert_eq!(told(stepwell(&store).args(["show", "1"])).code, 0);
    let again = told(stepwell(&store).args(["recompute", "2"]));
    assert_eq!((again.code, again.out.as_str()), (2, ""), "{}", again.err);
    assert!(again.err.contains("is not what was written"), "{}", again.err);
    assert_eq!(told(stepwell(&store).args(["recompute", "1"])).code, 0);
}
