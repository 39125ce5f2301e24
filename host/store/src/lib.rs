//! All runs in one SQLite file: appended while they go, sealed at the end, read back, verified.
//!
//! [`Store`] is one connection to the file. [`Store::begin`] gives a [`RunWriter`], which buffers and
//! commits; [`Recorder`] does the same on a thread of its own, so that nothing waits for a disk. What is
//! kept is the record as `stepwell-procedure` defines it and raw counts; `docs/store.md` is the
//! specification of the file, precise enough to read and verify it with other tools.
//!
//! Not here: engineering units, limits, reports, clocks. The digests find accidents and careless edits;
//! they are no signature, since whoever can write the file can compute them.

mod codec;
mod column;
mod digest;
mod error;
#[cfg(feature = "faults")]
mod faults;
mod layout;
mod lock;
mod pace;
mod place;
mod read;
mod recorder;
mod rescue;
mod verify;
mod write;

pub use column::{Column, Gap, Piece};
pub use error::StoreError;
#[cfg(feature = "faults")]
pub use faults::Failing;
pub use pace::{COMMIT_EVERY_MS, Pace, SILENCE_MS};
pub use place::real_file;
pub use read::{RunState, RunSummary, StoredRun};
pub use recorder::Recorder;
pub use rescue::{Missing, NotSealed, Rescued};
pub use verify::Verified;
pub use write::RunWriter;

use rusqlite::Connection;
use std::path::{Path, PathBuf};

/// One connection to a file of runs.
///
/// Any number of programs may read a store while others write runs to it. Two programs may write one
/// run each at the same time: numbers are assigned inside a transaction and commits take turns.
#[derive(Debug)]
pub struct Store {
    connection: Connection,
    path: PathBuf,
    #[cfg(feature = "faults")]
    failing: std::cell::Cell<Option<Failing>>,
}

impl Store {
    /// Opens the file for reading and writing; makes it when it is not there, and brings an older
    /// layout up to date. The folder must exist. A path that is a symbolic link stands for the file it leads to.
    ///
    /// # Errors
    /// When the path is a folder, the file is not a store, is damaged or was written by a newer program,
    /// or it cannot be written.
    pub fn open(path: &Path) -> Result<Store, StoreError> {
        let path = real_file(path);
        Ok(Store::of(layout::open(&path)?, path))
    }

    /// Opens the file for reading. Never makes one.
    ///
    /// # Errors
    /// [`StoreError::NothingStored`] when there is no file; otherwise as [`Store::open`].
    pub fn open_to_read(path: &Path) -> Result<Store, StoreError> {
        let path = real_file(path);
        Ok(Store::of(layout::open_to_read(&path)?, path))
    }

    fn of(connection: Connection, path: PathBuf) -> Store {
        Store {
            connection,
            path,
            #[cfg(feature = "faults")]
            failing: std::cell::Cell::default(),
        }
    }

    /// Where the store is: its file, not a link to it.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }
}
