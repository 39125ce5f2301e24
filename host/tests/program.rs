//! The built program as a process: what is typed, what is printed, exit codes, files that are wrong, a
//! served bench, and a program that is killed in the middle.

#[path = "program/process.rs"]
mod process;

use process::{PURGE, Served, Told, folder, silent_port, stepwell, told};
use serde_json::Value;
use std::process::Stdio;
use std::time::Duration;

fn json(told: &Told) -> Value {
    serde_json::from_str(&told.out).unwrap_or_else(|error| panic!("{error}: {}", told.out))
}

#[test]
fn exit_codes_say_what_a_run_came_to() {
    let store = folder("exit-codes").join("runs");
    let run = |more: &[&str]| told(stepwell(&store).args(["run", "electrical", "--yes"]).args(more));
    let told_pass = run(&[]);
    assert_eq!(told_pass.code, 0, "{}", told_pass.err);
    assert!(told_pass.out.contains("Verdict: PASS") && told_pass.out.contains("SIMULATED"));
    assert_eq!(run(&["--inject", "inlet-coil-shorted-turns"]).code, 3, "fail");
    assert_eq!(run(&["--inject", "low-supply-voltage"]).code, 4, "refused, nothing measured");
    assert_eq!(run(&["--inject", "inlet-coil-open"]).code, 6, "trip");
    assert_eq!(run(&["--port", "/dev/no-such-port", "--id", "P-1"]).code, 5, "link");
    // Nobody answers: end of input is a no.
    let nobody = told(stepwell(&store).args(["run", "electrical"]));
    assert_eq!(nobody.code, 130, "declined: {}", nobody.err);
    let kept = nobody.out.split("Kept as run ").nth(1).and_then(|rest| rest.split(';').next());
    let kept = told(stepwell(&store).args(["show", kept.expect("it is kept")]));
    assert!(kept.out.contains("answered: no (nobody was there)"), "{}", kept.out);
    for told in [&nobody, &kept] {
        let ended = "Ended:   declined at step “receiving”: nobody was there to answer";
        assert!(told.out.contains(ended), "{}", told.out);
    }
    assert!(!told(stepwell(&store).arg("runs")).out.contains("by the operator"), "not told in a list");

    // All of them are kept, and shown again.
    let runs = told(stepwell(&store).arg("runs"));
    assert_eq!(runs.code, 0);
    assert_eq!(runs.out.matches("SIMULATED").count(), 5, "five runs reached a board: {}", runs.out);
    assert!(runs.out.lines().all(|line| line.chars().count() <= 80), "{}", runs.out);
    let shown = told(stepwell(&store).args(["show", "1"]));
    assert_eq!(shown.code, 0);
    for words in ["Inlet coil resistance at 20 °C", "Verdict: PASS", "SIMULATED", "seed 1"] {
        assert!(shown.out.contains(words), "{words}: {}", shown.out);
    }
    assert!(shown.out.contains("conforming") && shown.out.contains("JCGM 106"), "{}", shown.out);
    let budget = told(stepwell(&store).args(["show", "1", "--budget"]));
    assert_eq!(budget.code, 0);
    for words in ["Inlet coil resistance at 20 °C: (", "coil temperature", "share", "combined, k = ", "Rule:"]
    {
        assert!(budget.out.contains(words), "{words}: {}", budget.out);
    }
    assert!(budget.out.lines().all(|line| line.chars().count() <= 80), "{}", budget.out);
    let none = told(stepwell(&store).args(["show", "99"]));
    assert_eq!(none.code, 2);
    assert!(none.err.contains("run 99"), "{}", none.err);
}

#[test]
fn a_kept_run_is_computed_again_with_a_corrected_calibration_and_stays_as_it_is() {
    let folder = folder("recompute");
    let store = folder.join("runs");
    assert_eq!(told(stepwell(&store).args(["run", "acceptance", "--yes"])).code, 0);
    let before = std::fs::read(&store).expect("the store");
    let again = told(stepwell(&store).args(["recompute", "1", "--json"]));
    assert_eq!(again.code, 0, "{}", again.err);
    let pairs = json(&again);
    assert!(pairs["findings"].as_array().is_some_and(|all| all.len() >= 15), "{pairs}");
    for pair in pairs["findings"].as_array().expect("a list") {
        assert_eq!(pair["then"], pair["now"], "the same sheets and the same program");
    }
    // The shunt's amplifier turns out to give 3 % more volts per ampere than the sheet said, so there were
    // 3 % fewer amperes. By Ohm's law the loop has 3 % more ohms: R + leads + switch scale, then
    // the same copper factor. What does not rest on a current stays.
    let sheet = include_str!("../library/benches/demo.toml");
    let corrected = folder.join("corrected.toml");
    std::fs::write(&corrected, sheet.replace("gain = \"1 V/A\"", "gain = \"1.03 V/A\"")).expect("a sheet");
    let corrected = corrected.to_str().expect("a path");
    let pairs = json(&told(stepwell(&store).args(["recompute", "1", "--json", "--bench", corrected])));
    assert_eq!(pairs["bench_sheet"]["same_text"], false);
    for pair in pairs["findings"].as_array().expect("a list") {
        let value = |when: &str| pair[when]["value"].as_f64().expect("a number");
        let ratio = value("now") / value("then");
        if pair["then"]["id"].as_str().is_some_and(|id| id.ends_with("resistance_20c")) {
            // Leads and switch, 0.18 of some 3.2 ohm, do not scale with the winding: 1.03 to 1.032.
            assert!((1.029..1.034).contains(&ratio), "{ratio}: {pair}");
        } else if !pair["then"]["id"].as_str().is_some_and(|id| id.contains("inductance")) {
            assert_eq!(pair["then"]["value"], pair["now"]["value"], "rests on no current");
        }
    }
    let shown = told(stepwell(&store).args(["recompute", "1", "--bench", corrected]));
    assert!(
        shown.out.contains("CHANGED") && shown.out.lines().all(|l| l.chars().count() <= 80),
        "{}",
        shown.out
    );
    assert_eq!(std::fs::read(&store).expect("the store"), before, "nothing that is kept is changed");
}

#[test]
fn json_parses_and_a_run_is_shown_as_it_was_printed() {
    let store = folder("json").join("runs");
    let printed = json(&told(stepwell(&store).args(["run", "electrical", "--yes", "--json", "--id", "P-7"])));
    assert_eq!(printed["pump_id"], "P-7");
    assert_eq!(printed["verdict"], "pass");
    let findings = printed["findings"].as_array().expect("a list");
    assert_eq!(findings.len(), 4, "resistance and inductance of either coil");
    for finding in findings {
        let ohm = finding["id"].as_str().is_some_and(|id| id.ends_with("resistance_20c"));
        let possible = if ohm { 2.7..3.3 } else { 5e-3..30e-3 };
        assert!(finding["value"].as_f64().is_some_and(|value| possible.contains(&value)), "{finding}");
        assert!(finding["expanded_uncertainty"].as_f64().is_some_and(|u| u > 0.0), "{finding}");
        assert!(finding["tolerance"].is_object(), "{finding}");
        let conformity = finding["probability_of_conformity"].as_f64().expect("a probability");
        assert!((0.95..=1.0).contains(&conformity), "{finding}");
        assert!(finding["decision_rule"].as_str().is_some_and(|rule| rule.contains("ILAC-G8")), "{finding}");
        let budget = finding["budget"].as_array().expect("a list");
        let shares: Vec<f64> = budget.iter().filter_map(|part| part["share"].as_f64()).collect();
        assert!(shares.len() == budget.len() && shares.is_sorted_by(|a, b| a >= b), "{finding}");
        assert!((shares.iter().sum::<f64>() - 1.0).abs() < 1e-9, "{finding}");
        let squares: f64 =
            budget.iter().filter_map(|part| part["standard_uncertainty"].as_f64()).map(|u| u * u).sum();
        let u = finding["standard_uncertainty"].as_f64().expect("a number");
        assert!((squares.sqrt() / u - 1.0).abs() < 1e-9, "{finding}");
    }
    assert_eq!(printed["simulated"], true);
    assert!(printed["simulation"].as_str().is_some_and(|words| words.contains("seed 1")));
    assert_eq!((&printed["pump_sheet"], &printed["bench_sheet"]), (&"heron".into(), &"demo".into()));
    assert_eq!(findings[0]["unit"], "Ohm");
    let listed = told(stepwell(&store).args(["runs", "--json"]));
    let runs = json(&listed);
    assert_eq!(runs.as_array().map(Vec::len), Some(1));
    assert!(!listed.out.contains("[tolerances]"), "a list is not the place for whole files");
    let answers = told(stepwell(&store).args(["show", "1"]));
    assert!(answers.out.contains("answered: done (by --yes, nobody was asked)"), "{}", answers.out);
    let none = told(stepwell(&store.with_extension("absent")).args(["runs", "--json"]));
    assert_eq!((none.code, none.out.trim()), (0, "[]"));
    let shown = json(&told(stepwell(&store).args(["show", "1", "--json"])));
    assert_eq!(shown["findings"], printed["findings"]);
    let ports = told(stepwell(&store).args(["ports", "--json"]));
    assert_eq!(ports.code, 0);
    assert!(json(&ports).is_array());
    let ports = told(stepwell(&store).arg("ports"));
    assert_eq!(ports.code, 0);
    assert!(!ports.out.trim().is_empty(), "even no port is said");
}

#[test]
fn check_names_file_line_and_column() {
    let folder = folder("check");
    let store = folder.join("runs");
    let shipped = include_str!("../library/pumps/heron.toml");
    let good = folder.join("good.toml");
    let wrong = folder.join("wrong.toml");
    std::fs::write(&good, shipped.replace("name = \"heron\"", "name = \"mine\"")).unwrap();
    // A slip of the finger in a unit.
    let slip = "resistance_20c = \"3.0 ohn\"";
    let text = shipped.replacen("resistance_20c = \"3.0 ohm\"", slip, 1);
    let line = text.lines().position(|line| line.contains(slip)).expect("the slip is in") + 1;
    std::fs::write(&wrong, text).unwrap();

    let fine = told(stepwell(&store).arg("check").arg(&good));
    assert_eq!(fine.code, 0, "{}", fine.err);
    assert!(fine.out.contains("pump sheet “mine”: good"), "{}", fine.out);
    let both = told(stepwell(&store).arg("check").arg(&good).arg(&wrong));
    assert_eq!(both.code, 2);
    let place = format!("{}:{line}:", wrong.display());
    let after = both.err.split(&place).nth(1).unwrap_or_else(|| panic!("no {place} in {}", both.err));
    let column: String = after.chars().take_while(char::is_ascii_digit).collect();
    assert!(column.parse::<usize>().is_ok_and(|column| column > 1), "a column: {}", both.err);
    assert!(both.err.contains("ohm"), "{}", both.err);
    let twice = told(stepwell(&store).arg("check").arg(&good).arg(&good));
    assert_eq!(twice.code, 2, "one name twice: {}", twice.out);
    let absent = told(stepwell(&store).arg("check").arg(folder.join("absent.toml")));
    assert_eq!(absent.code, 2);
    assert!(absent.err.contains("absent.toml"), "{}", absent.err);
}

#[test]
fn what_is_typed_wrong_is_named_with_the_nearest_right_thing() {
    let store = folder("typed").join("runs");
    for (typed, words) in [
        (&["run", "electrical", "--id", ""][..], &["--id", "empty"][..]),
        (&["run", "electrical", "--pump", "herron"], &["herron", "Did you mean “heron”"]),
        (&["run", "electrcal"], &["electrcal", "Did you mean “electrical”"]),
        (&["run", "electrical", "--bench", "demmo"], &["Did you mean “demo”"]),
        (&["run", "electrical", "--inject", "air-ingres"], &["Did you mean “air-ingress”"]),
        (&["run", "electrical", "--inject", "air-ingress=much"], &["severity", "much"]),
        (&["run", "electrical", "--port", "/dev/x"], &["--id"]),
        (&["run", "electrical", "--seed", "many"], &["many"]),
        (&["runn"], &["runn"]),
    ] {
        let told = told(stepwell(&store).args(typed).arg("--yes"));
        assert_eq!(told.code, 2, "{typed:?}: {}", told.err);
        for words in words {
            assert!(told.err.contains(words), "{typed:?}: no {words} in {}", told.err);
        }
    }
    let far = told(stepwell(&store).args(["run", "electrical", "--inject", "foo", "--yes"]));
    assert!(far.code == 2 && far.err.contains("no fault “foo”. There are"), "nothing is near: {}", far.err);
    for verb in ["show", "verify", "recompute"] {
        let told = told(stepwell(&store).args([verb, "abc"]));
        assert!(told.code == 2 && told.err.contains("`stepwell runs` lists"), "{verb}: {}", told.err);
        assert!(!told.err.contains("invalid digit"), "{verb}: {}", told.err);
    }
    let runs = told(stepwell(&store).args(["runs", "--json"]));
    assert_eq!((runs.code, runs.out.trim()), (0, "[]"), "nothing of that has begun a run");
}

#[test]
fn a_store_that_is_none_is_refused_and_left_alone() {
    let folder = folder("stores");
    let run = |store: &std::path::Path| told(stepwell(store).args(["run", "electrical", "--yes"]));
    let letter = folder.join("letter.txt");
    std::fs::write(&letter, "Dear workshop, this is no store of runs. ".repeat(40)).unwrap();
    let before = std::fs::read(&letter).unwrap();
    for verb in [&["run", "electrical", "--yes"][..], &["runs"], &["show", "1"]] {
        let told = told(stepwell(&letter).args(verb));
        assert_eq!(told.code, 2, "{verb:?}");
        assert!(told.err.contains("not a store of runs"), "{verb:?}: {}", told.err);
    }
    assert_eq!(std::fs::read(&letter).unwrap(), before, "left as it was");

    let told_folder = run(&folder);
    assert_eq!(told_folder.code, 2);
    assert!(told_folder.err.contains("this is a folder"), "{}", told_folder.err);

    let newer = folder.join("newer");
    assert_eq!(run(&newer).code, 0);
    // The layout version is the header's user version: four bytes at offset 60, big end first
    // (sqlite.org/fileformat2.html, 1.3).
    let mut bytes = std::fs::read(&newer).unwrap();
    bytes[60..64].copy_from_slice(&999_u32.to_be_bytes());
    std::fs::write(&newer, &bytes).unwrap();
    let told_newer = run(&newer);
    assert_eq!(told_newer.code, 2);
    assert!(told_newer.err.contains("layout version 999"), "{}", told_newer.err);

    let absent = told(stepwell(&folder.join("absent")).arg("runs"));
    assert_eq!(absent.code, 2);
    assert!(absent.err.contains("no runs are stored yet"), "{}", absent.err);
}

#[test]
fn a_run_over_a_port_finds_what_the_built_in_run_finds_to_the_bit_and_keeps_others_out() {
    let folder = folder("served");
    let bench = Served::start(&["--seed", "3"]);
    let typed = ["run", "electrical", "--yes", "--json", "--id", "P-3"];
    let mut over_port = stepwell(&folder.join("over-port"));
    let running = process::spawn(over_port.args(typed).args(["--port", bench.port()]));
    bench.wait_for("energised");

    // A second program, while the first is at work.
    let second = told(stepwell(&folder.join("second")).args(typed).args(["--port", bench.port()]));
    assert_eq!(second.code, 5, "{}", second.err);
    assert!(second.err.contains(bench.port()), "{}", second.err);
    assert!(second.out.is_empty(), "nothing was run: {}", second.out);

    let over_port = process::finish(running);
    assert_eq!(over_port.code, 0, "the first is not disturbed: {}", over_port.err);
    let built_in = told(stepwell(&folder.join("built-in")).args(typed).args(["--seed", "3"]));
    // As text: every digit of every number.
    let findings = |told: &Told| {
        let after = told.out.split("\"findings\"").nth(1)?;
        after.split("\"kept\"").next().map(str::to_owned)
    };
    assert!(findings(&built_in).is_some());
    assert_eq!(findings(&over_port), findings(&built_in));
}

#[test]
fn a_stop_while_a_board_is_greeted_ends_the_program() {
    let (_silent, port) = silent_port();
    let (operator, program) = ("stopped by the operator", "stopped by the program");
    for (signal, words) in [("INT", operator), ("TERM", program), ("QUIT", program)] {
        let store = folder("stopped-greeting").join("runs");
        let mut command = stepwell(&store);
        command.args(["run", "electrical", "--yes", "--id", "P-1", "--port", port.as_str()]);
        let program = process::spawn(&mut command);
        // By then it listens to signals, and will greet for two seconds more.
        #[expect(clippy::disallowed_methods, reason = "waits for another process")]
        std::thread::park_timeout(Duration::from_millis(700));
        let kill = format!("kill -{signal} {}", program.id());
        assert!(std::process::Command::new("sh").args(["-c", &kill]).status().unwrap().success());
        let told = process::finish(program);
        assert_eq!(told.code, 130, "{}", told.err);
        assert!(told.err.contains(words) && !told.err.contains("nothing on the port"), "{}", told.err);
        assert!(told.out.is_empty(), "nothing was begun: {}", told.out);
    }
}

#[test]
fn a_port_on_which_nothing_answers_is_told_and_nothing_else() {
    let (_silent, port) = silent_port();
    let store = folder("silent").join("runs");
    let told =
        told(stepwell(&store).args(["run", "electrical", "--yes", "--id", "P-1", "--port", port.as_str()]));
    assert_eq!(told.code, 5, "{}", told.err);
    assert!(told.err.contains("nothing on the port answers in Stepwell's protocol"), "{}", told.err);
    assert!(!told.err.contains("[1/") && told.out.is_empty(), "nothing was begun: {}{}", told.err, told.out);
}

#[test]
fn a_port_that_is_no_serial_port_is_said_to_be_none() {
    let store = folder("no-serial-port").join("runs");
    let told =
        told(stepwell(&store).args(["run", "electrical", "--yes", "--id", "P-1", "--port", "/dev/null"]));
    assert_eq!(told.code, 5, "{}", told.err);
    assert!(told.err.contains("/dev/null: this is no serial port; `stepwell ports`"), "{}", told.err);
}

/// Carries a line of the shell out, with the program and a store as `$0` and `$1`. Passing things go beside
/// the store.
fn shell(line: &str, store: &std::path::Path) -> Told {
    told(
        std::process::Command::new("bash")
            .args(["-c", line, env!("CARGO_BIN_EXE_stepwell")])
            .arg(store)
            .env("TMPDIR", store.with_file_name(""))
            .stdin(std::process::Stdio::null()),
    )
}

#[test]
fn a_reader_that_goes_away_spoils_nothing_and_a_full_disk_is_told() {
    let store = folder("pipes").join("runs");
    let line = r#""$0" run electrical --yes --store "$1" 2>&1 | head -3; echo "code ${PIPESTATUS[0]}""#;
    let run = shell(line, &store);
    assert!(run.out.contains("code 0"), "{}", run.out);
    let runs = told(stepwell(&store).arg("runs"));
    assert!(runs.out.contains("PASS, completed"), "kept to its end: {}", runs.out);

    let show = shell(r#""$0" show 1 --store "$1" | head -1; echo "code ${PIPESTATUS[0]}""#, &store);
    assert!(show.out.contains("code 0") && show.err.is_empty(), "{}{}", show.out, show.err);
    let full = shell(r#""$0" run electrical --yes --store "$1" > /dev/full"#, &store);
    assert_eq!(full.code, 1, "{}", full.err);
    assert!(full.err.contains("not everything has been printed"), "{}", full.err);
    assert_eq!(
        told(stepwell(&store).arg("runs")).out.matches("PASS, completed").count(),
        2,
        "kept all the same"
    );
}

#[test]
fn answers_that_nobody_typed_are_not_recorded_as_a_persons() {
    let store = folder("fed").join("runs");
    let run = shell(r#"yes | "$0" run electrical --store "$1""#, &store);
    assert_eq!(run.code, 0, "{}{}", run.out, run.err);
    let shown = told(stepwell(&store).args(["show", "1"]));
    let answers: Vec<&str> = shown.out.lines().filter(|line| line.contains("answered: ")).collect();
    assert!(
        !answers.is_empty() && answers.iter().all(|line| line.contains("(by what was fed to")),
        "{}",
        shown.out
    );
}

/// A limit on the size of files stands in for a full disk: writing fails in the same places.
#[test]
fn a_run_that_cannot_be_kept_is_stopped_by_the_program_and_says_so() {
    let store = folder("full").join("runs");
    let limited = |blocks: u32| {
        let line = format!(r#"ulimit -f {blocks}; exec "$0" run acceptance --yes --store "$1""#);
        shell(&line, &store)
    };
    let at_once = limited(60);
    assert_eq!(at_once.code, 1, "{}", at_once.err);
    assert!(at_once.err.contains("nothing was begun") && !at_once.err.contains("Guards"), "{}", at_once.err);
    assert!(at_once.out.is_empty(), "{}", at_once.out);

    let midway = limited(400);
    assert_eq!(midway.code, 1, "{}", midway.err);
    assert!(midway.out.contains("Ended:   stopped by the program"), "{}", midway.out);
    assert!(midway.out.contains("NOT KEPT") && !midway.out.contains("Kept as run"), "{}", midway.out);
}

#[test]
fn a_slip_in_the_name_of_a_store_makes_no_folders() {
    let folder = folder("slip");
    let store = folder.join("no").join("such").join("runs");
    let told = told(stepwell(&store).args(["run", "electrical", "--yes"]));
    assert_eq!(told.code, 2);
    assert!(told.err.contains("there is no folder"), "{}", told.err);
    assert!(!folder.join("no").exists());
}

#[test]
fn a_program_that_is_killed_in_mid_purge_leaves_a_bench_at_rest_and_a_run_that_says_so() {
    let folder = folder("killed");
    let store = folder.join("runs");
    let procedure = folder.join("purge.toml");
    std::fs::write(&procedure, PURGE).unwrap();
    let bench = Served::start(&["--seed", "3"]);
    let mut command = stepwell(&store);
    command.arg("run").arg(&procedure).args(["--yes", "--port", bench.port(), "--id", "P-3"]);
    let mut running = process::spawn(&mut command);
    bench.wait_for("energised");
    running.kill().expect("the program can be killed");
    let killed = process::finish(running);
    assert_eq!(killed.code, process::KILLED, "{}", killed.out);

    bench.wait_for("program gone");
    bench.wait_for("stopping");
    bench.wait_for("tripped");
    let last = bench.wait_for("last output energised");
    let ms: u32 = last
        .split(", ")
        .nth(1)
        .and_then(|words| words.split(' ').next())
        .and_then(|ms| ms.parse().ok())
        .unwrap_or_else(|| panic!("no time in {last}"));
    // Half a second of lease, and the staged stop's five seconds at most.
    assert!(ms <= 5_500, "{last}");
    bench.wait_for("bench switched off, tripped");

    let runs = told(stepwell(&store).arg("runs"));
    assert_eq!(runs.code, 0, "{}", runs.err);
    assert!(runs.out.contains("interrupted"), "{}", runs.out);
    let shown = told(stepwell(&store).args(["show", "1"]));
    assert_eq!(shown.code, 0, "{}", shown.err);
    assert!(shown.out.contains("interrupted") && !shown.out.contains("Verdict: PASS"), "{}", shown.out);

    let next = told(stepwell(&store).args([
        "run",
        "electrical",
        "--yes",
        "--json",
        "--port",
        bench.port(),
        "--id",
        "P-3",
    ]));
    assert_eq!(next.code, 0, "{}", next.err);
    assert_eq!(json(&next)["verdict"], "pass");
}

#[test]
fn a_served_bench_rests_between_its_ticks() {
    let store = folder("served-rests").join("runs");
    let bench = Served::start(&[]);
    let told =
        told(stepwell(&store).args(["run", "electrical", "--yes", "--id", "P-9", "--port", bench.port()]));
    assert_eq!(told.code, 0, "{}", told.err);
    // Five seconds of bench time: a tick of the model takes some 20 us, a program that never rests all of it.
    let busy = bench.busy();
    assert!(busy > Duration::ZERO && busy < Duration::from_secs(1), "{busy:?}");
}

#[test]
fn who_answers_once_the_program_was_ended_is_said_alike_while_it_runs_and_in_the_record() {
    let folder = folder("ended-yes");
    let (store, procedure) = (folder.join("runs"), folder.join("purge.toml"));
    let gauge = "[[tear_down]]\nstep = \"confirm\"\nname = \"gauge\"\ntitle = \"Gauge\"\ntext = \"Zero?\"\n";
    std::fs::write(&procedure, format!("{PURGE}\n{gauge}")).unwrap();
    let bench = Served::start(&[]);
    let mut command = stepwell(&store);
    command.arg("run").arg(&procedure).args(["--yes", "--port", bench.port(), "--id", "P-3"]);
    let running = process::spawn(&mut command);
    bench.wait_for("energised");
    let kill = format!("kill -TERM {}", running.id());
    assert!(std::process::Command::new("sh").args(["-c", &kill]).status().unwrap().success());
    let ended = process::finish(running);
    assert_eq!(ended.code, 130, "{}", ended.err);
    let shown = told(stepwell(&store).args(["show", "1"])).out;
    for words in [&ended.err, &shown] {
        // The cautions and the gauge.
        assert_eq!(words.matches("answered: done (by --yes, nobody was asked)").count(), 2, "{words}");
        assert_eq!(words.matches("done (").count(), 2, "{words}");
    }
}

#[test]
fn a_run_under_way_is_listed_as_running_and_as_interrupted_when_its_program_is_killed() {
    let store = folder("running").join("runs");
    let mut command = stepwell(&store);
    command.args(["run", "electrical", "--yes", "--real-time"]);
    let mut program = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    let state = || {
        let listed = told(stepwell(&store).args(["runs", "--json"]));
        json(&listed)[0]["state"].as_str().map(str::to_owned)
    };
    let began = (0..200).find_map(|_| {
        #[expect(clippy::disallowed_methods, reason = "waits for another process")]
        std::thread::park_timeout(Duration::from_millis(50));
        state()
    });
    assert_eq!(began.as_deref(), Some("running"));
    program.kill().unwrap();
    program.wait().unwrap();
    assert_eq!(state().as_deref(), Some("interrupted"));
}
