//! What is wrong with a file: where, what was found, what was expected, what to write instead.

use miette::{Diagnostic, GraphicalReportHandler, GraphicalTheme, LabeledSpan, NamedSource, SourceCode};
use std::fmt;
use std::ops::Range;

/// One fault of a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// What was found and what was expected.
    pub message: String,
    /// What to do about it.
    pub help: Option<String>,
    /// The offending text, as a range of bytes.
    pub span: Range<usize>,
}

/// A file that cannot be used, with everything that is wrong with it, in the file's order.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Wrong {
    /// The file, as it was named.
    pub file: String,
    /// Its faults; at least one.
    pub faults: Vec<Fault>,
    /// What the file said, for [`Wrong::render`].
    text: String,
}

impl Wrong {
    pub(super) fn new(file: &str, text: &str, mut faults: Vec<Fault>) -> Wrong {
        faults.sort_by_key(|fault| fault.span.start);
        Wrong { file: file.to_owned(), faults, text: text.to_owned() }
    }

    /// The faults with the lines they stand in, the offending text underlined, for a terminal
    /// `width` columns wide.
    #[must_use]
    pub fn render(&self, width: usize, colour: bool) -> String {
        let theme = if colour { GraphicalTheme::unicode() } else { GraphicalTheme::unicode_nocolor() };
        let handler = GraphicalReportHandler::new_themed(theme).with_width(width).with_context_lines(1);
        let source = NamedSource::new(&self.file, self.text.clone());
        let mut out = String::new();
        for fault in &self.faults {
            let shown = Shown { fault, source: &source };
            // Writing to a string fails only when a formatter inside does; the plain line says it too.
            if handler.render_report(&mut out, &shown).is_err() {
                out.push_str(&self.line(fault));
                out.push('\n');
            }
        }
        out
    }

    fn line(&self, fault: &Fault) -> String {
        let Fault { line, column, message, help, .. } = fault;
        let help = help.as_ref().map(|help| format!(". {}", capitalised(help))).unwrap_or_default();
        format!("{}:{line}:{column}: {message}{help}", self.file)
    }
}

fn capitalised(sentence: &str) -> String {
    let mut chars = sentence.chars();
    chars.next().map(|first| first.to_uppercase().chain(chars).collect()).unwrap_or_default()
}

/// All faults, one per line: `file:line:col: message. help`.
impl fmt::Display for Wrong {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let lines: Vec<String> = self.faults.iter().map(|fault| self.line(fault)).collect();
        f.write_str(&lines.join("\n"))
    }
}

impl std::error::Error for Wrong {}

/// One fault with its file, as the renderer wants it.
#[derive(Debug)]
struct Shown<'a> {
    fault: &'a Fault,
    source: &'a NamedSource<String>,
}

impl fmt::Display for Shown<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.fault.message)
    }
}

impl std::error::Error for Shown<'_> {}

impl Diagnostic for Shown<'_> {
    fn help<'a>(&'a self) -> Option<Box<dyn fmt::Display + 'a>> {
        self.fault.help.as_ref().map(|help| Box::new(help) as Box<dyn fmt::Display>)
    }

    fn source_code(&self) -> Option<&dyn SourceCode> {
        Some(self.source)
    }

    fn labels(&self) -> Option<Box<dyn Iterator<Item = LabeledSpan> + '_>> {
        let label = LabeledSpan::new_with_span(Some("here".to_owned()), self.fault.span.clone());
        Some(Box::new(std::iter::once(label)))
    }
}
