//! `stepwell analyse` as a process, on six recordings that were made without any of our own code
//! (`tests/reference/recordings.py`), and on everything that is not a recording.

#[path = "analyse/recording.rs"]
mod recording;

use recording::{Recording, Table, Told, analyse, six};
use serde_json::Value;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// Findings of each kind with their units as UCUM codes.
const FINDINGS: [(&str, &[(&str, &str)]); 6] = [
    ("coil", &[("coil_resistance_20c", "Ohm"), ("coil_inductance", "H"), ("time_constant", "s")]),
    (
        "step",
        &[
            ("pressure_rise", "Pa"),
            ("dead_time", "s"),
            ("time_constant", "s"),
            ("rise_time_10_90", "s"),
            ("overshoot", "1"),
        ],
    ),
    ("air", &[("air_fraction", "1")]),
    ("leak-down", &[("leak_rate", "Pa/s"), ("time_constant", "s")]),
    ("sweep", &[("hysteresis", "1"), ("dead_band", "1"), ("linearity", "1")]),
    ("flow", &[("flow", "m3/s")]),
];

/// An empty folder of its own for a test.
fn folder(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("analyse").join(name);
    if folder.exists() {
        std::fs::remove_dir_all(&folder).expect("an old folder can be removed");
    }
    std::fs::create_dir_all(&folder).expect("a folder can be made");
    folder
}

#[test]
fn the_interval_of_every_finding_holds_the_truth() {
    let mut wrong = Vec::new();
    for recording in six() {
        let told = recording.told(&recording.file, &["--json"]);
        assert_eq!(told.code, Some(0), "{}: {}{}", recording.kind, told.out, told.err);
        let findings = told.findings();
        for (id, truth) in &recording.truth {
            let named = format!("{} {id}", recording.kind);
            let finding = findings.iter().find(|finding| finding["id"] == id.as_str());
            let Some(finding) = finding else { panic!("{named} is missing: {}", told.out) };
            let (value, half_width) = (finding["value"].as_f64(), finding["expanded_uncertainty"].as_f64());
            match (value, half_width) {
                (Some(value), Some(half_width)) if (value - truth).abs() <= half_width => {}
                _ => wrong.push(format!("{named} is {truth}, told: {finding}")),
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn json_has_the_documented_shape() {
    for recording in six() {
        let told = recording.told(&recording.file, &["--json"]);
        let json: Value = serde_json::from_str(&told.out).unwrap_or_else(|why| panic!("{why}: {}", told.out));
        assert_eq!(json["kind"], recording.kind.as_str());
        let (_, expected) = FINDINGS.iter().find(|(kind, _)| *kind == recording.kind).expect("a known kind");
        for (id, unit) in *expected {
            let finding = told.findings().into_iter().find(|finding| finding["id"] == *id);
            let finding = finding.unwrap_or_else(|| panic!("no finding {id}: {}", told.out));
            assert_eq!(finding["unit"], *unit, "{id}");
            assert!(finding["notes"].is_array(), "{finding}");
            if finding["value"].is_null() {
                assert!(has_reason(&finding), "{finding}");
                continue;
            }
            let number = |key: &str| finding[key].as_f64().unwrap_or_else(|| panic!("{key}: {finding}"));
            assert!(number("value").is_finite());
            assert!(number("expanded_uncertainty") > 0.0, "{finding}");
            // Student's t is never below the normal quantile (JCGM 100, table G.2).
            assert!(number("coverage_factor") > 1.959, "{finding}");
            assert_eq!(number("coverage_probability"), 0.95);
            let budget = finding["budget"].as_array().unwrap_or_else(|| panic!("no budget: {finding}"));
            assert!(!budget.is_empty(), "{finding}");
        }
        assert_eq!(told.out, recording.told(&recording.file, &["--json"]).out, "the same twice");
    }
}

#[test]
fn people_get_a_picture_and_a_file_of_it() {
    let folder = folder("pictures");
    for recording in six() {
        let picture = folder.join(format!("{}.svg", recording.kind));
        let path = picture.to_str().expect("a plain path");
        let told = recording.told(&recording.file, &["--plot", path]);
        assert_eq!(told.code, Some(0), "{}: {}", recording.kind, told.err);
        assert!(told.out.lines().count() > 10, "a plot: {}", told.out);
        let svg = std::fs::read_to_string(&picture).expect("the picture is written");
        assert!(svg.contains("<svg") && svg.trim_end().ends_with("</svg>"), "{}", recording.kind);
    }
}

#[test]
fn an_unknown_column_is_named_and_passed_over() {
    let recording = of_kind("step");
    let told = recording.told(&recording.file, &["--json"]);
    assert!(format!("{}{}", told.out, told.err).contains("trigger"), "{} {}", told.out, told.err);
}

/// A fraction above 1, or below 0, of full duty is none.
#[test]
fn impossible_duties_are_refused() {
    let folder = folder("duties");
    let recording = of_kind("step");
    let plain = Table::read(&recording.file);
    let column = plain.columns.iter().position(|name| name.starts_with("duty")).expect("a column of duty");
    let after = plain.rows[plain.rows.len() - 1][column];
    for (name, duty) in [("above", 150.0), ("below", -20.0)] {
        let mut table = plain.clone();
        for row in table.rows.iter_mut().filter(|row| row[column] == after) {
            row[column] = duty;
        }
        let file = folder.join(format!("{name}.csv"));
        std::fs::write(&file, table.text()).expect("a file can be written");
        let told = recording.told(&file, &["--json"]);
        assert_eq!(told.code, Some(2), "{name}: {}{}", told.out, told.err);
        assert!(told.err.contains("between 0 and 100 %"), "{name}: {}", told.err);
    }
}

/// Columns in other units than their headings say: no number comes of them.
#[test]
fn units_that_nothing_on_a_bench_has_are_refused() {
    let folder = folder("units");
    for (kind, column, factor, code, says) in [
        ("coil", "current", 1_000.0, 4, "check the units in the headings"),
        ("coil", "voltage", 1.0e-3, 4, "check the units in the headings"),
        ("sweep", "duty", 100.0, 2, "between 0 and 100 %"),
        ("sweep", "duty", 0.01, 2, "head the column"),
    ] {
        let recording = of_kind(kind);
        let mut table = Table::read(&recording.file);
        let place = table.columns.iter().position(|name| name.starts_with(column)).expect("a column");
        table.change(place, |value| value * factor);
        let file = folder.join(format!("{kind}-{column}-{factor}.csv"));
        std::fs::write(&file, table.text()).expect("a file can be written");
        let told = recording.told(&file, &["--json"]);
        assert_eq!(told.code, Some(code), "{kind} {column} {factor}: {}{}", told.out, told.err);
        assert!(
            format!("{}{}", told.out, told.err).contains(says),
            "{kind} {column}: {}{}",
            told.out,
            told.err
        );
    }
}

/// A steady flow written as 2.4 may be 2.35 or 2.45, and no more than that comes of its digits.
#[test]
fn the_digits_of_a_steady_flow_are_no_more_than_they_do() {
    let folder = folder("digits");
    let air = |flow: &str| -> (f64, f64) {
        let mut text = String::from("time [s],pressure [MPa],flow [cm3/s]\n");
        // The build-up of plant-free closed form: half of a per cent of free air in 25 cm3, isothermal, liquid of
        // constant 1.3 GPa; volume pushed in at 2.4 cm3/s as a function of pressure, solved for by stepping.
        let pushed = |pa: f64| 25.0e-6 * (pa / 1.3e9 + 0.005 * (1.0 - 101_325.0 / (101_325.0 + pa)));
        for i in 0..400_u32 {
            let time_s = f64::from(i) * 1.0e-3;
            let wanted_m3 = 2.4e-6 * time_s;
            let (mut low, mut high) = (0.0, 50.0e6);
            for _ in 0..80 {
                let middle = f64::midpoint(low, high);
                if pushed(middle) < wanted_m3 { low = middle } else { high = middle }
            }
            writeln!(text, "{time_s:.3},{:.6},{flow}", low * 1.0e-6).expect("a text takes everything");
        }
        let file = folder.join(format!("{flow}.csv"));
        std::fs::write(&file, text).expect("a file can be written");
        let told = analyse(&[
            "air",
            file.to_str().expect("a plain path"),
            "--volume",
            "25 cm3",
            "--liquid-modulus",
            "1.3 GPa",
            "--json",
        ]);
        let finding = &told.findings()[0];
        let number = |name| finding[name].as_f64().unwrap_or_else(|| panic!("{}{}", told.out, told.err));
        (number("value"), number("expanded_uncertainty"))
    };
    let ((coarse, u), (less, _), (more, _)) = (air("2.4"), air("2.35"), air("2.45"));
    // A rectangle of half-width `moved` has 1.96/sqrt 3 of it as its share; the fit may be unsure by a twentieth itself.
    let moved = (more - less).abs() / 2.0;
    assert!(moved > 0.0 && u < 1.2 * moved + 0.05 * coarse, "{coarse} ± {u}, moved by {moved}");
}

/// A gauge pressure in a column of absolute ones would be wrong by an atmosphere.
#[test]
fn an_absolute_pressure_below_zero_is_refused() {
    let folder = folder("absolute");
    let recording = of_kind("leak-down");
    let mut table = Table::read(&recording.file);
    let column = table.columns.iter().position(|name| name.starts_with("pressure")).expect("a column");
    table.columns[column] = table.columns[column].replace("pressure", "absolute pressure");
    let last = table.rows.len() - 1;
    table.rows[last][column] = -0.5;
    let file = folder.join("below.csv");
    std::fs::write(&file, table.text()).expect("a file can be written");
    let told = recording.told(&file, &["--json"]);
    assert_eq!(told.code, Some(2), "{}{}", told.out, told.err);
    assert!(told.err.contains("no absolute pressure is below zero"), "{}", told.err);
}

/// The step is where the column of duty has it, half a millisecond of sampling apart; --at is obeyed, and a
/// contradiction is told.
#[test]
fn an_instant_that_contradicts_the_duty_is_told() {
    let recording = of_kind("step");
    let dead_time_s = |at: &str| {
        let told = recording.told(&recording.file, &["--at", at, "--json"]);
        let findings = told.findings();
        let finding = findings.iter().find(|finding| finding["id"] == "dead_time").expect("a dead time");
        (finding["value"].as_f64().expect("a number"), told.out.contains("--at was taken"))
    };
    let (right_s, is_told) = dead_time_s("0 s");
    assert!(!is_told);
    let (late_s, is_told) = dead_time_s("0.01 s");
    assert!(is_told);
    assert!((right_s - late_s - 0.01).abs() < 1e-9, "{right_s} {late_s}");
}

/// What is said of recordings in which something else happened: a rail that was opened, one that does not leak, pulses
/// that bounce, an instant after the response.
#[test]
fn what_happened_in_a_recording_is_told() {
    let folder = folder("told");
    let said = |kind: &str, rows: Vec<String>, heading: &str, options: &[&str]| {
        let file = folder.join(format!("{kind}.csv"));
        std::fs::write(&file, format!("{heading}\n{}\n", rows.join("\n"))).expect("a file can be written");
        let mut all = vec![kind, file.to_str().expect("a path in plain letters"), "--json"];
        all.extend(options);
        analyse(&all).out
    };
    // A recorder that shows tenths of a bar and trembles by one.
    let tremble = |i: usize| 0.1 * ((i * 7919 % 13) as f64 / 6.0 - 1.0).round();
    let rail = |leak_bar_per_s: f64, opened_s: f64| -> Vec<String> {
        let at = |i: usize| {
            let t = 0.05 * i as f64;
            let bar = if t < opened_s { 300.0 - leak_bar_per_s * t } else { 0.0 };
            format!("{t:.2},{:.1}", bar + tremble(i))
        };
        (0..800).map(at).collect()
    };
    let heading = "time [s],pressure [bar]";
    let opened = said("leak-down", rail(0.5, 20.0), heading, &[]);
    assert!(opened.contains("as if the rail had been opened"), "{opened}");
    let tight = said("leak-down", rail(0.0, 60.0), heading, &[]);
    assert!(tight.contains("no leak can be told from the noise") && !tight.contains("so says"), "{tight}");
    let pulses =
        (0..900).map(|i| format!("{:.4}", 0.02 * (i / 3) as f64 + [0.0, 0.001, 0.0023][i % 3])).collect();
    let bounced = said("flow", pulses, "time [s]", &["--k-factor", "8234 /L"]);
    assert!(bounced.contains("600 come too soon beside another to be real"), "{bounced}");
    let step = |i: usize| {
        let t = 0.005 * i as f64 - 1.0;
        let bar = 50.0 + 80.0 * (1.0 - (-(t - 0.1).max(0.0) / 0.2).exp());
        format!("{t:.3},{:.1}", bar + tremble(i))
    };
    let late = said("step", (0..800).map(step).collect(), heading, &["--at", "0.3 s"]);
    assert!(late.contains("before the step that is said to have been made at 0.3000 s"), "{late}");
}

/// Ways of writing the same recording; each says the same.
#[test]
fn marks_line_ends_and_a_byte_order_mark_change_nothing() {
    let folder = folder("marks");
    for recording in six() {
        let table = Table::read(&recording.file);
        let plain = table.text();
        let decimal_commas = table.text_with(';', ',');
        let mut turned = table.clone();
        turned.columns.reverse();
        turned.rows.iter_mut().for_each(|row| row.reverse());
        let said = |name: &str, text: &str| {
            let file = folder.join(format!("{}-{name}.csv", recording.kind));
            std::fs::write(&file, text).expect("a file can be written");
            let told = recording.told(&file, &["--json"]);
            assert_eq!(told.code, Some(0), "{} {name}: {}", recording.kind, told.err);
            let numbers =
                |finding: &Value| [finding["value"].clone(), finding["expanded_uncertainty"].clone()];
            told.findings().iter().map(numbers).collect::<Vec<_>>()
        };
        let expected = said("plain", &plain);
        for (name, text) in [
            ("semicolons", table.text_with(';', '.')),
            ("decimal-commas", decimal_commas.clone()),
            ("byte-order-mark", format!("\u{feff}{plain}")),
            ("carriage-returns", plain.replace('\n', "\r\n")),
            ("no-last-line-end", plain.trim_end().to_owned()),
            ("blank-line-at-the-end", format!("{plain}\n")),
            ("turned-round", turned.text()),
        ] {
            assert_eq!(said(name, &text), expected, "{} {name}", recording.kind);
        }
    }
}

/// Not a table of numbers at all, or one whose names cannot be understood: exit code 2, with words.
#[test]
fn what_is_no_recording_is_refused() {
    let folder = folder("no-recording");
    for recording in six() {
        let table = Table::read(&recording.file);
        let text = table.text();
        let time = table.columns[table.place("time").expect("a time")].clone();
        let utf_16 =
            std::iter::once(0xFEFF).chain(text.encode_utf16()).flat_map(u16::to_le_bytes).collect::<Vec<_>>();
        let rubbish: Vec<u8> = (0..50_000_u32).map(|n| (n.wrapping_mul(2_654_435_761) >> 24) as u8).collect();
        let mut ragged = text.lines().map(str::to_owned).collect::<Vec<_>>();
        ragged[20].push_str(",1.0");
        let mut short = ragged.clone();
        short.swap_remove(20);
        short[30] = String::from("1.0,,");
        let words = text.replacen("\n0", "\nzero point 0", 1).replacen("\n-0", "\nzero", 1).replacen(
            '\n',
            "\nOL,OL,OL,OL\n",
            1,
        );
        let cases: [(&str, Vec<u8>); 15] = [
            ("empty", Vec::new()),
            ("blank", b"\n\n\n".to_vec()),
            ("header-only", text.lines().next().expect("a header").into()),
            ("no-header", text.split_once('\n').expect("lines").1.into()),
            ("rubbish", rubbish),
            ("utf-16", utf_16),
            ("not-utf-8", [text.as_bytes(), &[0xFF, 0xFE, 0x80]].concat()),
            ("a-cell-too-many", ragged.join("\n").into()),
            ("cells-missing", short.join("\n").into()),
            ("words-for-numbers", words.into()),
            ("no-unit", text.replacen(" [", " ", 10).replacen(']', "", 10).into()),
            ("wrong-unit", text.replacen(&time, "time [mol]", 1).into()),
            ("time-missing-by-name", text.replacen(&time, "tea [s]", 1).into()),
            ("a-column-twice", twice(&table, &time).into()),
            ("commas-for-everything", table.text_with(',', ',').into()),
        ];
        for (name, bytes) in cases {
            // A table of duty and pressure without times is a sweep. Where one number stands in a line, commas
            // can only be decimal signs.
            let sound = (recording.kind == "sweep" && name.starts_with("time-missing"))
                || (recording.kind == "flow" && name == "commas-for-everything");
            if sound {
                continue;
            }
            let file = folder.join(format!("{}-{name}.csv", recording.kind));
            std::fs::write(&file, bytes).expect("a file can be written");
            let told = recording.told(&file, &["--json"]);
            refused(&format!("{} {name}", recording.kind), &told);
            assert_eq!(told.code, Some(2), "{} {name}: {}{}", recording.kind, told.out, told.err);
            assert!(told.findings().iter().all(|finding| finding["value"].is_null()), "{}", told.out);
        }
        for file in [folder.join("absent.csv"), folder.clone()] {
            let told = recording.told(&file, &["--json"]);
            assert_eq!(told.code, Some(2), "{}", told.err);
            assert!(!told.err.trim().is_empty());
        }
    }
}

/// One gigabyte is more than any recording; three are refused, or read, without a machine on its knees.
#[test]
fn a_file_of_three_gigabytes_is_refused() {
    let file = folder("large").join("large.csv");
    std::fs::write(&file, Table::read(&of_kind("step").file).text()).expect("a file can be written");
    let sparse = std::fs::OpenOptions::new().write(true).open(&file).expect("it can be opened");
    sparse.set_len(3 << 30).expect("the file can be stretched");
    let told = of_kind("step").told(&file, &["--json"]);
    std::fs::remove_file(&file).expect("it can be removed");
    refused("three gigabytes", &told);
    assert_eq!(told.code, Some(2), "{}", told.err);
}

/// Recordings of something else than the kind asks for: a reason in place of a number, exit code 2 or 4. A
/// number that is told all the same must be a right one.
#[test]
fn what_cannot_be_measured_gets_a_reason_and_no_wrong_number() {
    let folder = folder("spoilt");
    let mut wrong = Vec::new();
    for recording in six() {
        for (name, table, no_number) in spoilt(&Table::read(&recording.file)) {
            let named = format!("{} {name}", recording.kind);
            let file = folder.join(format!("{}-{name}.csv", recording.kind));
            std::fs::write(&file, table.text()).expect("a file can be written");
            let told = recording.told(&file, &["--json"]);
            assert!(!told.err.contains("panicked"), "{named}: {}", told.err);
            assert!(matches!(told.code, Some(0 | 2 | 4)), "{named}: {:?} {}", told.code, told.err);
            for finding in told.findings() {
                let id = finding["id"].as_str().expect("an id");
                let Some(value) = finding["value"].as_f64() else {
                    assert!(has_reason(&finding), "{named}: {finding}");
                    continue;
                };
                let half_width = finding["expanded_uncertainty"].as_f64().expect("an uncertainty");
                let truth = recording.truth.iter().find(|(of, _)| of == id);
                // Spoilt or not, an interval that misses by twice its width is wrong.
                let right = truth.is_none_or(|(_, truth)| (value - truth).abs() <= 3.0 * half_width);
                if no_number || !right {
                    wrong.push(format!("{named}: {id} {value} ± {half_width}, is {truth:?}"));
                }
            }
            if told.findings().is_empty() || told.code != Some(0) {
                refused(&named, &told);
            }
        }
    }
    assert!(wrong.is_empty(), "numbers where there are none:\n{}", wrong.join("\n"));
}

/// What was spoilt, how, and whether no number at all can come of it.
fn spoilt(good: &Table) -> Vec<(&'static str, Table, bool)> {
    let mut cases = Vec::new();
    let mut add = |name, no_number, change: &dyn Fn(&mut Table)| {
        let mut table = good.clone();
        change(&mut table);
        cases.push((name, table, no_number));
    };
    let (len, time) = (good.rows.len(), good.place("time").expect("a time"));
    add("one-row", true, &|table| table.rows.truncate(1));
    add("two-rows", true, &|table| table.rows.truncate(2));
    add("nan", true, &|table| table.rows[len / 2].fill(f64::NAN));
    add("infinite", true, &|table| table.rows[len / 2].fill(f64::INFINITY));
    add("times-out-of-order", true, &|table| table.rows.swap(len / 3, len / 2));
    add("time-stands-still", true, &|table| table.change(time, |_| 1.0));
    add("time-runs-backwards", true, &|table| table.rows.reverse());
    add("gap", false, &|table| drop(table.rows.drain(len / 3..len / 2)));
    add("huge", false, &|table| good.signals().iter().for_each(|&at| table.change(at, |x| x * 1e300)));
    if good.signals().is_empty() {
        add("huge-times", false, &|table| table.change(time, |x| x * 1e300));
        return cases;
    }
    add("clipped", false, &|table| {
        for at in good.signals() {
            let most = good.rows.iter().map(|row| row[at]).fold(f64::NEG_INFINITY, f64::max);
            table.change(at, |x| x.min(0.6 * most));
        }
    });
    add("nothing-happens", true, &|table| {
        good.signals().iter().for_each(|&at| table.change(at, |_| good.rows[0][at]));
    });
    add("noise-only", true, &|table| {
        let mut state = 1_u64;
        for at in good.signals() {
            let most = good.rows.iter().map(|row| row[at].abs()).fold(0.0, f64::max);
            table.change(at, |_| most * 0.01 * random(&mut state));
        }
    });
    add("happens-twice", false, &|table| {
        let shift = good.rows[len - 1][time] - good.rows[0][time];
        let again = good.rows[1..].iter().map(|row| {
            let mut row = row.clone();
            row[time] += shift;
            row
        });
        table.rows.extend(again);
    });
    cases
}

/// Anything between -1 and 1.
fn random(state: &mut u64) -> f64 {
    *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
    (*state >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
}

#[test]
fn what_is_not_known_is_asked_for() {
    for (kind, option) in
        [("coil", "--coil-temperature"), ("air", "--liquid-modulus"), ("flow", "--k-factor")]
    {
        let mut recording = of_kind(kind);
        let at = recording.options.iter().position(|word| word == option).expect("an option of this kind");
        recording.options.drain(at..at + 2);
        let told = recording.told(&recording.file, &["--json"]);
        assert!(matches!(told.code, Some(2 | 4)), "{kind} without {option}: {:?}", told.code);
        let first = recording.truth[0].0.as_str();
        let asked_for = |id: &str| told.findings().iter().any(|f| f["id"] == id && !f["value"].is_null());
        let of = if kind == "coil" { "coil_resistance_20c" } else { first };
        assert!(!asked_for(of), "{kind} without {option}: {}", told.out);
        let words = format!("{}{}", told.out, told.err);
        assert!(words.contains(option), "{kind}: say how to give it: {words}");
    }
}

#[test]
fn what_is_typed_wrong_is_refused() {
    let coil = of_kind("coil");
    let file = coil.file.to_str().expect("a plain path");
    for arguments in [
        &["coil"][..],
        &["coils", file],
        &["coil", file, "--coil-temperature", "41 bar"],
        &["coil", file, "--coil-temperature", "41"],
        &["coil", file, "--coil-temperature", "warm"],
        &["coil", file, "--at", "3 mL"],
        &["flow", file, "--k-factor", "10 /s"],
        &["air", file, "--volume", "25 kg"],
        &["air", file, "--volume", "-25 cm3"],
        &["air", file, "--volume", "25 m3"],
        &["air", file, "--volume", "25 cm3 within 25 cm3"],
        &["air", file, "--liquid-modulus", "1.4 MPa"],
        &["coil", file, "--coil-temperature", "41 degC within 5 %"],
    ] {
        let told = analyse(arguments);
        assert_eq!(told.code, Some(2), "{arguments:?}: {}{}", told.out, told.err);
        assert!(!told.err.trim().is_empty() && told.out.is_empty(), "{arguments:?}: {}", told.out);
    }
}

fn of_kind(kind: &str) -> Recording {
    six().into_iter().find(|recording| recording.kind == kind).expect("one of the six")
}

fn has_reason(finding: &Value) -> bool {
    let said = |value: &Value| value.as_str().is_some_and(|words| words.len() > 10);
    said(&finding["reason"]) || finding["notes"].as_array().is_some_and(|notes| notes.iter().any(said))
}

/// Refused means: no panic, words on standard error or reasons in the findings, and an exit code that says it.
fn refused(named: &str, told: &Told) {
    assert!(!told.err.contains("panicked"), "{named}: {}", told.err);
    assert!(matches!(told.code, Some(2 | 4)), "{named}: {:?} {}{}", told.code, told.out, told.err);
    let reasons = told.findings().iter().any(has_reason);
    assert!(reasons || told.err.trim().len() > 10, "{named}: no reason given");
}

/// The table with its time column once more at the end.
fn twice(table: &Table, name: &str) -> String {
    let mut table = table.clone();
    let at = table.columns.iter().position(|column| column == name).expect("the column");
    table.columns.push(name.to_owned());
    for row in &mut table.rows {
        let again = row[at];
        row.push(again);
    }
    table.text()
}
