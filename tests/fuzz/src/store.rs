//! The store's file, changed by anything: bytes of the file, and records through SQL.

use arbitrary::{Arbitrary, Unstructured};
use rusqlite::Connection;
use rusqlite::types::Value;
use std::path::Path;
use std::sync::LazyLock;
use stepwell_procedure::finding::Verdict;
use stepwell_procedure::record::{Burst, Ended, Entry, Event, EventKind, Outcome, Part, RunHead, StepDone};
use stepwell_protocol::channel::{CHANNELS, Channel, Sample};
use stepwell_protocol::time::Tick;
use stepwell_store::{Column, Piece, RunState, Store, StoreError, StoredRun};
use tempfile::TempDir;

/// Runs in the file. The last of them was broken off, the others are sealed.
const RUNS: u64 = 3;

/// Everything that was changed.
#[derive(Arbitrary, Debug)]
enum Change<'a> {
    Put { at: u32, bytes: &'a [u8] },
    Flip { at: u32, mask: u8 },
    Copy { from: u32, to: u32, len: u16 },
    Zero { at: u32, len: u16 },
    Swap { page: u8, with: u8 },
    Cut { len: u32 },
    Grow { bytes: &'a [u8] },
    Set { table: u8, column: u8, row: u8, value: NewValue<'a> },
    Delete { table: u8, row: u8 },
    Twice { table: u8, row: u8, seq: i64 },
}

#[derive(Arbitrary, Debug)]
enum NewValue<'a> {
    Nothing,
    Whole(i64),
    Real(f64),
    Text(&'a str),
    Bytes(&'a [u8]),
    /// What is there, with a few bytes replaced.
    Patched {
        at: u16,
        bytes: &'a [u8],
    },
}

/// The tables, each with the columns that find a row.
const TABLES: [(&str, &str, &str); 4] =
    [("runs", "number", "0"), ("entries", "run", "seq"), ("chunks", "run", "seq"), ("seals", "run", "seq")];
const PAGE: usize = 4_096;

type Content = Result<(StoredRun, Vec<Column>), StoreError>;

struct Sound {
    folder: TempDir,
    bytes: Vec<u8>,
    content: Vec<(StoredRun, Vec<Column>)>,
}

static SOUND: LazyLock<Sound> = LazyLock::new(|| {
    let folder = tempfile::tempdir().unwrap_or_else(|error| panic!("making a folder: {error}"));
    let path = folder.path().join("sound.stepwell");
    let mut store = good(Store::open(&path));
    for number in 1..=RUNS {
        write_run(&mut store, number);
    }
    let content = (1..=RUNS).map(|number| good(content(&store, number))).collect();
    drop(store);
    let bytes = std::fs::read(&path).unwrap_or_else(|error| panic!("{error}"));
    Sound { folder, bytes, content }
});

fn good<T, E: std::fmt::Display>(result: Result<T, E>) -> T {
    result.unwrap_or_else(|error| panic!("{error}"))
}

/// The file opens or says why not, verifies as what was written or says what is wrong.
pub fn check(data: &[u8]) {
    let sound = &*SOUND;
    let path = sound.folder.path().join("changed.stepwell");
    let mut input = Unstructured::new(data);
    let mut bytes = sound.bytes.clone();
    let mut records = Vec::new();
    while !input.is_empty() {
        match input.arbitrary() {
            Ok(change @ (Change::Set { .. } | Change::Delete { .. } | Change::Twice { .. })) => {
                records.push(change)
            }
            Ok(change) => change_bytes(&mut bytes, &change),
            Err(_) => break,
        }
    }
    put(&path, &bytes);
    if !records.is_empty() {
        // A file that is no database any more refuses; then only its bytes have changed.
        if let Ok(connection) = Connection::open(&path) {
            let _ = connection.pragma_update(None, "foreign_keys", false);
            records.iter().for_each(|change| drop(change_record(&connection, change)));
        }
    }
    judge(Store::open_to_read(&path), sound);
    // Opening to write may bring a layout up to date; what it makes of a damaged file is no better.
    judge(Store::open(&path), sound);
}

fn put(path: &Path, bytes: &[u8]) {
    for side in ["-journal", "-wal", "-shm"] {
        let mut name = path.as_os_str().to_owned();
        name.push(side);
        let _ = std::fs::remove_file(name);
    }
    good(std::fs::write(path, bytes));
}

fn judge(store: Result<Store, StoreError>, sound: &Sound) {
    let store = match store {
        Ok(store) => store,
        Err(error) => return clear(&error),
    };
    for (number, was) in (1..).zip(&sound.content) {
        let verified = store.verify(number);
        let read = content(&store, number);
        match (verified, read) {
            (Ok(verified), Ok(read)) => {
                // Without its seal a run looks broken off, and says so.
                let good = if verified.sealed { read == *was } else { is_part(&read, was) };
                assert!(good, "run {number} verifies, and is another");
            }
            (Ok(_), Err(error)) => panic!("run {number} verifies, and cannot be read: {error}"),
            (Err(error), _) => clear(&error),
        }
        let _ = store.recording(number);
    }
    if let Err(error) = store.runs() {
        clear(&error);
    }
}

/// Whether what is read of a run without a seal is what was written of it up to some record.
fn is_part((run, columns): &(StoredRun, Vec<Column>), (whole, all): &(StoredRun, Vec<Column>)) -> bool {
    (run.number, &run.head) == (whole.number, &whole.head)
        && (run.state, &run.outcome.ended) == (RunState::Interrupted, &Ended::Interrupted)
        && run.outcome.verdict != Verdict::Pass
        && run.link_statistics.is_none()
        && whole.steps.starts_with(&run.steps)
        && whole.events.starts_with(&run.events)
        && whole.findings.starts_with(&run.findings)
        && whole.bursts.starts_with(&run.bursts)
        && whole.rounds.starts_with(&run.rounds)
        && columns.iter().zip(all).all(|(column, whole)| begins(&column.pieces, &whole.pieces))
}

/// Whether these pieces are how those begin.
fn begins(pieces: &[Piece], whole: &[Piece]) -> bool {
    let Some((last, before)) = pieces.split_last() else { return true };
    let cut = |piece: &Piece| Piece { counts: last.counts.clone(), ..piece.clone() };
    whole.starts_with(before)
        && whole
            .get(before.len())
            .is_some_and(|piece| piece.counts.starts_with(&last.counts) && cut(piece) == *last)
}

/// The file's fault, told as that: never the program's, the disk's or another program's.
fn clear(error: &StoreError) {
    assert!(
        matches!(
            error,
            StoreError::NothingStored { .. }
                | StoreError::NotAStore { .. }
                | StoreError::Newer { .. }
                | StoreError::Damaged { .. }
                | StoreError::BadRecord { .. }
                | StoreError::NoSuchRun { .. }
        ),
        "{error:?}"
    );
}

fn content(store: &Store, number: u64) -> Content {
    let run = store.run(number);
    let columns: Vec<_> = Channel::ALL.iter().map(|&channel| store.samples(number, channel)).collect();
    Ok((run?, columns.into_iter().collect::<Result<_, _>>()?))
}

fn change_bytes(bytes: &mut Vec<u8>, change: &Change<'_>) {
    let at = |at: u32| at as usize % bytes.len().max(1);
    match *change {
        Change::Put { at: to, bytes: new } => {
            let to = at(to);
            bytes.iter_mut().skip(to).zip(new).for_each(|(byte, new)| *byte = *new);
        }
        Change::Flip { at: to, mask } => {
            let to = at(to);
            bytes.iter_mut().skip(to).take(1).for_each(|byte| *byte ^= mask);
        }
        Change::Zero { at: to, len } => {
            let to = at(to);
            bytes.iter_mut().skip(to).take(len.into()).for_each(|byte| *byte = 0);
        }
        Change::Copy { from, to, len } => {
            let (from, to) = (at(from), at(to));
            let copied: Vec<u8> = bytes.iter().skip(from).take(len.into()).copied().collect();
            bytes.iter_mut().skip(to).zip(copied).for_each(|(byte, new)| *byte = new);
        }
        Change::Swap { page, with } => {
            let mut pages: Vec<&[u8]> = bytes.chunks(PAGE).collect();
            if !pages.is_empty() {
                let (page, with) = (usize::from(page) % pages.len(), usize::from(with) % pages.len());
                pages.swap(page, with);
                *bytes = pages.concat();
            }
        }
        Change::Cut { len } => bytes.truncate(at(len)),
        Change::Grow { bytes: new } => bytes.extend_from_slice(new),
        Change::Set { .. } | Change::Delete { .. } | Change::Twice { .. } => {}
    }
}

fn change_record(connection: &Connection, change: &Change<'_>) -> rusqlite::Result<()> {
    let (Change::Set { table, row, .. } | Change::Delete { table, row } | Change::Twice { table, row, .. }) =
        change
    else {
        return Ok(());
    };
    let (table, run, seq) = TABLES[usize::from(*table) % TABLES.len()];
    let rows = format!("SELECT {run}, {seq} FROM {table} ORDER BY 1, 2");
    let mut keys = connection.prepare(&rows)?;
    let keys = keys
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?
        .collect::<Result<Vec<(Value, Value)>, _>>()?;
    let Some((first, second)) = keys.get(usize::from(*row) % keys.len().max(1)) else { return Ok(()) };
    let here = format!("WHERE {run} IS ?1 AND {seq} IS ?2");
    // Asked as values: names that are no text are no fault of the store's.
    let mut columns = connection.prepare("SELECT name FROM pragma_table_info(?1)")?;
    let columns = columns.query_map([table], |row| row.get(0))?.collect::<Result<Vec<String>, _>>()?;
    if columns.is_empty() {
        return Ok(());
    }
    match change {
        Change::Set { column, value, .. } => {
            let column = &columns[usize::from(*column) % columns.len()];
            let value = match value {
                NewValue::Nothing => Value::Null,
                NewValue::Whole(whole) => Value::Integer(*whole),
                NewValue::Real(real) => Value::Real(*real),
                NewValue::Text(text) => Value::Text((*text).to_owned()),
                NewValue::Bytes(bytes) => Value::Blob(bytes.to_vec()),
                NewValue::Patched { at, bytes } => {
                    let select = format!("SELECT {column} FROM {table} {here}");
                    patched(connection.query_row(&select, (first, second), |row| row.get(0))?, *at, bytes)
                }
            };
            let update = format!("UPDATE {table} SET {column} = ?3 {here}");
            connection.execute(&update, (first, second, value)).map(drop)
        }
        Change::Twice { seq, .. } => {
            let selected = columns.iter().map(|name| if name == "seq" { "?3" } else { name.as_str() });
            let selected = selected.collect::<Vec<_>>().join(", ");
            let insert =
                format!("INSERT INTO {table} SELECT {selected} FROM {table} {here} AND ?3 IS NOT NULL");
            connection.execute(&insert, (first, second, seq)).map(drop)
        }
        _ => connection.execute(&format!("DELETE FROM {table} {here}"), (first, second)).map(drop),
    }
}

fn patched(value: Value, at: u16, patch: &[u8]) -> Value {
    let put = |mut bytes: Vec<u8>| {
        let at = usize::from(at) % bytes.len().max(1);
        bytes.iter_mut().skip(at).zip(patch).for_each(|(byte, new)| *byte = *new);
        bytes
    };
    match value {
        Value::Text(text) => Value::Text(String::from_utf8_lossy(&put(text.into_bytes())).into_owned()),
        Value::Blob(bytes) => Value::Blob(put(bytes)),
        Value::Integer(whole) => Value::Integer(whole.wrapping_add(i64::from(at).max(1))),
        other => other,
    }
}

/// A short run with something of every kind of record; the last is broken off after all of them.
fn write_run(store: &mut Store, number: u64) {
    let text = |what: &str| format!("name = \"{what} {number}\"\n");
    let head = RunHead {
        pump_id: format!("P-{number}"),
        procedure: "short".into(),
        pump_sheet: "Heron".into(),
        bench_sheet: "demo bench".into(),
        procedure_text: text("short"),
        pump_sheet_text: text("Heron"),
        bench_sheet_text: text("demo bench"),
        board: "built-in".into(),
        firmware: "0.1.0".into(),
        simulated: true,
        program: "0.1.0".into(),
        started: "2026-03-14T09:26:53+01:00".into(),
        identity: None,
        simulation: None,
    };
    let mut writer = good(store.begin(&head));
    writer.entry(&Entry::Event(Event::new(Tick(10), EventKind::Step, "coils begin")));
    let samples = |first: u32| -> Vec<Sample> {
        (first..first + 40)
            .map(|tick| [0; CHANNELS].map(|word: u16| word + (tick * tick % 97) as u16))
            .collect()
    };
    for first in [100, 140, 200] {
        writer.samples_at(Tick(first), u64::from(first) * 1_000, &samples(first));
        good(writer.commit());
    }
    writer.entry(&Entry::Burst(Burst {
        at: 130,
        channel: "inlet_current".into(),
        rate_hz: 20_000,
        counts: (0..40).collect(),
    }));
    writer.entry(&Entry::Step(StepDone {
        part: Part::Main,
        name: "coils".into(),
        title: "Coils".into(),
        ticks: (10, 240),
    }));
    good(writer.commit());
    if number == RUNS {
        return;
    }
    let outcome = Outcome { ended: Ended::Completed, verdict: Verdict::NotMeasured };
    good(writer.seal(&outcome, "{}"));
}
