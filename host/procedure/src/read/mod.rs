//! Files to sheets and procedures: TOML with units in, typed values out, or every fault of the file
//! at its line and column with the nearest right thing.
//!
//! Text is an argument; nothing here opens a file. A sheet or procedure that comes out of here has
//! no missing limit, no impossible range and no contradiction in itself; [`check_together`] looks at
//! what only shows when a pump, a rig and a procedure meet. `docs/sheets-and-procedures.md` is the
//! page for authors.

mod bench;
mod fault;
mod meant;
mod page;
mod procedure;
mod pump;
mod table;
mod together;

pub use fault::{Fault, Wrong};
pub use together::{check_together, remarks};

use crate::procedure::Procedure;
use crate::sheet::{BenchSheet, PumpSheet, Written};
use page::Page;

/// The format of files this program reads.
pub const FORMAT: i64 = 1;

/// What a file is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// What a pump is, and its tolerances.
    PumpSheet,
    /// What a rig is.
    BenchSheet,
    /// An ordered list of steps.
    Procedure,
}

impl Kind {
    /// The kinds by the words that files use.
    const WORDS: [(&str, Kind); 3] =
        [("pump sheet", Kind::PumpSheet), ("bench sheet", Kind::BenchSheet), ("procedure", Kind::Procedure)];

    /// The kind in words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Kind::PumpSheet => "pump sheet",
            Kind::BenchSheet => "bench sheet",
            Kind::Procedure => "procedure",
        }
    }
}

/// What the file `name` says it is. Its first key is `stepwell`.
///
/// # Errors
///
/// When it is no TOML, does not say what it is, or is written for a newer program.
pub fn kind_of(name: &str, text: &str) -> Result<Kind, Wrong> {
    let page = Page::new(name, text);
    let kind = page.open().and_then(|top| page.kind(&top));
    page.close(kind)
}

/// Reads a pump sheet.
///
/// # Errors
///
/// Every fault of the file, in its order.
pub fn pump_sheet(name: &str, text: &str) -> Result<PumpSheet, Wrong> {
    read(name, text, Kind::PumpSheet, pump::read)
}

/// Reads a bench sheet.
///
/// # Errors
///
/// Every fault of the file, in its order.
pub fn bench_sheet(name: &str, text: &str) -> Result<BenchSheet, Wrong> {
    read(name, text, Kind::BenchSheet, bench::read)
}

/// Reads a procedure.
///
/// # Errors
///
/// Every fault of the file, in its order.
pub fn procedure(name: &str, text: &str) -> Result<Procedure, Wrong> {
    read(name, text, Kind::Procedure, procedure::read)
}

fn read<T>(
    name: &str,
    text: &str,
    wanted: Kind,
    contents: impl FnOnce(&table::Table<'_>, Written) -> Option<T>,
) -> Result<T, Wrong> {
    let page = Page::new(name, text);
    let value = page.open().and_then(|top| {
        page.expect_kind(&top, wanted)?;
        let written = Written { name: name.to_owned(), text: text.to_owned() };
        page.read(&top, |table| contents(table, written))
    });
    page.close(value)
}
