//! Every file in `tests/data/wrong` has one mistake, or a few; `expected.txt` beside them holds what
//! must be said about each, word for word, in the order of the file names.
//!
//! When a message is meant to change, change `expected.txt`: the test prints the difference.

use proptest::prelude::*;
use std::fs;
use std::path::PathBuf;
use stepwell_procedure::read::{self, Wrong};

fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../tests/data/wrong")
}

/// The file's name says what it is read as.
fn read_as_named(name: &str, text: &str) -> Result<(), Wrong> {
    match name.split('-').next() {
        Some("pump") => read::pump_sheet(name, text).map(drop),
        Some("bench") => read::bench_sheet(name, text).map(drop),
        Some("procedure") => read::procedure(name, text).map(drop),
        _ => panic!("{name}: begin the name with pump, bench or procedure"),
    }
}

fn wrong_files() -> Vec<(String, String)> {
    let entries = fs::read_dir(folder()).expect("the wrong files are there");
    let mut files: Vec<(String, String)> = entries
        .map(|entry| entry.expect("readable").path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "toml"))
        .map(|path| {
            let name = path.file_name().expect("a file").to_string_lossy().into_owned();
            (name, fs::read_to_string(path).expect("readable"))
        })
        .collect();
    files.sort();
    files
}

#[test]
fn every_mistake_is_found_where_it_is_and_answered() {
    let expected = fs::read_to_string(folder().join("expected.txt")).unwrap();
    let files = wrong_files();
    assert!(files.len() >= 30, "{}", files.len());
    let mut said = String::new();
    for (name, text) in &files {
        let wrong = read_as_named(name, text).expect_err(name);
        said.push_str(&wrong.to_string());
        said.push('\n');
    }
    let mut expected_lines = expected.lines();
    for line in said.lines() {
        let expected = expected_lines.next().unwrap_or("(nothing)");
        assert!(line == expected, "\n     said: {line}\n expected: {expected}\n\nall:\n{said}");
    }
    assert_eq!(expected_lines.next(), None, "expected, but not said");
}

#[test]
fn rendering_shows_the_line_and_underlines_the_mistake() {
    let (name, text) =
        wrong_files().into_iter().find(|(name, _)| name.contains("unit-of-something-else")).unwrap();
    let wrong = read_as_named(&name, &text).unwrap_err();
    let fault = &wrong.faults[0];
    assert_eq!(&text[fault.span.clone()], "\"5 s\"");
    let shown = wrong.render(100, false);
    let line = shown.lines().find(|line| line.contains("build_up_to = \"5 s\"")).expect(&shown);
    assert!(line.contains(&fault.line.to_string()), "{shown}");
    assert!(shown.contains(&fault.message), "{shown}");
    assert!(!shown.contains('\u{1b}'), "colour was not asked for: {shown}");
    assert!(wrong.render(100, true).contains('\u{1b}'));
}

proptest! {
    /// Whatever is done to one place of a good file: it reads, or every fault lies inside the file
    /// and says something, in the file's order.
    #[test]
    fn no_change_panics_or_goes_unplaced(
        which in 0..3_usize,
        at in 0.0..1.0_f64,
        cut in 0..40_usize,
        put in "[ -~\n°é]{0,12}",
    ) {
        let good = [
            include_str!("../../library/pumps/heron.toml"),
            include_str!("../../library/benches/demo.toml"),
            include_str!("../../library/procedures/acceptance.toml"),
        ][which];
        let chars: Vec<char> = good.chars().collect();
        let at = (at * chars.len() as f64) as usize;
        let end = (at + cut).min(chars.len());
        let text: String =
            chars[..at].iter().copied().chain(put.chars()).chain(chars[end..].iter().copied()).collect();
        let name = ["pump-x", "bench-x", "procedure-x"][which];
        if let Err(wrong) = read_as_named(name, &text) {
            prop_assert!(!wrong.faults.is_empty());
            let mut before = 0;
            for fault in &wrong.faults {
                prop_assert!(!fault.message.is_empty());
                prop_assert!(before <= fault.span.start && fault.span.end <= text.len(), "{:?}", fault);
                prop_assert!(fault.line <= text.matches('\n').count() + 1 && fault.column >= 1);
                before = fault.span.start;
            }
            prop_assert!(!wrong.render(80, false).is_empty());
        }
    }

    #[test]
    fn no_text_panics(text: String) {
        for name in ["pump-x", "bench-x", "procedure-x"] {
            let _ = read_as_named(name, &text);
        }
        let _ = read::kind_of("x", &text);
    }
}
