//! A file being read: its text, its faults so far, and what it says it is.

use super::fault::{Fault, Wrong};
use super::table::Table;
use super::{FORMAT, Kind};
use crate::quantity::nearest;
use std::cell::RefCell;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// A file being read.
#[derive(Debug)]
pub(super) struct Page<'t> {
    name: &'t str,
    pub(super) text: &'t str,
    faults: RefCell<Vec<Fault>>,
}

impl<'t> Page<'t> {
    pub(super) fn new(name: &'t str, text: &'t str) -> Page<'t> {
        Page { name, text, faults: RefCell::new(Vec::new()) }
    }

    /// Notes a fault at a range of bytes.
    pub(super) fn fault(&self, span: Range<usize>, message: impl Into<String>, help: Option<String>) {
        let (line, column) = self.line_and_column(span.start);
        let fault = Fault { line, column, message: message.into(), help, span };
        self.faults.borrow_mut().push(fault);
    }

    /// Line and column, from 1, of a byte.
    pub(super) fn line_and_column(&self, at: usize) -> (usize, usize) {
        let before = self.text.get(..at).unwrap_or(self.text);
        let line_start = before.rfind('\n').map_or(0, |newline| newline + 1);
        (before.matches('\n').count() + 1, before[line_start..].chars().count() + 1)
    }

    /// The file as TOML; its faults are noted.
    pub(super) fn open(&self) -> Option<DeTable<'t>> {
        let (table, errors) = DeTable::parse_recoverable(self.text);
        if errors.is_empty() {
            return Some(table.into_inner());
        }
        // What follows from the first slip in a line is noise.
        let mut lines = Vec::new();
        for error in errors {
            let span = error.span().unwrap_or(0..0);
            let (line, _) = self.line_and_column(span.start);
            if !lines.contains(&line) {
                lines.push(line);
                self.syntax_fault(error.message(), span);
            }
        }
        None
    }

    /// Line and column of the value of `key` in the table `table`, from 1.
    pub(super) fn place(&self, table: &str, key: &str) -> Option<(usize, usize)> {
        let (top, _) = DeTable::parse_recoverable(self.text);
        let found = value(value(top.get_ref(), table)?.get_ref().as_table()?, key)?;
        Some(self.line_and_column(found.span().start))
    }

    fn syntax_fault(&self, message: &str, span: Range<usize>) {
        if let Some((key, value)) = self.bare_text(&span) {
            let (message, help) = match value.to_lowercase().as_str() {
                small @ ("true" | "false") => {
                    ("true and false are written in small letters", format!("write {key} = {small}"))
                }
                _ => ("a text or quantity stands in quotes", format!("write {key} = \"{value}\"")),
            };
            self.fault(span, format!("this is not TOML: {message}"), Some(help));
            return;
        }
        let help = if message.contains("duplicate key") {
            "give each key once; take one of the two out"
        } else {
            "a line is: key = value; texts and quantities stand in quotes, comments begin with #"
        };
        self.fault(span, format!("this is not TOML: {message}"), Some(help.to_owned()));
    }

    /// Key and value of the line, when a value without quotes seems to be what was stumbled over.
    fn bare_text(&self, span: &Range<usize>) -> Option<(&'t str, &'t str)> {
        let start = self.text.get(..span.start)?.rfind('\n').map_or(0, |newline| newline + 1);
        let (key, value) = self.text[start..].lines().next()?.split_once('=')?;
        let (key, value) = (key.trim(), value.split('#').next()?.trim());
        let bare = value.starts_with(char::is_alphanumeric) && !value.contains('"');
        // What stumbled must stand in the value.
        (bare && span.start > start + key.len()).then_some((key, value))
    }

    /// Reads the file from the top; its head is known by then.
    pub(super) fn read<'p, T>(
        &'p self,
        top: &'p DeTable<'p>,
        contents: impl FnOnce(&Table<'p>) -> Option<T>,
    ) -> Option<T> {
        Table::read(self, "the file".to_owned(), 0..0, top, |top| {
            top.pass_over(&["stepwell", "format"]);
            contents(top)
        })
    }

    /// What the file says it is; faults of the head are noted.
    pub(super) fn kind(&self, top: &DeTable<'_>) -> Option<Kind> {
        let Some(stepwell) = value(top, "stepwell") else {
            // Nothing else is worth a word before it is known what the file is.
            let slip = top.keys().find(|key| nearest(key.get_ref(), ["stepwell"].into_iter()).is_some());
            let (span, message) = match slip {
                Some(key) => (key.span(), format!("unknown key {}", key.get_ref())),
                None => (0..0, "the file does not say what it is".to_owned()),
            };
            let help =
                "begin it with stepwell = \"pump sheet\", \"bench sheet\" or \"procedure\", then format = 1";
            self.fault(span, message, Some(help.to_owned()));
            return None;
        };
        let kind = self.kind_word(stepwell);
        let format = self.format(top);
        format.and(kind)
    }

    fn kind_word(&self, stepwell: &Spanned<DeValue<'_>>) -> Option<Kind> {
        let found = stepwell.get_ref().as_str();
        let kind = found.and_then(|found| Kind::WORDS.iter().find(|(word, _)| *word == found));
        if kind.is_none() {
            let words = "\"pump sheet\", \"bench sheet\" or \"procedure\"";
            let message = match found {
                Some(found) => format!("{found:?} is no kind of file known here: {words} is wanted"),
                None => format!("a text is wanted here: {words}"),
            };
            let near = found.and_then(|found| nearest(found, Kind::WORDS.iter().map(|(word, _)| *word)));
            self.fault(stepwell.span(), message, near.map(|word| format!("did you mean {word:?}?")));
        }
        kind.map(|(_, kind)| *kind)
    }

    fn format(&self, top: &DeTable<'_>) -> Option<()> {
        let Some(format) = value(top, "format") else {
            let stepwell = top.keys().find(|key| key.get_ref() == "stepwell").map_or(0..0, Spanned::span);
            self.fault(stepwell, "the file lacks format", Some("add format = 1".to_owned()));
            return None;
        };
        let number = format.get_ref().as_integer().and_then(|found| found.as_str().parse::<i64>().ok());
        match number {
            Some(FORMAT) => return Some(()),
            Some(newer) if newer > FORMAT => self.fault(
                format.span(),
                format!("written for a newer Stepwell: format {newer}, this program reads {FORMAT}"),
                Some("bring the program up to date, or ask for the file in the older format".to_owned()),
            ),
            _ => self.fault(
                format.span(),
                format!("the format is a number without quotes, and this program reads {FORMAT}"),
                Some(format!("write format = {FORMAT}")),
            ),
        }
        None
    }

    /// Goes on only when the file is what is wanted.
    pub(super) fn expect_kind(&self, top: &DeTable<'_>, wanted: Kind) -> Option<()> {
        let kind = self.kind(top)?;
        if kind == wanted {
            return Some(());
        }
        let span = value(top, "stepwell").map_or(0..0, Spanned::span);
        self.fault(
            span,
            format!("this is a {}, but a {} is wanted here", kind.words(), wanted.words()),
            None,
        );
        None
    }

    /// The value, when the file has no fault.
    pub(super) fn close<T>(self, value: Option<T>) -> Result<T, Wrong> {
        let faults = self.faults.into_inner();
        match value {
            Some(value) if faults.is_empty() => Ok(value),
            _ => Err(Wrong::new(self.name, self.text, faults)),
        }
    }
}

fn value<'a, 'i>(table: &'a DeTable<'i>, key: &str) -> Option<&'a Spanned<DeValue<'i>>> {
    table.iter().find(|(found, _)| found.get_ref() == key).map(|(_, value)| value)
}
