//! What the page promises of a cause of trips: chapter 11 of docs/protocol.md has a row for each.

/// A row.
pub(super) struct Promised {
    /// What the board found.
    pub(super) found: &'static str,
    /// How soon, in ms; 0 where the condition itself has the time.
    pub(super) within_ms: usize,
}

impl Promised {
    /// The row of the cause with this name.
    pub(super) fn of(cause: &str) -> Promised {
        let page = include_str!("../../../docs/protocol.md");
        let chapter = page.split("\n## 11. Trips").nth(1).expect("chapter 11");
        let line = chapter.lines().find(|line| line.starts_with(&format!("| {cause} |"))).expect(cause);
        let cells: Vec<&str> = line.split('|').map(str::trim).collect();
        let words: Vec<&str> = cells[3].split_whitespace().collect();
        let within_ms = match words[..] {
            [number, "ms"] => number.parse().expect("a number"),
            [number, "s"] => 1_000 * number.parse::<usize>().expect("a number"),
            ["that"] => 0,
            _ => panic!("{line}"),
        };
        Promised { found: cells[2], within_ms }
    }
}
