//! Texts, names, words and flags of a table.

use super::{Found, Help, Table};
use crate::quantity::nearest;

impl Table<'_> {
    /// A text that must be there and say something.
    pub(in crate::read) fn text(&self, key: &'static str) -> Option<Found<String>> {
        let value = self.want(key, || format!("{key} = \"…\""))?;
        let span = value.span();
        let Some(text) = value.get_ref().as_str() else {
            self.fault(span, format!("a text in quotes is wanted here, found {}", self.shown(value)), ());
            return None;
        };
        if text.trim().is_empty() {
            self.fault(span, format!("{key} is empty"), "write something that people will recognise");
            return None;
        }
        Some(Found { value: text.trim().to_owned(), span })
    }

    /// A short name that must be there: small letters, digits and hyphens.
    pub(in crate::read) fn short_name(&self, key: &'static str) -> Option<Found<String>> {
        let found = self.text(key)?;
        let fits = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        if !found.value.chars().all(fits) {
            let mut better = String::new();
            for c in found.value.to_lowercase().chars() {
                better.push(if fits(c) { c } else { '-' });
            }
            self.fault(
                found.span,
                format!(
                    "{:?} has signs that a short name may not have: small letters, digits and hyphens",
                    found.value
                ),
                format!("write {better:?}, and put the rest into title"),
            );
            return None;
        }
        Some(found)
    }

    /// One of a few words, that must be there.
    pub(in crate::read) fn word<T: Copy>(&self, key: &'static str, words: &[(&str, T)]) -> Option<Found<T>> {
        let quoted: Vec<String> = words.iter().map(|(word, _)| format!("{word:?}")).collect();
        let value = self.want(key, || format!("{key} = {}", quoted.join(" or ")))?;
        let span = value.span();
        let found = value.get_ref().as_str();
        if let Some((_, meant)) = words.iter().find(|(word, _)| Some(*word) == found) {
            return Some(Found { value: *meant, span });
        }
        let said = found.map_or_else(|| self.shown(value), |found| format!("{found:?}"));
        let near = found.and_then(|found| nearest(found, words.iter().map(|(word, _)| *word)));
        self.fault(
            span,
            format!("{key} is one of {}, found {said}", quoted.join(", ")),
            Help(near.map(|word| format!("did you mean {word:?}?"))),
        );
        None
    }

    /// Yes or no; no when it is not there.
    pub(in crate::read) fn flag(&self, key: &'static str) -> Option<bool> {
        let Some(value) = self.ask(key) else { return Some(false) };
        let flag = value.get_ref().as_bool();
        if flag.is_none() {
            let message = format!("true or false without quotes is wanted here, found {}", self.shown(value));
            self.fault(value.span(), message, ());
        }
        flag
    }
}
