//! Whether what is written still stands where people will look for it.
//!
//! A file that was moved or removed can be written on and on without an error; nobody will ever read it. So
//! its path is looked up after every commit.

use std::io;
use std::path::{Path, PathBuf};

/// The store's file and its journal, as they were when the run began.
#[derive(Debug)]
pub(crate) struct Place(Vec<(PathBuf, Id)>);

impl Place {
    /// Notes what stands there now.
    pub(crate) fn of(store: &Path) -> io::Result<Place> {
        let files = [store.to_owned(), journal(store)];
        files.into_iter().map(|path| id(&path).map(|id| (path, id))).collect::<io::Result<_>>().map(Place)
    }

    /// The first of the files that is no longer there, or is another one.
    pub(crate) fn gone(&self) -> Option<&Path> {
        let there = |path: &Path, before| id(path).is_ok_and(|now| now == before);
        self.0.iter().find(|(path, before)| !there(path, *before)).map(|(path, _)| path.as_path())
    }
}

/// A path that is a longer chain of links than this leads nowhere.
const LINKS_MAX: usize = 40;

/// The file that a path leads to, through symbolic links at its end, whether the file is there or not. SQLite keeps
/// the journal beside that file (its documentation, "How To Corrupt An SQLite Database File", "Multiple links to the
/// same file"), and so a store keeps all else that belongs to it.
#[must_use]
pub fn real_file(path: &Path) -> PathBuf {
    // Names that mean something else to SQLite; what begins with its folder is a file.
    let special = [":memory:", "file:"]
        .iter()
        .any(|name| path.as_os_str().as_encoded_bytes().starts_with(name.as_bytes()));
    let mut real = if special { Path::new(".").join(path) } else { path.to_owned() };
    for _ in 0..LINKS_MAX {
        let Ok(target) = std::fs::read_link(&real) else { return real };
        real.pop();
        real.push(target);
    }
    // The system says it better.
    path.to_owned()
}

/// How many names a file has. What is written under one goes through the journal of that name, and whoever opens the file
/// by another name knows nothing of it (the same page of SQLite's documentation).
#[cfg(unix)]
pub(crate) fn names(path: &Path) -> Option<u64> {
    use std::os::unix::fs::MetadataExt;
    std::fs::metadata(path).ok().map(|file| file.nlink())
}

/// Elsewhere that cannot be told.
#[cfg(not(unix))]
pub(crate) fn names(_: &Path) -> Option<u64> {
    None
}

/// The journal of a store.
pub(crate) fn journal(store: &Path) -> PathBuf {
    let mut name = store.as_os_str().to_owned();
    name.push("-wal");
    name.into()
}

/// Device and number of a file. Looked up by path: opening and closing it would lose SQLite's locks.
#[cfg(unix)]
type Id = (u64, u64);

#[cfg(unix)]
fn id(path: &Path) -> io::Result<Id> {
    use std::os::unix::fs::MetadataExt;
    std::fs::metadata(path).map(|file| (file.dev(), file.ino()))
}

/// Elsewhere a file that is open can be neither moved nor removed.
#[cfg(not(unix))]
type Id = ();

#[cfg(not(unix))]
fn id(path: &Path) -> io::Result<Id> {
    std::fs::metadata(path).map(drop)
}
