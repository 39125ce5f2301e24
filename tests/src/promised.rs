//! What chapter 11 of docs/protocol.md promises: it has a row for each cause of a trip, and its third column is the time
//! within which the staged stop begins.
//!
//! It needs the page and nothing else, so the witness of the fuzzing engine shares it.

const PAGE: &str = include_str!("../../docs/protocol.md");

/// So soon after the fault the staged stop begins, in ms; 0 where the page says *that*: the fault counts from there.
///
/// # Panics
/// When the page promises nothing for this cause.
#[must_use]
pub fn within_ms(cause: &str) -> usize {
    let time = column(cause, 3);
    let words: Vec<&str> = time.split_whitespace().collect();
    match words[..] {
        [number, "ms"] => number.parse().expect(time),
        [number, "s"] => 1_000 * number.parse::<usize>().expect(time),
        ["that"] => 0,
        _ => panic!("{cause}: {time}"),
    }
}

/// What the board finds, in the page's words.
///
/// # Panics
/// When the page promises nothing for this cause.
#[must_use]
pub fn found(cause: &str) -> &'static str {
    column(cause, 2)
}

/// The states in which it is watched, by their letters on the page: R, A, D, S.
///
/// # Panics
/// When the page has no row for this cause.
#[must_use]
pub fn watched(cause: &str) -> String {
    "RADS".char_indices().filter(|(at, _)| column(cause, 4 + at) == "x").map(|(_, letter)| letter).collect()
}

/// The causes that forbid arming, as the page has them.
///
/// # Panics
/// When the page has no chapter 11.
pub fn forbid_arming() -> impl Iterator<Item = &'static str> {
    let causes = chapter().lines().filter_map(|line| line.strip_prefix("| ")?.split(" |").next());
    causes.skip_while(|cause| *cause != "cause").skip(1).filter(|cause| column(cause, 8) == "x")
}

fn chapter() -> &'static str {
    PAGE.split("\n## 11. Trips").nth(1).expect("chapter 11").split("\n## ").next().expect("a text")
}

fn column(cause: &str, number: usize) -> &'static str {
    let row = chapter().lines().find(|line| line.starts_with(&format!("| {cause} |"))).expect(cause);
    row.split('|').nth(number).expect(row).trim()
}
