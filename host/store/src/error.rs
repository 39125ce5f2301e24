//! What can go wrong with a store. Every message says what was being done, with which file, what was
//! found, and the way out.

use rusqlite::ErrorCode;
use std::path::{Path, PathBuf};

/// Something about a store went wrong.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum StoreError {
    /// There is no store yet.
    #[error(
        "looking for stored runs in {path}: no runs are stored yet, there is no such file \
         or it is empty; carry out a run first, or name the file that holds your runs"
    )]
    NothingStored {
        /// Where it was looked for.
        path: PathBuf,
    },
    /// The path is a folder.
    #[error("opening the store {path}: this is a folder, a file is wanted; name a file in it")]
    Folder {
        /// The path.
        path: PathBuf,
    },
    /// The file is something else.
    #[error(
        "opening the store {path}: this is not a store of runs ({found}), and it was left as it is; \
         name another file"
    )]
    NotAStore {
        /// The file.
        path: PathBuf,
        /// What it seems to be.
        found: String,
    },
    /// The file's journal is there, what it belongs to is not.
    #[error(
        "opening the store {path}: {found}, but {} beside it holds runs that belong to it; nothing was \
         changed. Put the file back, or move the journal elsewhere to begin anew", journal.display()
    )]
    JournalAlone {
        /// The file.
        path: PathBuf,
        /// The journal.
        journal: PathBuf,
        /// What is the matter with the file.
        found: &'static str,
    },
    /// The file stands in several places.
    #[error(
        "opening the store {path} to write: the file has {names} names (hard links), and what is written under one would be \
         missing or mixed up under the others; remove the other names, or copy the file and write the copy"
    )]
    ManyNames {
        /// The file.
        path: PathBuf,
        /// How many names it has.
        names: u64,
    },
    /// The file was written by a newer program.
    #[error(
        "opening the store {path}: it has layout version {found}, this program knows versions up to {known}; \
         use a newer version of the program, or another file"
    )]
    Newer {
        /// The file.
        path: PathBuf,
        /// Its layout version.
        found: u32,
        /// The newest layout version known here.
        known: u32,
    },
    /// The file cannot be read or written with the rights at hand.
    #[error(
        "{doing} in the store {path}: not permitted ({found}); \
         give yourself the right to read and write the file and its folder, or name another file"
    )]
    NotPermitted {
        /// What was being done.
        doing: String,
        /// The file.
        path: PathBuf,
        /// What the system said.
        found: String,
    },
    /// Another program keeps the store locked.
    #[error(
        "{doing} in the store {path}: another program kept it locked for {waited_s} s; \
         nothing was written, end the other program or try again"
    )]
    Busy {
        /// What was being done.
        doing: String,
        /// The file.
        path: PathBuf,
        /// How long it was waited for, in seconds.
        waited_s: u64,
    },
    /// No room is left.
    #[error(
        "{doing} in the store {path}: the disk is full; what was written before is safe, \
         make room and try again"
    )]
    Full {
        /// What was being done.
        doing: String,
        /// The file.
        path: PathBuf,
    },
    /// The store was moved or removed while it was written.
    #[error(
        "{doing} in the store {path}: {} was moved or removed, or is another file now; what is written \
         goes where nobody will find it. Leave the files of a store where they are while a program writes it",
        file.display()
    )]
    Gone {
        /// What was being done.
        doing: String,
        /// The store.
        path: PathBuf,
        /// The file that is gone.
        file: PathBuf,
    },
    /// The disk does not answer.
    #[error(
        "writing a run in the store {path}: the disk has not answered for {waited_s} s; what waits is in \
         memory and is written when it does. Check the disk, or name a file on another one"
    )]
    Stalled {
        /// The file.
        path: PathBuf,
        /// How long it was waited for, in seconds.
        waited_s: u64,
    },
    /// The file's structure is damaged.
    #[error(
        "{doing} in the store {path}: the file is damaged ({found}); \
         put back a copy of it, with no -wal or -shm file left beside it, or name another file for new runs and keep \
         this one for salvage"
    )]
    Damaged {
        /// What was being done.
        doing: String,
        /// The file.
        path: PathBuf,
        /// What was found.
        found: String,
    },
    /// A record is not what was written.
    #[error(
        "reading run {run} of the store {path}: record {seq} ({record}) is not what was written: {found}; \
         do not rely on this run, put back a copy of the file, with no -wal or -shm file left beside it"
    )]
    BadRecord {
        /// The file.
        path: PathBuf,
        /// The run.
        run: u64,
        /// Number of the record in the run's sequence; the head is 0.
        seq: u64,
        /// What kind of record it is.
        record: String,
        /// What is wrong with it.
        found: String,
    },
    /// There is no such run.
    #[error("looking for run {number} in the store {path}: there is none; {stored}")]
    NoSuchRun {
        /// The file.
        path: PathBuf,
        /// The number asked for.
        number: u64,
        /// Which there are.
        stored: String,
    },
    /// Something cannot be written down so that it reads back the same.
    #[error(
        "writing {what} down in the store {path}: {found}; everything else of the run is kept, \
         the run stays unsealed; this is a fault of the program, please report it"
    )]
    Unwritable {
        /// The file.
        path: PathBuf,
        /// What it was.
        what: String,
        /// Why not.
        found: String,
    },
    /// The recording thread ended before the run.
    #[error(
        "recording a run in the store {path}: the recorder has ended by itself; what it committed is kept, \
         the run stays unsealed; this is a fault of the program, please report it"
    )]
    RecorderEnded {
        /// The file.
        path: PathBuf,
    },
    /// Anything else the system or SQLite refused.
    #[error("{doing} in the store {path}: {found}; check the disk and the path, then try again")]
    System {
        /// What was being done.
        doing: String,
        /// The file.
        path: PathBuf,
        /// What was said.
        found: String,
    },
}

/// How long a locked store is waited for, in seconds. One commit takes milliseconds, so whoever
/// holds the lock for this long does not write runs.
pub(crate) const BUSY_WAIT_S: u64 = 5;

/// Turns what SQLite says into an error about `path` met while `doing`.
pub(crate) fn met(path: &Path, doing: impl Into<String>) -> impl FnOnce(rusqlite::Error) -> StoreError {
    move |error| {
        let (doing, path, found) = (doing.into(), path.to_owned(), error.to_string());
        match error {
            rusqlite::Error::SqliteFailure(failure, _) => match failure.code {
                ErrorCode::DatabaseBusy
                | ErrorCode::DatabaseLocked
                | ErrorCode::FileLockingProtocolFailed => {
                    StoreError::Busy { doing, path, waited_s: BUSY_WAIT_S }
                }
                ErrorCode::DiskFull => StoreError::Full { doing, path },
                ErrorCode::PermissionDenied | ErrorCode::ReadOnly => {
                    StoreError::NotPermitted { doing, path, found }
                }
                ErrorCode::NotADatabase => StoreError::NotAStore { path, found },
                // Our statements are fixed and tested, so a table or column that is not there is the
                // file's fault, and so is a constraint that was kept when the file was written.
                ErrorCode::DatabaseCorrupt
                | ErrorCode::SchemaChanged
                | ErrorCode::Unknown
                | ErrorCode::ConstraintViolation
                | ErrorCode::TypeMismatch
                // What a damaged length asks for: nothing of a run is anywhere near as large.
                | ErrorCode::TooBig
                | ErrorCode::OutOfMemory => StoreError::Damaged { doing, path, found },
                _ => StoreError::System { doing, path, found },
            },
            rusqlite::Error::FromSqlConversionFailure(..)
            | rusqlite::Error::IntegralValueOutOfRange(..)
            | rusqlite::Error::Utf8Error(..)
            | rusqlite::Error::InvalidColumnType(..)
            | rusqlite::Error::QueryReturnedNoRows
            | rusqlite::Error::SqlInputError { .. } => StoreError::Damaged { doing, path, found },
            _ => StoreError::System { doing, path, found },
        }
    }
}

/// The same for what the system says about a file.
pub(crate) fn met_io(path: &Path, doing: impl Into<String>) -> impl FnOnce(std::io::Error) -> StoreError {
    move |error| {
        let (doing, path, found) = (doing.into(), path.to_owned(), error.to_string());
        match error.kind() {
            std::io::ErrorKind::PermissionDenied | std::io::ErrorKind::ReadOnlyFilesystem => {
                StoreError::NotPermitted { doing, path, found }
            }
            std::io::ErrorKind::StorageFull => StoreError::Full { doing, path },
            _ => StoreError::System { doing, path, found },
        }
    }
}
