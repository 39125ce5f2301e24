//! Words put aside: a run hands them to a thread for each place they go to, and goes on. A terminal that takes no more
//! words (Ctrl-S, a connection that stands still) then holds up neither the run nor its record nor a stop.
//!
//! Words that go to one place come there in the order they were said, from either stream.

use crate::print::Stream;
use std::io::{Error, IsTerminal};
use std::os::fd::{AsFd, BorrowedFd};
use std::os::unix::fs::MetadataExt;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::sync::{Arc, OnceLock};
use std::time::Duration;

/// The end of the program waits so long for a terminal that takes not a line, or a frame, in all that time.
pub(crate) const TAKES_NONE_MAX: Duration = Duration::from_secs(5);

static PLACES: OnceLock<Places> = OnceLock::new();

/// Somebody ends the program.
static ENDED: AtomicBool = AtomicBool::new(false);

struct Places {
    out: Place,
    /// Nothing when it is the same place.
    err: Option<Place>,
}

/// Where words go to, and the thread that brings them there.
struct Place {
    words: Sender<Words>,
    /// Lines that were said so far.
    said: Arc<AtomicU64>,
    /// Lines that the place has taken so far.
    taken: Arc<AtomicU64>,
    is_terminal: bool,
}

enum Words {
    Line(Stream, String),
    /// All that was said before has been taken.
    Told(Sender<()>),
}

/// From now on words are put aside.
///
/// # Errors
/// When the system gives no thread.
pub(crate) fn begin() -> Result<(), Error> {
    let (out, err) = (std::io::stdout(), std::io::stderr());
    let known = file(out.as_fd());
    let same = known.is_some() && known == file(err.as_fd());
    let places = Places {
        out: Place::new(out.is_terminal())?,
        err: if same { None } else { Some(Place::new(err.is_terminal())?) },
    };
    // Begun once already: words go there.
    let _ = PLACES.set(places);
    Ok(())
}

/// Takes `text`, or gives it back when nothing is put aside.
pub(crate) fn put(to: Stream, text: String) -> Option<String> {
    let Some(place) = place(to) else { return Some(text) };
    // Line by line, so that it is seen whether any are taken.
    for line in text.split_inclusive('\n') {
        place.said.fetch_add(1, Ordering::Relaxed);
        // The thread has fallen over: that has been noted.
        let _ = place.words.send(Words::Line(to, line.to_owned()));
    }
    None
}

/// Whether all that was said has been taken.
pub(crate) fn all_taken(by: Stream) -> bool {
    place(by).is_none_or(Place::all_taken)
}

/// Gives an answer, or is closed, when all that was said until now has been taken.
pub(crate) fn told(to: Stream) -> Receiver<()> {
    place(to).map_or_else(|| channel().1, Place::told)
}

/// Somebody ends the program: at its end it waits for no reader any longer than for a terminal.
pub(crate) fn ended() {
    ENDED.store(true, Ordering::Relaxed);
}

/// Waits until all that was said has been taken; for a terminal that takes none not for long.
pub(crate) fn finish() {
    let places = PLACES.get().into_iter();
    for place in places.flat_map(|places| std::iter::once(&places.out).chain(&places.err)) {
        let told = place.told();
        let mut before = place.taken.load(Ordering::Relaxed);
        while let Err(RecvTimeoutError::Timeout) = told.recv_timeout(TAKES_NONE_MAX) {
            let taken = place.taken.load(Ordering::Relaxed);
            if taken == before && (place.is_terminal || ENDED.load(Ordering::Relaxed)) {
                // As with a reader that has gone away: nobody reads what is left.
                break;
            }
            before = taken;
        }
    }
}

fn place(stream: Stream) -> Option<&'static Place> {
    let places = PLACES.get()?;
    Some(match stream {
        Stream::Out => &places.out,
        Stream::Err => places.err.as_ref().unwrap_or(&places.out),
    })
}

/// Which file it is, by device and number.
fn file(stream: BorrowedFd<'_>) -> Option<(u64, u64)> {
    let file = std::fs::File::from(stream.try_clone_to_owned().ok()?);
    let file = file.metadata().ok()?;
    Some((file.dev(), file.ino()))
}

impl Place {
    fn new(is_terminal: bool) -> Result<Place, Error> {
        let (words, all) = channel();
        let (said, taken) = (Arc::default(), Arc::<AtomicU64>::default());
        let place = Place { words, said, taken: Arc::clone(&taken), is_terminal };
        std::thread::Builder::new().name("words".to_owned()).spawn(move || {
            for words in all {
                match words {
                    Words::Line(stream, line) => {
                        stream.write(&line);
                        taken.fetch_add(1, Ordering::Relaxed);
                    }
                    Words::Told(told) => {
                        // Who asked has given up.
                        let _ = told.send(());
                    }
                }
            }
        })?;
        Ok(place)
    }

    fn told(&self) -> Receiver<()> {
        let (told, all_told) = channel();
        let _ = self.words.send(Words::Told(told));
        all_told
    }

    fn all_taken(&self) -> bool {
        self.said.load(Ordering::Relaxed) == self.taken.load(Ordering::Relaxed)
    }
}
