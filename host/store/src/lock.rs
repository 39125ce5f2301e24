//! Who is writing a run right now: an empty file beside the store, `<store>-run-<number>`, held locked
//! by the program that writes that run.
//!
//! The system lets go of the lock when the program ends, however it ends, so no clock and no process
//! numbers are needed to tell a run that is going on from one that was interrupted. The file is locked
//! before its run can be seen in the store and removed when the run is over; one left behind by a crash
//! means nothing and is swept up by the next run.

use std::fs::{File, TryLockError};
use std::io;
use std::path::{Path, PathBuf};

/// The right to write one run; given back when dropped.
#[derive(Debug)]
pub(crate) struct RunLock {
    path: PathBuf,
    _held: File,
}

fn path_for(store: &Path, number: u64) -> PathBuf {
    let mut name = store.as_os_str().to_owned();
    name.push(format!("-run-{number}"));
    name.into()
}

impl RunLock {
    /// Takes the lock of a run whose number has just been assigned.
    ///
    /// # Errors
    /// When the file cannot be made; `WouldBlock` cannot happen while numbers are assigned once.
    pub(crate) fn take(store: &Path, number: u64) -> io::Result<RunLock> {
        let path = path_for(store, number);
        let file = File::create(&path)?;
        file.try_lock().map_err(io::Error::from)?;
        Ok(RunLock { path, _held: file })
    }
}

impl Drop for RunLock {
    fn drop(&mut self) {
        // A file that stays behind is harmless: unlocked, it means nothing.
        let _ = std::fs::remove_file(&self.path);
    }
}

/// Whether a program holds the lock of the run.
///
/// # Errors
/// When the system cannot say.
pub(crate) fn is_held(store: &Path, number: u64) -> io::Result<bool> {
    let file = match File::open(path_for(store, number)) {
        Ok(file) => file,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(false),
        Err(error) => return Err(error),
    };
    match file.try_lock_shared() {
        Ok(()) => Ok(false),
        Err(TryLockError::WouldBlock) => Ok(true),
        Err(TryLockError::Error(error)) => Err(error),
    }
}

/// Removes the lock file of a run that nobody writes any more.
pub(crate) fn sweep(store: &Path, number: u64) {
    if let Ok(false) = is_held(store, number) {
        // Nothing there, or not ours to remove: either way nothing is lost.
        let _ = std::fs::remove_file(path_for(store, number));
    }
}
