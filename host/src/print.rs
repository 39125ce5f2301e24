//! Printing that cannot spoil a run: a reader that has gone away is no fault; anything else that keeps
//! words from being written is remembered and told by the exit code.
//!
//! Words come from files too, so control characters are left out: nothing but this program moves the
//! cursor or changes colours.

use crate::aside;
use std::io::{Error, ErrorKind, Write};
use std::sync::OnceLock;

static LOST: OnceLock<String> = OnceLock::new();

/// Where words are written.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Stream {
    Out,
    Err,
}

impl Stream {
    /// Writes the text, however long that takes.
    pub(crate) fn write(self, text: &str) {
        match self {
            Stream::Out => put(&mut std::io::stdout().lock(), "standard output", text),
            Stream::Err => put(&mut std::io::stderr().lock(), "standard error", text),
        }
    }

    fn say(self, text: String) {
        if let Some(text) = aside::put(self, text) {
            self.write(&text);
        }
    }
}

/// Prints on standard output, at once.
pub(crate) fn out(text: &str) {
    Stream::Out.say(plain(text));
}

/// Prints on standard error.
pub(crate) fn err(text: &str) {
    Stream::Err.say(plain(text));
}

/// Prints on standard error from the beginning of the line on that the cursor is in, unless words before it are still
/// waiting: what is written over soon is not worth waiting for. Whether it does.
pub(crate) fn err_over(text: &str) -> bool {
    let prints = aside::all_taken(Stream::Err);
    if prints {
        Stream::Err.say(format!("\r{}", plain(text)));
    }
    prints
}

/// What could not be written, and why.
pub(crate) fn lost() -> Option<&'static str> {
    LOST.get().map(String::as_str)
}

/// The text without control characters other than the end of a line.
fn plain(text: &str) -> String {
    text.chars().filter(|c| *c == '\n' || !c.is_control()).collect()
}

fn put(to: &mut impl Write, name: &str, text: &str) {
    if let Err(error) = to.write_all(text.as_bytes()).and_then(|()| to.flush())
        && !reader_gone(&error)
    {
        LOST.get_or_init(|| format!("writing to {name}: {error}; not everything has been printed"));
    }
}

/// The program's log, on standard error, as it is.
#[derive(Debug)]
pub(crate) struct Log;

impl Write for Log {
    fn write(&mut self, text: &[u8]) -> std::io::Result<usize> {
        Stream::Err.say(String::from_utf8_lossy(text).into_owned());
        Ok(text.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// What a terminal that was closed answers.
const EIO: i32 = 5;

fn reader_gone(error: &Error) -> bool {
    error.kind() == ErrorKind::BrokenPipe || error.raw_os_error() == Some(EIO)
}

/// A line on standard output.
macro_rules! outln {
    () => { $crate::print::out("\n") };
    ($($text:tt)*) => { $crate::print::out(&(format!($($text)*) + "\n")) };
}

/// A line on standard error.
macro_rules! errln {
    () => { $crate::print::err("\n") };
    ($($text:tt)*) => { $crate::print::err(&(format!($($text)*) + "\n")) };
}

pub(crate) use {errln, outln};

#[cfg(test)]
mod tests {
    use super::{plain, put, reader_gone};
    use std::io::{Error, ErrorKind, Write};

    struct Broken(ErrorKind);

    impl Write for Broken {
        fn write(&mut self, _: &[u8]) -> std::io::Result<usize> {
            Err(self.0.into())
        }
        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }

    #[test]
    fn escape_codes_of_a_file_do_not_reach_the_terminal() {
        assert_eq!(plain("a\u{1b}]0;title\u{7}b\u{9b}31m\r\nc"), "a]0;titleb31m\nc");
    }

    /// One test, since what is lost is remembered once for the whole program.
    #[test]
    fn a_reader_that_is_gone_is_no_loss_and_a_full_disk_is() {
        put(&mut Broken(ErrorKind::BrokenPipe), "a pipe", "words");
        assert_eq!(super::lost(), None);
        assert!(reader_gone(&Error::from_raw_os_error(super::EIO)));
        put(&mut Broken(ErrorKind::StorageFull), "a file", "words");
        assert!(super::lost().is_some_and(|why| why.contains("a file")));
    }
}
