//! Threads of the program that fall over: what the first of them fell over is noted, whichever it was. Whoever looks
//! after a run then stops it (`Recorded::must_stop`), and the program's end tells it.

use crate::print::errln;
use std::backtrace::{Backtrace, BacktraceStatus};
use std::panic::{PanicHookInfo, set_hook};
use std::sync::OnceLock;

static FALLEN: OnceLock<String> = OnceLock::new();

/// What a thread of the program has fallen over, if one has.
pub(crate) fn fallen() -> Option<&'static str> {
    FALLEN.get().map(String::as_str)
}

/// From now on a fall is noted, and printed when it happens, with the other words: they hold up nobody.
pub(crate) fn note_and_print() {
    set_hook(Box::new(|fall| {
        note(fall);
        errln!("\n{}", words(fall));
        let backtrace = Backtrace::capture();
        if backtrace.status() == BacktraceStatus::Captured {
            errln!("{backtrace}");
        }
    }));
}

/// From now on a fall is noted, and nothing printed: words over a drawn screen are read by nobody.
pub(crate) fn note_only() {
    set_hook(Box::new(note));
}

fn note(fall: &PanicHookInfo<'_>) {
    FALLEN.get_or_init(|| words(fall));
}

fn words(fall: &PanicHookInfo<'_>) -> String {
    let thread = std::thread::current();
    format!("thread {} {fall}", thread.name().unwrap_or("without a name"))
}
