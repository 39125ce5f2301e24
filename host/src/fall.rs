//! Threads of the program that fall over: what the first of them fell over is noted, whichever it was. Whoever looks
//! after a run then stops it (`Recorded::must_stop`), and the program's end tells it.

use std::panic::{PanicHookInfo, set_hook, take_hook};
use std::sync::OnceLock;

static FALLEN: OnceLock<String> = OnceLock::new();

/// What a thread of the program has fallen over, if one has.
pub(crate) fn fallen() -> Option<&'static str> {
    FALLEN.get().map(String::as_str)
}

/// From now on a fall is noted, and printed where and when it happens.
pub(crate) fn note_and_print() {
    let _ = take_hook();
    let print = take_hook();
    set_hook(Box::new(move |fall| {
        note(fall);
        print(fall);
    }));
}

/// From now on a fall is noted and `then` called, on the thread that falls; nothing is printed.
pub(crate) fn note_and(then: impl Fn() + Send + Sync + 'static) {
    set_hook(Box::new(move |fall| {
        note(fall);
        then();
    }));
}

fn note(fall: &PanicHookInfo<'_>) {
    let thread = std::thread::current();
    FALLEN.get_or_init(|| format!("thread {} {fall}", thread.name().unwrap_or("without a name")));
}
