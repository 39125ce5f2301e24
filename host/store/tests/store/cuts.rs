//! The files of a store as they stood in the middle of writing, cut, overwritten, mixed up: each opens with
//! what was committed, or says what is wrong. A record that is not what was written never verifies.

use crate::sample::*;
use rusqlite::Connection;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use stepwell_protocol::channel::{CHANNELS, Channel};
use stepwell_protocol::time::Tick;
use stepwell_store::{Store, StoreError, Verified};

/// Seconds in the run that is being written, one commit each.
const SECONDS: u32 = 6;

/// The commit up to which a checkpoint has moved the journal into the file.
const MOVED: u32 = 3;

/// SQLite's documentation, "WAL-mode File Format": a header, then frames of a header and a page.
const WAL_HEADER: usize = 32;
const FRAME: usize = 24 + 4_096;

/// The files of a store at an instant. Run 1 is sealed and in the file, run 2 is being written.
struct Files {
    name: &'static str,
    database: Vec<u8>,
    journal: Vec<u8>,
}

/// A store in the middle of writing, and what it holds.
struct Scene {
    /// All of run 2 in the journal; a part of it in both; all in the file.
    files: [Files; 3],
    /// Run 1.
    sealed: Verified,
    /// Length of the journal after the head of run 2, and after each second.
    ends: Vec<usize>,
    /// Digests of the records of run 2: what a part of it must verify to.
    digests: Vec<String>,
}

impl Scene {
    /// Writes one whose runs are of `pump`.
    fn of(folder: &Path, pump: &str) -> Scene {
        let path = folder.join(pump);
        let taken = |name| Files {
            name,
            database: std::fs::read(&path).unwrap(),
            journal: std::fs::read(beside(&path, "-wal")).unwrap_or_default(),
        };
        let mut store = Store::open(&path).unwrap();
        write_run(&mut store, pump);
        // Closed, so that the journal begins anew.
        drop(store);
        let reader = Store::open_to_read(&path).unwrap();
        let sealed = reader.verify(1).unwrap();
        let mut store = Store::open(&path).unwrap();
        let mut writer = store.begin(&head(pump)).unwrap();
        let mut ends = Vec::new();
        let mut note = || ends.push(std::fs::metadata(beside(&path, "-wal")).unwrap().len() as usize);
        let checkpoint = Connection::open(&path).unwrap();
        let held = Connection::open(&path).unwrap();
        let mut in_journal = None;
        note();
        for second in 0..SECONDS {
            writer.samples(Tick(second * 1_000), &samples(second * 1_000, 1_000));
            writer.commit().unwrap();
            note();
            if second + 1 == MOVED {
                held.execute_batch("BEGIN; SELECT count(*) FROM runs").unwrap();
            }
            if second + 1 == SECONDS {
                in_journal = Some(taken("in the journal"));
                // Who reads holds the rest of the journal back.
                checkpoint.query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |_| Ok(())).unwrap();
            }
        }
        let in_both = taken("in both");
        drop(writer);
        let digests = checkpoint
            .prepare(
                "SELECT lower(hex(digest)) FROM (SELECT 0 AS seq, digest FROM runs WHERE number = 2 UNION ALL \
                 SELECT seq, digest FROM chunks WHERE run = 2) ORDER BY seq",
            )
            .unwrap()
            .query_map([], |row| row.get(0))
            .unwrap()
            .collect::<Result<_, _>>()
            .unwrap();
        drop((store, reader, held, checkpoint));
        Scene { files: [in_journal.unwrap(), in_both, taken("in the file")], sealed, ends, digests }
    }

    /// Whether it is run 2 from its head to some record.
    fn has(&self, verified: &Verified) -> bool {
        !verified.sealed && self.digests.get(verified.records as usize - 1) == Some(&verified.digest)
    }
}

fn beside(path: &Path, what: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(what);
    name.into()
}

/// What one set of files came to.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Found {
    /// In a word or two, for counting.
    kind: String,
    /// Commits of run 2 that are there; `None` when it is not there or not good.
    commits: Option<usize>,
    /// Whether run 1 is good.
    first: bool,
    /// Whether something was said to be wrong.
    noticed: bool,
}

fn kind(error: &StoreError) -> &'static str {
    match error {
        StoreError::NothingStored { .. } => "no runs are stored yet",
        StoreError::NotAStore { .. } => "not a store of runs",
        StoreError::JournalAlone { .. } => "the journal is alone",
        StoreError::Damaged { .. } => "the file is damaged",
        StoreError::BadRecord { .. } => "a record is not what was written",
        StoreError::NoSuchRun { .. } => "there is no such run",
        _ => panic!("{error:?}"),
    }
}

/// Puts files at `path` and looks at them as `verify` does. Whatever verifies must be one of the states that
/// `scenes` went through, and its samples those that were written.
fn look(path: &Path, database: Option<&[u8]>, journal: Option<&[u8]>, scenes: &[&Scene]) -> Found {
    for (file, bytes) in [(path.to_owned(), database), (beside(path, "-wal"), journal)] {
        match bytes {
            Some(bytes) => std::fs::write(&file, bytes).unwrap(),
            None => drop(std::fs::remove_file(&file)),
        }
    }
    let _ = std::fs::remove_file(beside(path, "-shm"));
    let refused = |error: StoreError| Found {
        kind: format!("not opened: {}", kind(&error)),
        commits: None,
        first: false,
        noticed: true,
    };
    let store = match Store::open_to_read(path) {
        Ok(store) => store,
        Err(error) => return refused(error),
    };
    let numbers = match store.numbers() {
        Ok(numbers) => numbers,
        Err(error) => return refused(error),
    };
    let mut found = Found { kind: String::new(), commits: None, first: false, noticed: false };
    for number in [1, 2] {
        match store.verify_records(number) {
            Ok(verified) if number == 1 => {
                assert!(
                    scenes.iter().any(|scene| scene.sealed == verified),
                    "verified but another: {verified:?}"
                );
                found.first = true;
            }
            Ok(verified) => {
                assert!(
                    scenes.iter().any(|scene| scene.has(&verified)),
                    "verified but another: {verified:?}"
                );
                let columns = CHANNELS as u64;
                for channel in [Channel::ALL[0], Channel::ALL[CHANNELS - 1]] {
                    let column = store.samples(2, channel).unwrap();
                    let chunks = (verified.records - 1 + columns - 1 - channel.index() as u64) / columns;
                    assert_eq!(column.samples(), 1_000 * chunks);
                    let counts = column.pieces.iter().flat_map(|piece| piece.counts.iter());
                    assert!(counts.zip(0..).all(|(&is, tick)| is == count(tick, channel.index())));
                }
                found.commits = Some(((verified.records - 1) / columns) as usize);
            }
            Err(StoreError::NoSuchRun { .. }) if !numbers.contains(&number) => {}
            Err(error) => {
                found.noticed = true;
                found.kind = format!("run {number}: {}", kind(&error));
            }
        }
        // Whatever reading without verifying brings, it must not panic.
        let _whatever = (store.run(number).is_ok(), store.samples(number, Channel::FlowEdge).is_ok());
    }
    if let Err(error) = store.verify_file() {
        found.noticed = true;
        found.kind = format!("{}{}", found.kind, if found.kind.is_empty() { kind(&error) } else { "" });
    }
    if !found.noticed {
        found.kind = match found.commits {
            Some(commits) => format!("good: run 1, run 2 with {commits} of {SECONDS} seconds"),
            None => "good: run 1".to_owned(),
        };
    }
    found
}

/// Writes one more run to the files of the last look. What is good takes it; what is not takes it or says why.
fn write_on(path: &Path, found: &Found) {
    let written = Store::open(path).and_then(|mut store| {
        let mut writer = store.begin(&head("after"))?;
        writer.samples(Tick(0), &samples(0, 100));
        let number = writer.seal(&outcome(), "{}")?;
        store.verify_records(number)
    });
    match written {
        Ok(verified) => assert!(verified.sealed),
        Err(error) => assert!(found.noticed, "{found:?}: {error}"),
    }
}

/// Random numbers from a seed: splitmix64 (Steele, Lea and Flood 2014, from memory).
struct Random(u64);

impl Random {
    fn below(&mut self, bound: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((mixed ^ (mixed >> 31)) % bound as u64) as usize
    }
}

/// Cuts database, journal or both, of each of the three kinds of files, at random offsets; says what they
/// came to.
fn cut(cuts: usize, seed: u64) {
    let folder = memory_folder();
    let scene = Scene::of(folder.path(), "Heron");
    let path = folder.path().join("cut");
    let mut random = Random(seed);
    let mut kinds: BTreeMap<(&str, &str, String), u32> = BTreeMap::new();
    for n in 0..cuts {
        let files = &scene.files[random.below(3)];
        let (database, journal) = (files.database.as_slice(), files.journal.as_slice());
        let which = ["database", "journal", "both"][if journal.is_empty() { 0 } else { random.below(3) }];
        let short = |bytes: &mut &[u8], random: &mut Random| *bytes = &bytes[..random.below(bytes.len())];
        let (mut left, mut left_of_journal) = (database, journal);
        if which != "journal" {
            short(&mut left, &mut random);
        }
        if which != "database" {
            short(&mut left_of_journal, &mut random);
        }
        let what = format!(
            "seed {seed}, cut {n}: run 2 {}, {which}: {} and {} bytes left",
            files.name,
            left.len(),
            left_of_journal.len()
        );
        let found = look(&path, Some(left), Some(left_of_journal), &[&scene]);
        if which == "journal" {
            assert!(found.first || found.noticed, "{what}: {found:?}");
        }
        if which == "journal" && files.name == "in the journal" {
            // Every commit that lies before the cut is there, the rest of a second is not, nothing is wrong.
            let whole = scene.ends.iter().filter(|&&end| end <= left_of_journal.len()).count();
            assert_eq!(
                (found.commits, found.first, found.noticed),
                (whole.checked_sub(1), true, false),
                "{what}"
            );
        }
        if n % 8 == 0 {
            write_on(&path, &found);
        }
        *kinds.entry((files.name, which, found.kind)).or_default() += 1;
    }
    for ((files, which, kind), times) in kinds {
        println!("{times:>6}  run 2 {files}, {which} cut: {kind}");
    }
}

#[test]
fn files_cut_anywhere_in_the_middle_of_writing_hold_what_was_committed_or_say_what_is_wrong() {
    cut(600, 1);
}

#[test]
#[ignore = "a minute in a release build; the test above takes a sample"]
fn files_cut_ten_thousand_times() {
    cut(10_000, 2);
}

/// One bit of the journal in some hundreds: everything before the frame that it lies in is there.
#[test]
fn a_flipped_bit_in_the_journal_costs_what_was_committed_from_there_on() {
    let folder = memory_folder();
    let scene = Scene::of(folder.path(), "Heron");
    let path = folder.path().join("flipped");
    let Files { database, journal, .. } = &scene.files[0];
    for bit in (0..journal.len() * 8).step_by(1_237) {
        let at = bit / 8;
        let mut bad = journal.clone();
        bad[at] ^= 1 << (bit % 8);
        let found = look(&path, Some(database), Some(&bad), &[&scene]);
        let whole = if at < WAL_HEADER { 0 } else { scene.ends.iter().filter(|&&end| end <= at).count() };
        assert_eq!((found.commits, found.first), (whole.checked_sub(1), true), "bit {bit}: {found:?}");
    }
}

#[test]
fn flipped_bits_and_pages_of_zeros_in_the_file_are_noticed_or_mean_nothing() {
    let folder = memory_folder();
    let scene = Scene::of(folder.path(), "Heron");
    let path = folder.path().join("bad");
    let mut unnoticed = 0;
    for files in &scene.files {
        let sound = look(&path, Some(&files.database), Some(&files.journal), &[&scene]);
        assert_eq!((sound.commits, sound.noticed), (Some(SECONDS as usize), false));
        for bit in (0..files.database.len() * 8).step_by(9_973) {
            let mut bad = files.database.clone();
            bad[bit / 8] ^= 1 << (bit % 8);
            unnoticed += u32::from(!look(&path, Some(&bad), Some(&files.journal), &[&scene]).noticed);
        }
        for page in 0..files.database.len() / 4_096 {
            let mut bad = files.database.clone();
            bad[page * 4_096..(page + 1) * 4_096].fill(0);
            let found = look(&path, Some(&bad), Some(&files.journal), &[&scene]);
            if files.journal.is_empty() {
                assert!(found.noticed, "page {page} of zeros: {found:?}");
            }
        }
        for frame in (WAL_HEADER..files.journal.len()).step_by(FRAME) {
            let mut bad = files.journal.clone();
            bad[frame..frame + FRAME].fill(0);
            let found = look(&path, Some(&files.database), Some(&bad), &[&scene]);
            assert!(found.noticed || found.commits < sound.commits, "frame at {frame}: {found:?}");
        }
    }
    println!("{unnoticed} flips changed nothing");
}

#[test]
fn a_journal_that_is_missing_empty_or_text_leaves_what_the_file_holds() {
    let folder = memory_folder();
    let scene = Scene::of(folder.path(), "Heron");
    let path = folder.path().join("x");
    let text = b"a shopping list\n".repeat(1_000);
    for files in &scene.files {
        let found: Vec<Found> = [None, Some(&[][..]), Some(&text)]
            .into_iter()
            .map(|journal| look(&path, Some(&files.database), journal, &[&scene]))
            .collect();
        assert!(found.iter().all(|one| *one == found[0]), "{found:?}");
        match files.name {
            "in the journal" => assert_eq!((found[0].commits, found[0].noticed), (None, false)),
            // Pages that were written again since are not moved in, so the file alone is no whole.
            "in both" => assert!(found[0].noticed, "{found:?}"),
            _ => assert_eq!((found[0].commits, found[0].noticed), (Some(SECONDS as usize), false)),
        }
        println!("run 2 {}, no journal: {}", files.name, found[0].kind);
    }
}

/// SQLite would throw the journal away, and with it what it holds.
#[test]
fn a_journal_alone_is_left_as_it_is() {
    let folder = memory_folder();
    let scene = Scene::of(folder.path(), "Heron");
    let path = folder.path().join("x");
    let journal = &scene.files[0].journal;
    for database in [None, Some(&[][..])] {
        assert_eq!(look(&path, database, Some(journal), &[&scene]).kind, "not opened: the journal is alone");
        let error = Store::open(&path).unwrap_err();
        assert!(matches!(error, StoreError::JournalAlone { .. }), "{error}");
        assert!(error.to_string().contains("x-wal"), "{error}");
        assert_eq!(std::fs::read(beside(&path, "-wal")).unwrap(), *journal);
        assert_eq!(std::fs::read(&path).ok().as_deref(), database);
    }
}

#[test]
fn a_file_replaced_by_text_is_refused_whatever_lies_beside_it() {
    let folder = memory_folder();
    let scene = Scene::of(folder.path(), "Heron");
    let path = folder.path().join("x");
    let text = b"a shopping list\n".repeat(1_000);
    for journal in [None, Some(scene.files[0].journal.as_slice())] {
        let found = look(&path, Some(&text), journal, &[&scene]);
        assert!(found.noticed && !found.first, "{found:?}");
    }
}

/// A journal bears nothing of the file that it belongs to. What verifies is then a run of one of the two.
#[test]
fn the_journal_of_another_store_never_makes_a_run_that_neither_had() {
    let folder = memory_folder();
    let (heron, plover) = (Scene::of(folder.path(), "Heron"), Scene::of(folder.path(), "Plover"));
    let path = folder.path().join("x");
    let text = b"a shopping list\n".repeat(1_000);
    for files in &heron.files {
        for other in &plover.files {
            for journal in [other.journal.as_slice(), &other.journal[..other.journal.len() / 2], &text] {
                let found = look(&path, Some(&files.database), Some(journal), &[&heron, &plover]);
                println!("{} with the journal of another, {}: {}", files.name, other.name, found.kind);
            }
        }
    }
}
