//! Opening the file: is it ours, is it of a version we know, and bringing an older one up to date.
//!
//! `application_id` says that it is ours, `user_version` which layout it has. Layouts are the numbered
//! files in `sql/`; the version is the number of those applied. They add; they never touch what a
//! digest covers, so a sealed run stays as it was sealed.

use crate::error::{BUSY_WAIT_S, StoreError, met, met_io};
use crate::place;
use rusqlite::{Connection, OpenFlags, TransactionBehavior};
use std::io::{ErrorKind, Read};
use std::path::Path;
use std::time::Duration;

/// "STPW" in ASCII.
const APPLICATION_ID: i32 = 0x5354_5057;

/// One page of the smallest size there is (SQLite's documentation, "Database File Format", 1.3.2).
const DATABASE_BYTES_MIN: u64 = 512;

/// The layouts, oldest first.
const LAYOUTS: [&str; 1] = [include_str!("../sql/001_first.sql")];

/// Opens the file for reading and writing, and makes it when it is not there.
pub(crate) fn open(path: &Path) -> Result<Connection, StoreError> {
    look(path)?;
    if let Some(names) = place::names(path).filter(|names| *names > 1) {
        return Err(StoreError::ManyNames { path: path.to_owned(), names });
    }
    let doing = "opening";
    let flags =
        OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut connection = Connection::open_with_flags(path, flags).map_err(met(path, doing))?;
    prepare(&connection).map_err(met(path, doing))?;
    // SQLite opens what may not be written for reading, and says so with the first thing that is written. That
    // would be a run, on a bench that is switched on.
    if connection.is_readonly(rusqlite::MAIN_DB).map_err(met(path, doing))? {
        let (doing, found) = ("preparing to write".to_owned(), "it may be read but not written".to_owned());
        return Err(StoreError::NotPermitted { doing, path: path.to_owned(), found });
    }
    // Looked at before anything is changed: a file that is not ours is left as it is.
    let version = match version(&connection, path, &LAYOUTS) {
        Ok(version) => version,
        Err(error) => {
            drop(connection);
            return Err(cut_short(path, error));
        }
    };
    keep_a_journal(&connection)
        .and_then(|()| connection.pragma_update(None, "synchronous", "FULL"))
        .map_err(met(path, "preparing to write"))?;
    if version < LAYOUTS.len() {
        bring_up_to_date(&mut connection, path, &LAYOUTS)?;
    }
    Ok(connection)
}

/// Opens the file for reading. An older layout is brought up to date first.
pub(crate) fn open_to_read(path: &Path) -> Result<Connection, StoreError> {
    if look(path)? == Looks::Empty {
        return Err(StoreError::NothingStored { path: path.to_owned() });
    }
    let connection = connect_to_read(path)?;
    let found = version(&connection, path, &LAYOUTS);
    if matches!(found, Ok(version) if version == LAYOUTS.len()) {
        return Ok(connection);
    }
    drop(connection);
    found.map_err(|error| cut_short(path, error))?;
    drop(open(path)?);
    connect_to_read(path)
}

/// What a path looks like before SQLite has seen it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Looks {
    /// No file, or one with nothing in it.
    Empty,
    /// A database.
    Database,
}

/// Looks at the length only: SQLite takes a file of a single byte for an empty database and would write
/// over it. Opening and closing the file beside SQLite would lose this program's locks on it (SQLite's
/// documentation, "How To Corrupt An SQLite Database File", 2.2).
fn look(path: &Path) -> Result<Looks, StoreError> {
    // Asked first: whoever makes a store writes its file before its journal.
    let journal = has_unfinished_journal(path);
    let alone =
        |found| Err(StoreError::JournalAlone { path: path.to_owned(), journal: place::journal(path), found });
    match std::fs::metadata(path) {
        Ok(file) if file.is_dir() => Err(StoreError::Folder { path: path.to_owned() }),
        // SQLite would throw the journal away.
        Ok(file) if file.len() == 0 && journal => alone("it is empty"),
        Err(error) if error.kind() == ErrorKind::NotFound && journal => alone("there is no such file"),
        Ok(file) if file.len() == 0 => Ok(Looks::Empty),
        Ok(file) if file.len() < DATABASE_BYTES_MIN => {
            let found = format!("it has {} bytes, no database is that small", file.len());
            Err(StoreError::NotAStore { path: path.to_owned(), found })
        }
        Ok(_) => Ok(Looks::Database),
        Err(error) if error.kind() == ErrorKind::NotFound => Ok(Looks::Empty),
        Err(error) => Err(met_io(path, "opening")(error)),
    }
}

/// The error in better words when the file is too short for what its first page says of it (SQLite's
/// documentation, "Database File Format", 1.3: size of a page in bytes 16 and 17, pages in bytes 28 to 31). Only for
/// a file that no connection of this program is open on.
fn cut_short(path: &Path, error: StoreError) -> StoreError {
    let StoreError::Damaged { doing, path: named, found } = error else { return error };
    let mut header = [0; 32];
    let length = std::fs::File::open(path)
        .and_then(|mut file| file.read_exact(&mut header).and_then(|()| file.metadata()))
        .map_or(0, |file| file.len());
    let page = match u16::from_be_bytes([header[16], header[17]]) {
        // 65536 does not fit.
        1 => 65_536,
        page => u64::from(page),
    };
    let whole = page * u64::from(u32::from_be_bytes([header[28], header[29], header[30], header[31]]));
    let found = if length < whole && !has_unfinished_journal(path) {
        format!("it is cut short: {length} of {whole} bytes are there")
    } else {
        found
    };
    StoreError::Damaged { doing, path: named, found }
}

fn connect_to_read(path: &Path) -> Result<Connection, StoreError> {
    let doing = "opening";
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags).map_err(met(path, doing))?;
    prepare(&connection).map_err(met(path, doing))?;
    match marks(&connection) {
        // Even reading takes a little file beside the store, for the locks. In a folder that cannot be
        // written, nobody else writes the store either, so it can be read as a file that never changes.
        Err(rusqlite::Error::SqliteFailure(failure, _))
            if matches!(failure.code, rusqlite::ErrorCode::CannotOpen | rusqlite::ErrorCode::ReadOnly)
                && !has_unfinished_journal(path) =>
        {
            let address = format!("file:{}?immutable=1", escaped(path));
            let connection = Connection::open_with_flags(address, flags | OpenFlags::SQLITE_OPEN_URI)
                .map_err(met(path, doing))?;
            prepare(&connection).map_err(met(path, doing))?;
            Ok(connection)
        }
        // Waited for as long as is said; whatever else it is, whoever asks next is told.
        Err(error) if error.sqlite_error_code() == Some(rusqlite::ErrorCode::DatabaseBusy) => {
            Err(met(path, doing)(error))
        }
        _ => Ok(connection),
    }
}

fn has_unfinished_journal(path: &Path) -> bool {
    std::fs::metadata(place::journal(path)).is_ok_and(|file| file.len() > 0)
}

/// The path as it stands in a `file:` address: everything but the plainest characters as `%` and two
/// hexadecimal digits.
fn escaped(path: &Path) -> String {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"/-_.".contains(&byte);
    path.as_os_str()
        .as_encoded_bytes()
        .iter()
        .map(|&byte| if plain(byte) { char::from(byte).to_string() } else { format!("%{byte:02X}") })
        .collect()
}

/// `application_id`, `user_version` and the number of tables; in one statement, since another program may
/// be making the file at this moment.
fn marks(connection: &Connection) -> rusqlite::Result<(i32, u32, u32)> {
    connection.query_row(
        "SELECT application_id, user_version, (SELECT count(*) FROM sqlite_schema) \
         FROM pragma_application_id, pragma_user_version",
        [],
        |row| Ok((row.get(0)?, row.get::<_, i32>(1)?.cast_unsigned(), row.get(2)?)),
    )
}

fn prepare(connection: &Connection) -> rusqlite::Result<()> {
    connection.busy_timeout(Duration::from_secs(BUSY_WAIT_S))?;
    // The file may have been made by anybody: nothing in it may call functions, and every page that is
    // read is looked at first.
    connection.pragma_update(None, "trusted_schema", false)?;
    connection.pragma_update(None, "cell_size_check", true)?;
    connection.pragma_update(None, "foreign_keys", true)
}

/// Has the file written through a journal beside it. Of programs that do this to a new file at the same time
/// SQLite refuses all but one at once, without waiting as it does otherwise: waiting would be for ever, since each
/// of them reads the file and waits for the others to stop. A refusal lets go of the file, so it is asked again.
#[expect(clippy::disallowed_methods, reason = "as SQLite does wherever it waits for a file")]
fn keep_a_journal(connection: &Connection) -> rusqlite::Result<()> {
    const TURN: Duration = Duration::from_millis(10);
    let turns = BUSY_WAIT_S * 1_000 / TURN.as_millis() as u64;
    let ask = || connection.pragma_update_and_check(None, "journal_mode", "WAL", |_| Ok(()));
    let busy = Some(rusqlite::ErrorCode::DatabaseBusy);
    connection.busy_timeout(Duration::ZERO)?;
    let mut asked = ask();
    for _ in 0..turns {
        if asked.as_ref().err().and_then(rusqlite::Error::sqlite_error_code) != busy {
            break;
        }
        std::thread::park_timeout(TURN);
        asked = ask();
    }
    connection.busy_timeout(Duration::from_secs(BUSY_WAIT_S))?;
    asked
}

/// The layout version of the file; 0 for an empty one.
fn version(connection: &Connection, path: &Path, layouts: &[&str]) -> Result<usize, StoreError> {
    let (id, version, tables) = marks(connection).map_err(met(path, "reading the layout version"))?;
    if id == 0 && version == 0 && tables == 0 {
        return Ok(0);
    }
    if id != APPLICATION_ID {
        let found = format!("it is a database of another program, application id {id}");
        return Err(StoreError::NotAStore { path: path.to_owned(), found });
    }
    let known = layouts.len() as u32;
    if version > known {
        return Err(StoreError::Newer { path: path.to_owned(), found: version, known });
    }
    Ok(version as usize)
}

/// Applies the layouts the file does not have yet, all or none.
fn bring_up_to_date(connection: &mut Connection, path: &Path, layouts: &[&str]) -> Result<(), StoreError> {
    let err = |error| met(path, "bringing the layout up to date")(error);
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(err)?;
    // Asked again inside: another program may have been faster.
    let version = version(&transaction, path, layouts)?;
    for layout in layouts.iter().skip(version) {
        transaction.execute_batch(layout).map_err(err)?;
    }
    transaction.pragma_update(None, "application_id", APPLICATION_ID).map_err(err)?;
    transaction.pragma_update(None, "user_version", layouts.len() as u32).map_err(err)?;
    transaction.commit().map_err(err)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn empty() -> (tempfile::TempDir, Connection) {
        let folder = tempfile::tempdir().unwrap();
        let connection = Connection::open(folder.path().join("x")).unwrap();
        (folder, connection)
    }

    /// What a confirmed commit rests on (SQLite's documentation, "Pragma Statements", `synchronous`): in this mode of
    /// the journal, and with 2, which is FULL, the journal is synced with every commit.
    #[test]
    fn a_store_that_is_written_syncs_its_journal_with_every_commit() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x");
        for opened in ["made", "opened again"] {
            let store = crate::Store::open(&path).unwrap();
            let setting = |name: &str| -> rusqlite::types::Value {
                store.connection.pragma_query_value(None, name, |row| row.get(0)).unwrap()
            };
            assert_eq!(setting("synchronous"), 2_i64.into(), "{opened}");
            assert_eq!(setting("journal_mode"), "wal".to_owned().into(), "{opened}");
        }
    }

    #[test]
    fn layouts_are_applied_once_each_in_order() {
        let (_folder, mut connection) = empty();
        let path = Path::new("x");
        let layouts = [
            "CREATE TABLE a (n INTEGER);",
            "ALTER TABLE a ADD COLUMN m INTEGER DEFAULT 7; INSERT INTO a (n) VALUES (1);",
            "UPDATE a SET m = m + 1;",
        ];
        for known in [1, 1, 2, 3, 3] {
            bring_up_to_date(&mut connection, path, &layouts[..known]).unwrap();
            assert_eq!(version(&connection, path, &layouts).unwrap(), known);
        }
        let rows: Vec<(i64, i64)> = connection
            .prepare("SELECT n, m FROM a")
            .unwrap()
            .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))
            .unwrap()
            .map(Result::unwrap)
            .collect();
        assert_eq!(rows, [(1, 8)]);
        let error = version(&connection, path, &layouts[..2]).unwrap_err().to_string();
        assert!(error.contains("version 3") && error.contains("up to 2"), "{error}");
    }

    #[test]
    fn a_layout_that_fails_leaves_the_file_as_it_was() {
        let (_folder, mut connection) = empty();
        let path = Path::new("x");
        let layouts =
            ["CREATE TABLE a (n INTEGER);", "CREATE TABLE b (n INTEGER); CREATE TABLE a (n INTEGER);"];
        bring_up_to_date(&mut connection, path, &layouts[..1]).unwrap();
        bring_up_to_date(&mut connection, path, &layouts).unwrap_err();
        assert_eq!(version(&connection, path, &layouts).unwrap(), 1);
        connection.execute_batch("CREATE TABLE b (n INTEGER)").unwrap();
    }
}
