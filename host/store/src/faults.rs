//! Errors of SQLite at an instant that a test chooses, and their end. For simulations of whole runs;
//! compiled with the feature `faults` only, which no program asks for. (Where the whole workspace is tested in one go,
//! it is compiled in; nothing but tests calls it.)
//!
//! Without room and without rights SQLite itself refuses. A disk that fails is played: SQLite's own code for it,
//! at the place of a transaction where it would come, and what SQLite does next, which is to undo the transaction
//! ("Atomic Commit In SQLite", sections 3 and 5). What a disk then has of it that failed to sync is not
//! played; `docs/testing.md` says how that is tried on a real file.

use crate::error::{StoreError, met};
use crate::{RunWriter, Store};
use rusqlite::ffi::{Error, SQLITE_IOERR_FSYNC, SQLITE_IOERR_WRITE};

/// What a disk fails to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Failing {
    /// To write a page, in the middle of a transaction.
    Write,
    /// To sync the journal, at the end of a transaction.
    Sync,
}

impl Failing {
    /// Called at the place in a transaction where this would fail; fails there when it is what `failing` names.
    pub(crate) fn strikes(self, failing: Option<Failing>) -> rusqlite::Result<()> {
        let code = match self {
            Failing::Write => SQLITE_IOERR_WRITE,
            Failing::Sync => SQLITE_IOERR_FSYNC,
        };
        if failing == Some(self) {
            return Err(rusqlite::Error::SqliteFailure(Error::new(code), None));
        }
        Ok(())
    }
}

/// The most pages a database can have (SQLite's documentation, "Limits In SQLite").
const PAGES_MAX: u32 = 4_294_967_294;

impl Store {
    /// Fills the disk, or makes room again. While it is full the file takes no further page, so a second
    /// of samples is refused with [`StoreError::Full`]; an entry that fits into a page begun before is
    /// still taken.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn disk_full(&self, full: bool) -> Result<(), StoreError> {
        let err = |error| met(&self.path, "setting how far the store may grow")(error);
        let pages: u32 = if full {
            self.connection.query_row("PRAGMA page_count", [], |row| row.get(0)).map_err(err)?
        } else {
            PAGES_MAX
        };
        self.connection.pragma_update_and_check(None, "max_page_count", pages, |_| Ok(())).map_err(err)
    }

    /// Takes away the right to write, or gives it back. Without it every commit of something is refused with
    /// [`StoreError::NotPermitted`].
    ///
    /// # Errors
    /// When SQLite refuses the setting.
    pub fn read_only(&self, read_only: bool) -> Result<(), StoreError> {
        self.connection
            .pragma_update(None, "query_only", read_only)
            .map_err(met(&self.path, "setting whether the store may be written"))
    }

    /// From now on the disk fails to do this, or nothing any more: every commit of something is refused with
    /// [`StoreError::System`].
    pub fn disk_fails(&self, failing: Option<Failing>) {
        self.failing.set(failing);
    }
}

impl RunWriter<'_> {
    /// [`Store::disk_full`] in the middle of a run.
    ///
    /// # Errors
    /// As there.
    pub fn disk_full(&self, full: bool) -> Result<(), StoreError> {
        self.store.disk_full(full)
    }

    /// [`Store::read_only`] in the middle of a run.
    ///
    /// # Errors
    /// As there.
    pub fn read_only(&self, read_only: bool) -> Result<(), StoreError> {
        self.store.read_only(read_only)
    }

    /// [`Store::disk_fails`] in the middle of a run.
    pub fn disk_fails(&self, failing: Option<Failing>) {
        self.store.disk_fails(failing);
    }
}
