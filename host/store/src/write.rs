//! Writing one run: buffered, committed in one transaction each time, sealed at the end.

use crate::codec::{self, CHUNK_TICKS_MAX, PCO_U16};
use crate::digest::{Body, Chain, Chunk};
use crate::error::{StoreError, met, met_io};
use crate::lock::{self, RunLock};
use crate::place::Place;
use crate::{Store, read};
use rusqlite::{Transaction, TransactionBehavior, params};
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;
use std::borrow::Cow;
use stepwell_procedure::record::{Entry, Outcome, RunHead};
use stepwell_protocol::channel::{Channel, Sample};
use stepwell_protocol::time::Tick;

/// What a seal says, in JSON.
#[derive(Debug, Serialize, Deserialize)]
pub(crate) struct Seal<'a> {
    pub(crate) outcome: Cow<'a, Outcome>,
    #[serde(borrow)]
    pub(crate) link_statistics: Cow<'a, RawValue>,
    pub(crate) sampled: Option<Sampled>,
}

/// What was sampled in a run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Sampled {
    /// The first tick.
    pub(crate) first: u32,
    /// The last tick.
    pub(crate) last: u32,
    /// How many ticks, gaps not counted.
    pub(crate) ticks: u64,
}

/// Ticks without a gap that wait for a commit.
#[derive(Debug)]
pub(crate) struct Waiting {
    pub(crate) first: Tick,
    first_us: Option<u64>,
    pub(crate) samples: Vec<Sample>,
}

/// A run being written. Dropped without a seal it is an interrupted run, with everything up to the last
/// commit.
#[derive(Debug)]
pub struct RunWriter<'store> {
    pub(crate) store: &'store mut Store,
    pub(crate) number: u64,
    pub(crate) head: RunHead,
    pub(crate) chain: Chain,
    /// Kind and JSON of the entries that wait for a commit.
    pub(crate) entries: Vec<(&'static str, String)>,
    pub(crate) waiting: Vec<Waiting>,
    pub(crate) sampled: Option<Sampled>,
    place: Place,
    /// What could not be written down, and why.
    unwritable: Option<(String, String)>,
    _lock: RunLock,
}

impl Store {
    /// Begins a run: assigns the next number and writes the head down, at once and durably.
    ///
    /// # Errors
    /// When the store cannot be written, or another program keeps it locked.
    pub fn begin(&mut self, head: &RunHead) -> Result<RunWriter<'_>, StoreError> {
        let doing = "beginning a run";
        let path = self.path.clone();
        let err = |error| met(&path, doing)(error);
        let json = serde_json::to_string(head).map_err(|error| StoreError::Unwritable {
            path: path.clone(),
            what: "the head of a run".into(),
            found: error.to_string(),
        })?;
        let transaction =
            self.connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(err)?;
        let last: i64 = transaction
            .query_row("SELECT coalesce(max(number), 0) FROM runs", [], |row| row.get(0))
            .map_err(err)?;
        let number = last.cast_unsigned() + 1;
        // Locked before it can be seen, so that nobody takes it for interrupted.
        let lock = RunLock::take(&path, number).map_err(met_io(&path, doing))?;
        let mut chain = Chain::new(number);
        let (_, digest) = chain.append(Body::Head(json.as_bytes()));
        transaction
            .execute(
                "INSERT INTO runs (number, head, digest) VALUES (?1, ?2, ?3)",
                params![last + 1, json, digest],
            )
            .map_err(err)?;
        transaction.commit().map_err(err)?;
        for other in read::unsealed(&self.connection).map_err(err)? {
            lock::sweep(&path, other);
        }
        let place = Place::of(&path).map_err(met_io(&path, doing))?;
        Ok(RunWriter {
            store: self,
            number,
            head: head.clone(),
            chain,
            entries: Vec::new(),
            waiting: Vec::new(),
            sampled: None,
            place,
            unwritable: None,
            _lock: lock,
        })
    }
}

impl RunWriter<'_> {
    /// The run's number.
    #[must_use]
    pub fn number(&self) -> u64 {
        self.number
    }

    /// Takes an entry, for the next commit.
    pub fn entry(&mut self, entry: &Entry) {
        match as_json(entry) {
            Ok(pair) => self.entries.push(pair),
            Err(why) => {
                self.unwritable.get_or_insert(why);
            }
        }
    }

    /// Takes samples of consecutive ticks from `first` on, for the next commit. Ticks missing since the
    /// last samples are kept as a gap. The board's microsecond clock is not written down with these, so
    /// instants of pulses can be recomputed to a millisecond only; see [`RunWriter::samples_at`].
    pub fn samples(&mut self, first: Tick, samples: &[Sample]) {
        self.take(first, None, samples);
    }

    /// The same, with the board time of `first` in microseconds since the board's start.
    pub fn samples_at(&mut self, first: Tick, first_us: u64, samples: &[Sample]) {
        self.take(first, Some(first_us), samples);
    }

    fn take(&mut self, first: Tick, first_us: Option<u64>, samples: &[Sample]) {
        let Some(more) = (samples.len() as u32).checked_sub(1) else { return };
        let sampled = self.sampled.get_or_insert(Sampled { first: first.0, last: first.0, ticks: 0 });
        sampled.last = first.plus_ms(more).0;
        sampled.ticks += samples.len() as u64;
        match self.waiting.last_mut() {
            Some(last) if last.first.plus_ms(last.samples.len() as u32) == first => {
                last.samples.extend_from_slice(samples);
            }
            _ => self.waiting.push(Waiting { first, first_us, samples: samples.to_vec() }),
        }
    }

    /// Writes down everything taken so far, durably, in one transaction. When that fails nothing is
    /// lost: it is tried again with the next commit.
    ///
    /// # Errors
    /// When the store cannot be written, or another program keeps it locked. [`StoreError::Gone`] when it
    /// was moved or removed: then all of the run is still at hand for [`RunWriter::rescue`], but nobody will
    /// find it where it was. [`StoreError::Unwritable`] from the moment on an entry was taken that does not read back the same (a number that is not
    /// finite); all others are written.
    pub fn commit(&mut self) -> Result<(), StoreError> {
        if !self.entries.is_empty() || !self.waiting.is_empty() {
            self.write(None)?;
        }
        self.in_place()?;
        match &self.unwritable {
            None => Ok(()),
            Some((what, found)) => Err(StoreError::Unwritable {
                path: self.store.path.clone(),
                what: what.clone(),
                found: found.clone(),
            }),
        }
    }

    /// Commits, and closes the run for good. `link_statistics` is any JSON value. Returns the run's
    /// number.
    ///
    /// # Errors
    /// As [`RunWriter::commit`]; also when `link_statistics` is not JSON. The run is then unsealed.
    pub fn seal(mut self, outcome: &Outcome, link_statistics: &str) -> Result<u64, StoreError> {
        self.try_seal(outcome, link_statistics)?;
        Ok(self.number)
    }

    /// [`RunWriter::seal`] that leaves the writer, and what it could not write, to the caller.
    pub(crate) fn try_seal(&mut self, outcome: &Outcome, link_statistics: &str) -> Result<(), StoreError> {
        self.commit()?;
        let unwritable = |what: &str, error: serde_json::Error| StoreError::Unwritable {
            path: self.store.path.clone(),
            what: what.to_owned(),
            found: error.to_string(),
        };
        let link_statistics: &RawValue =
            serde_json::from_str(link_statistics).map_err(|error| unwritable("link statistics", error))?;
        let seal = Seal {
            outcome: Cow::Borrowed(outcome),
            link_statistics: Cow::Borrowed(link_statistics),
            sampled: self.sampled,
        };
        let seal = serde_json::to_string(&seal).map_err(|error| unwritable("an outcome", error))?;
        self.write(Some(&seal))?;
        // So that the file alone is complete for whoever copies it while this program goes on. A reader
        // may be in the way; then the journal beside it still holds the rest, which is safe too.
        let _ = self.store.connection.pragma_query(None, "wal_checkpoint", |_| Ok(()));
        self.in_place()
    }

    fn in_place(&self) -> Result<(), StoreError> {
        self.place.gone().map_or(Ok(()), |file| {
            Err(StoreError::Gone {
                doing: format!("writing run {}", self.number),
                path: self.store.path.clone(),
                file: file.to_owned(),
            })
        })
    }

    fn write(&mut self, seal: Option<&str>) -> Result<(), StoreError> {
        let doing = format!("writing run {}", self.number);
        let err = |error| met(&self.store.path, doing.clone())(error);
        #[cfg(feature = "faults")]
        let failing = self.store.failing.get();
        let transaction =
            self.store.connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(err)?;
        let mut chain = self.chain;
        let run = self.number.cast_signed();
        (|| {
            write_entries(&transaction, run, &mut chain, &self.entries)?;
            #[cfg(feature = "faults")]
            crate::Failing::Write.strikes(failing)?;
            write_chunks(&transaction, run, &mut chain, &self.waiting)?;
            if let Some(json) = seal {
                let (seq, digest) = chain.append(Body::Seal(json.as_bytes()));
                transaction.execute(
                    "INSERT INTO seals (run, seq, body, digest) VALUES (?1, ?2, ?3, ?4)",
                    params![run, seq.cast_signed(), json, digest],
                )?;
            }
            #[cfg(feature = "faults")]
            crate::Failing::Sync.strikes(failing)?;
            transaction.commit()
        })()
        .map_err(err)?;
        self.chain = chain;
        self.entries.clear();
        self.waiting.clear();
        Ok(())
    }
}

fn write_entries(
    transaction: &Transaction<'_>,
    run: i64,
    chain: &mut Chain,
    entries: &[(&str, String)],
) -> rusqlite::Result<()> {
    entries
        .iter()
        .try_for_each(|(kind, json)| insert_entry(transaction, run, chain, kind.as_bytes(), json.as_bytes()))
}

fn write_chunks(
    transaction: &Transaction<'_>,
    run: i64,
    chain: &mut Chain,
    waiting: &[Waiting],
) -> rusqlite::Result<()> {
    for piece in waiting {
        for (index, samples) in piece.samples.chunks(CHUNK_TICKS_MAX).enumerate() {
            let offset_ms = index * CHUNK_TICKS_MAX;
            let first = piece.first.plus_ms(offset_ms as u32);
            let first_us = piece.first_us.map(|us| us + 1_000 * offset_ms as u64);
            for channel in Channel::ALL {
                let counts: Vec<u16> = samples.iter().map(|sample| sample[channel.index()]).collect();
                let chunk = Chunk {
                    channel: channel.name().as_bytes(),
                    first_tick: first.0,
                    first_us,
                    count: samples.len() as u32,
                    codec: PCO_U16,
                    blob: &codec::encode(&counts),
                };
                insert_chunk(transaction, run, chain, chunk)?;
            }
        }
    }
    Ok(())
}

/// Adds an entry to the chain of a run and writes it.
pub(crate) fn insert_entry(
    transaction: &Transaction<'_>,
    run: i64,
    chain: &mut Chain,
    kind: &[u8],
    body: &[u8],
) -> rusqlite::Result<()> {
    let (seq, digest) = chain.append(Body::Entry { kind, body });
    transaction
        .prepare_cached(
            "INSERT INTO entries (run, seq, kind, body, digest) \
             VALUES (?1, ?2, CAST(?3 AS TEXT), CAST(?4 AS TEXT), ?5)",
        )?
        .execute(params![run, seq.cast_signed(), kind, body, digest])
        .map(drop)
}

/// Adds a chunk to the chain of a run and writes it.
pub(crate) fn insert_chunk(
    transaction: &Transaction<'_>,
    run: i64,
    chain: &mut Chain,
    chunk: Chunk<'_>,
) -> rusqlite::Result<()> {
    let (seq, digest) = chain.append(Body::Chunk(chunk));
    let Chunk { channel, first_tick, first_us, count, codec, blob } = chunk;
    transaction
        .prepare_cached(
            "INSERT INTO chunks (run, seq, channel, first_tick, first_us, count, codec, blob, digest) \
             VALUES (?1, ?2, CAST(?3 AS TEXT), ?4, ?5, ?6, ?7, ?8, ?9)",
        )?
        .execute(params![
            run,
            seq.cast_signed(),
            channel,
            first_tick,
            first_us.map(u64::cast_signed),
            count,
            codec,
            blob,
            digest
        ])
        .map(drop)
}

/// The kind of an entry and the entry in JSON; or what it is and why it cannot be written. JSON knows no
/// infinities, so it is read back before it is relied on.
fn as_json(entry: &Entry) -> Result<(&'static str, String), (String, String)> {
    let (kind, name, json) = match entry {
        Entry::Event(event) => ("event", &event.text, serde_json::to_string(event)),
        Entry::Step(step) => ("step", &step.name, serde_json::to_string(step)),
        Entry::Finding(finding) => ("finding", &finding.id, serde_json::to_string(finding)),
        Entry::Burst(burst) => ("burst", &burst.channel, serde_json::to_string(burst)),
        Entry::Round(round) => ("round", &round.step, serde_json::to_string(round)),
    };
    let what = || format!("the {kind} \"{name}\"");
    let json = json.map_err(|error| (what(), error.to_string()))?;
    match read::entry(kind, &json) {
        Ok(back) if back == *entry => Ok((kind, json)),
        _ => Err((what(), "it holds a number that is not finite".to_owned())),
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use stepwell_procedure::finding::Verdict;
    use stepwell_procedure::record::Ended;
    use stepwell_protocol::channel::CHANNELS;

    pub(crate) fn head() -> RunHead {
        let text = String::new;
        RunHead {
            pump_id: text(),
            procedure: text(),
            pump_sheet: text(),
            bench_sheet: text(),
            procedure_text: text(),
            pump_sheet_text: text(),
            bench_sheet_text: text(),
            board: text(),
            firmware: text(),
            simulated: true,
            program: text(),
            started: text(),
            identity: None,
            simulation: None,
        }
    }

    /// 100 ticks that cannot be packed well.
    fn samples(first: u32) -> Vec<Sample> {
        (first..first + 100).map(|tick| [(tick.wrapping_mul(0x9e37_79b9) >> 16) as u16; CHANNELS]).collect()
    }

    const PASSED: Outcome = Outcome { ended: Ended::Completed, verdict: Verdict::Pass };

    /// A full disk, played by SQLite's own limit on the number of pages.
    #[test]
    fn a_full_disk_is_told_and_what_could_not_be_written_is_written_when_there_is_room() {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open(&folder.path().join("runs.stepwell")).unwrap();
        let mut writer = store.begin(&head()).unwrap();
        let limit = |writer: &RunWriter<'_>, pages: u32| {
            writer
                .store
                .connection
                .pragma_update_and_check(None, "max_page_count", pages, |_| Ok(()))
                .unwrap();
        };
        limit(&writer, 8);
        let mut tick = 0;
        let error = loop {
            writer.samples(Tick(tick), &samples(tick));
            tick += 100;
            if let Err(error) = writer.commit() {
                break error;
            }
        };
        assert!(matches!(error, StoreError::Full { .. }), "{error}");
        limit(&writer, 1_000_000);
        writer.seal(&PASSED, "{}").unwrap();
        assert_eq!(store.samples(1, Channel::Status).unwrap().samples(), u64::from(tick));
        store.verify(1).unwrap();
    }

    #[test]
    fn a_store_locked_by_another_program_is_said_to_be_and_nothing_is_lost() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("runs.stepwell");
        let mut store = Store::open(&path).unwrap();
        // The other program will not let go, so there is no use in waiting.
        store.connection.busy_timeout(std::time::Duration::ZERO).unwrap();
        let mut writer = store.begin(&head()).unwrap();
        writer.samples(Tick(0), &samples(0));
        let other = rusqlite::Connection::open(&path).unwrap();
        other.execute_batch("BEGIN IMMEDIATE").unwrap();
        let error = writer.commit().unwrap_err();
        assert!(matches!(error, StoreError::Busy { .. }), "{error}");
        other.execute_batch("ROLLBACK").unwrap();
        writer.seal(&PASSED, "{}").unwrap();
        assert_eq!(store.runs().unwrap()[0].ticks, 100);
        store.verify(1).unwrap();
    }
}
