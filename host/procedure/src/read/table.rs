//! One table of a file: every key that is asked for is read and checked, every key that nobody asks
//! for is a fault.

mod numbers;
mod words;

pub(super) use numbers::Allowed;

use super::page::Page;
use crate::quantity::nearest;
use std::cell::{Cell, RefCell};
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// A value and where it stands.
#[derive(Clone, Debug)]
pub(super) struct Found<T> {
    pub(super) value: T,
    pub(super) span: Range<usize>,
}

/// One table of a file.
#[derive(Debug)]
pub(super) struct Table<'p> {
    page: &'p Page<'p>,
    /// As messages call it: "the file", "[test]", "this step".
    name: String,
    span: Range<usize>,
    entries: &'p DeTable<'p>,
    asked: RefCell<Vec<&'static str>>,
    /// Keys that are wanted and not there, with a line to be filled in.
    missing: RefCell<Vec<(&'static str, String)>>,
    /// Whether keys that nobody asked for are faults.
    strict: Cell<bool>,
}

impl<'p> Table<'p> {
    /// Reads a table, and then looks for what is missing and what nobody asked for.
    pub(super) fn read<T>(
        page: &'p Page<'p>,
        name: String,
        span: Range<usize>,
        entries: &'p DeTable<'p>,
        contents: impl FnOnce(&Table<'p>) -> T,
    ) -> T {
        let (asked, missing, strict) = (RefCell::default(), RefCell::default(), Cell::new(true));
        let table = Table { page, name, span, entries, asked, missing, strict };
        let value = contents(&table);
        table.finish();
        value
    }

    /// These keys have been looked at already.
    pub(super) fn pass_over(&self, keys: &[&'static str]) {
        self.asked.borrow_mut().extend(keys);
    }

    /// What belongs here cannot be told: unknown keys are no faults.
    pub(super) fn let_pass(&self) {
        self.strict.set(false);
    }

    pub(super) fn fault(&self, span: Range<usize>, message: impl Into<String>, help: impl Into<Help>) {
        self.page.fault(span, message, help.into().0);
    }

    /// The line in which something stands.
    pub(super) fn line(&self, span: &Range<usize>) -> usize {
        self.page.line_and_column(span.start).0
    }

    fn entry(&self, key: &'static str) -> Option<(Range<usize>, &'p Spanned<DeValue<'p>>)> {
        let (key, value) = self.entries.iter().find(|(found, _)| found.get_ref() == key)?;
        Some((key.span(), value))
    }

    /// What stands there, in words; a number as it is written.
    fn shown(&self, value: &Spanned<DeValue<'_>>) -> String {
        match value.get_ref() {
            DeValue::Integer(_) | DeValue::Float(_) => {
                self.page.text.get(value.span()).unwrap_or_default().to_owned()
            }
            other => name_of(other).to_owned(),
        }
    }

    /// Whether the key is there.
    pub(super) fn has(&self, key: &'static str) -> bool {
        self.entry(key).is_some()
    }

    /// Whether an unknown key seems to be a slip for this one.
    pub(super) fn has_slip_for(&self, key: &'static str) -> bool {
        !self.has(key)
            && self.entries.keys().any(|found| nearest(found.get_ref(), [key].into_iter()).is_some())
    }

    fn ask(&self, key: &'static str) -> Option<&'p Spanned<DeValue<'p>>> {
        self.asked.borrow_mut().push(key);
        self.entry(key).map(|(_, value)| value)
    }

    fn want(&self, key: &'static str, line: impl FnOnce() -> String) -> Option<&'p Spanned<DeValue<'p>>> {
        let found = self.ask(key);
        if found.is_none() {
            self.missing.borrow_mut().push((key, line()));
        }
        found
    }

    /// Refuses a key that makes no sense here.
    pub(super) fn refuse(&self, key: &'static str, why: &str, help: &str) {
        self.asked.borrow_mut().push(key);
        if let Some((span, _)) = self.entry(key) {
            self.fault(span, format!("{key} {why}"), help);
        }
    }

    /// A table that must be there.
    pub(super) fn table<T>(
        &self,
        key: &'static str,
        contents: impl FnOnce(&Table<'p>) -> Option<T>,
    ) -> Option<T> {
        let value = self.want(key, || format!("[{key}]"))?;
        self.to_table(key, value, contents)
    }

    /// A table that may be there.
    pub(super) fn optional_table<T>(
        &self,
        key: &'static str,
        contents: impl FnOnce(&Table<'p>) -> Option<T>,
    ) -> Option<T> {
        self.to_table(key, self.ask(key)?, contents)
    }

    fn to_table<T>(
        &self,
        key: &'static str,
        value: &'p Spanned<DeValue<'p>>,
        contents: impl FnOnce(&Table<'p>) -> Option<T>,
    ) -> Option<T> {
        let (at, _) = self.entry(key)?;
        if let Some(entries) = value.get_ref().as_table() {
            return Table::read(self.page, format!("[{key}]"), at, entries, contents);
        }
        let message = format!("a table is wanted here, found {}", self.shown(value));
        self.fault(value.span(), message, format!("write [{key}] on a line of its own and its keys below"));
        None
    }

    /// A list of tables; empty when it is not there.
    pub(super) fn tables<T>(&self, key: &'static str, mut contents: impl FnMut(&Table<'p>) -> T) -> Vec<T> {
        let Some(value) = self.ask(key) else { return Vec::new() };
        let Some(list) = value.get_ref().as_array() else {
            let message = format!("steps are wanted here, found {}", self.shown(value));
            self.fault(value.span(), message, format!("begin each step with [[{key}]] on a line of its own"));
            return Vec::new();
        };
        if list.is_empty() {
            self.fault(value.span(), format!("{key} is an empty list"), "take the line out, or add steps");
        }
        let mut read = Vec::new();
        for step in list {
            if let Some(entries) = step.get_ref().as_table() {
                let name = format!("this step of [[{key}]]");
                read.push(Table::read(self.page, name, step.span(), entries, &mut contents));
            } else {
                let message = format!("a step is wanted here, found {}", self.shown(step));
                self.fault(
                    step.span(),
                    message,
                    format!("begin each step with [[{key}]] on a line of its own"),
                );
            }
        }
        read
    }

    /// A table in braces that must be there; `line` shows what it looks like.
    pub(super) fn inner_table<T>(
        &self,
        key: &'static str,
        line: &str,
        contents: impl FnOnce(&Table<'p>) -> Option<T>,
    ) -> Option<T> {
        let value = self.want(key, || format!("{key} = {line}"))?;
        self.inner(key, value, &format!("write {line}"), contents)
    }

    fn inner<T>(
        &self,
        key: &'static str,
        value: &'p Spanned<DeValue<'p>>,
        help: &str,
        contents: impl FnOnce(&Table<'p>) -> Option<T>,
    ) -> Option<T> {
        if let Some(entries) = value.get_ref().as_table() {
            return Table::read(self.page, key.to_owned(), value.span(), entries, contents);
        }
        let found = self.shown(value);
        self.fault(
            value.span(),
            format!("{key} is written in braces, its parts by name; found {found}"),
            help,
        );
        None
    }

    /// Ends the reading: what was wanted and is missing, what is there and was never asked for.
    fn finish(self) {
        let asked = self.asked.borrow();
        let mut missing = self.missing.borrow().clone();
        for key in self.entries.keys() {
            let name: &str = key.get_ref();
            if asked.contains(&name) || !self.strict.get() {
                continue;
            }
            // A key that is missing is likelier meant than one that is there already.
            let absent = asked.iter().copied().filter(|known| !self.has(known));
            let near = nearest(name, absent).or_else(|| nearest(name, asked.iter().copied()));
            let help = match near {
                Some(near) if self.has(near) => format!("take this one out? There is {near} already"),
                Some(near) => format!("did you mean {near}?"),
                None => format!("known there: {}", asked.join(", ")),
            };
            missing.retain(|(wanted, _)| Some(*wanted) != near);
            self.fault(key.span(), format!("unknown key {name} in {}", self.name), help);
        }
        if !missing.is_empty() {
            let lines: Vec<&str> = missing.iter().map(|(_, line)| line.as_str()).collect();
            let names: Vec<&str> = missing
                .iter()
                .map(|(key, line)| if line.starts_with('[') { line.as_str() } else { *key })
                .collect();
            self.fault(
                self.span.clone(),
                format!("{} lacks {}", self.name, names.join(", ")),
                format!("add {}", lines.join("; ")),
            );
        }
    }
}

/// What to do about a fault, when there is something to say.
pub(super) struct Help(Option<String>);

impl From<()> for Help {
    fn from((): ()) -> Help {
        Help(None)
    }
}

impl From<&str> for Help {
    fn from(help: &str) -> Help {
        Help(Some(help.to_owned()))
    }
}

impl From<String> for Help {
    fn from(help: String) -> Help {
        Help(Some(help))
    }
}

/// What a value is, in words.
fn name_of(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "a text",
        DeValue::Integer(_) | DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date or time",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}
