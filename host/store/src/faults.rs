//! Real errors of SQLite at an instant that a test chooses, and their end. For simulations of whole runs;
//! compiled with the feature `faults` only, which no program turns on.

use crate::error::{StoreError, met};
use crate::{RunWriter, Store};

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
}
