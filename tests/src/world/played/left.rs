//! What a killed program leaves on the disk: file, journal and the lock of its run as they stood at that instant, for
//! nobody has closed anything. A writer in this process cannot be killed; so the files are remembered, the writer
//! closes, and what it has tidied up meanwhile is put back.

use std::io;
use std::path::{Path, PathBuf};

/// All files of a store at an instant.
#[derive(Debug)]
pub(crate) struct Left(Vec<(PathBuf, Vec<u8>)>);

impl Left {
    /// What stands there now. Only of a store that nothing is written to any more: reading a file beside SQLite loses
    /// this process's locks on it (SQLite's documentation, "How To Corrupt An SQLite Database File", 2.2).
    pub(crate) fn of(store: &Path) -> io::Result<Left> {
        files(store)?
            .into_iter()
            .map(|path| std::fs::read(&path).map(|bytes| (path, bytes)))
            .collect::<Result<_, _>>()
            .map(Left)
    }

    /// Puts them back, and nothing else, once the store is closed.
    pub(crate) fn put_back(self, store: &Path) -> io::Result<()> {
        files(store)?.iter().try_for_each(std::fs::remove_file)?;
        self.0.iter().try_for_each(|(path, bytes)| std::fs::write(path, bytes))
    }
}

/// The file of a store and all that lies beside it under its name.
pub(crate) fn files(store: &Path) -> io::Result<Vec<PathBuf>> {
    let (Some(folder), Some(name)) = (store.parent(), store.file_name()) else { return Ok(Vec::new()) };
    let all = std::fs::read_dir(folder)?
        .map(|file| file.map(|file| file.path()))
        .collect::<io::Result<Vec<_>>>()?;
    let of_it = |path: &PathBuf| {
        path.file_name().is_some_and(|here| here.as_encoded_bytes().starts_with(name.as_encoded_bytes()))
    };
    Ok(all.into_iter().filter(of_it).collect())
}
