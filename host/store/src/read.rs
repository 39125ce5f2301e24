//! Reading runs back. Nothing is checked here beyond what cannot be read at all; `verify` does that.

use crate::error::{StoreError, met, met_io};
use crate::write::{Sampled, Seal};
use crate::{Column, Store, codec, lock};
use rusqlite::{Connection, OptionalExtension, Row, Transaction};
use serde::de::DeserializeOwned;
use std::collections::BTreeSet;
use stepwell_procedure::finding::Finding;
use stepwell_procedure::finding::Verdict;
use stepwell_procedure::record::{Burst, Ended, Entry, Event, Outcome, RunHead, StepDone};
use stepwell_procedure::recording::Recording;
use stepwell_procedure::round::Round;
use stepwell_protocol::channel::{Channel, Sample};
use stepwell_protocol::time::Tick;

/// Where a run stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RunState {
    /// It ended and was closed for good.
    Sealed,
    /// A program is writing it.
    Running,
    /// The program that wrote it ended in the middle.
    Interrupted,
}

impl RunState {
    /// The word for it.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            RunState::Sealed => "sealed",
            RunState::Running => "running",
            RunState::Interrupted => "interrupted",
        }
    }
}

/// A run in a list.
#[derive(Clone, Debug, PartialEq)]
pub struct RunSummary {
    /// Its number.
    pub number: u64,
    /// What was known when it began.
    pub head: RunHead,
    /// Where it stands.
    pub state: RunState,
    /// What it came to. Without a seal that is [`Ended::Interrupted`] with the worst verdict found so
    /// far, which is never a pass.
    pub outcome: Outcome,
    /// From the first to the last sampled tick in seconds; nothing when nothing was sampled.
    pub duration_s: Option<f64>,
    /// Sampled ticks, gaps not counted.
    pub ticks: u64,
}

/// A run without its samples.
#[derive(Clone, Debug, PartialEq)]
pub struct StoredRun {
    /// Its number.
    pub number: u64,
    /// What was known when it began.
    pub head: RunHead,
    /// Where it stands.
    pub state: RunState,
    /// What it came to. Without a seal that is [`Ended::Interrupted`] with the worst verdict found so
    /// far, which is never a pass.
    pub outcome: Outcome,
    /// The steps carried out, in order.
    pub steps: Vec<StepDone>,
    /// What happened, in order.
    pub events: Vec<Event>,
    /// What was found, in order.
    pub findings: Vec<Finding>,
    /// The bursts read, in order.
    pub bursts: Vec<Burst>,
    /// What the steps' conclusions rest on, in order; empty in runs kept before this was written down.
    pub rounds: Vec<Round>,
    /// Statistics of the link, in JSON; nothing when the run is not sealed.
    pub link_statistics: Option<String>,
}

/// Which runs were being written at an instant before the store is read.
struct Writing {
    /// No run later than this was known then.
    newest: u64,
    held: BTreeSet<u64>,
}

impl Writing {
    /// Must be asked before a snapshot of the store is taken. Asked after it, a run sealed in between
    /// would look unsealed and no longer written, that is interrupted.
    fn now(store: &Store) -> Result<Writing, StoreError> {
        let doing = "asking which runs are being written";
        let err = |error| met(&store.path, doing)(error);
        let newest: i64 = store
            .connection
            .query_row("SELECT coalesce(max(number), 0) FROM runs", [], |row| row.get(0))
            .map_err(err)?;
        let mut held = BTreeSet::new();
        for number in unsealed(&store.connection).map_err(err)? {
            if lock::is_held(&store.path, number).map_err(met_io(&store.path, doing))? {
                held.insert(number);
            }
        }
        Ok(Writing { newest: newest.cast_unsigned(), held })
    }

    /// Where an unsealed run stands.
    fn state(&self, number: u64) -> RunState {
        if number > self.newest || self.held.contains(&number) {
            RunState::Running
        } else {
            RunState::Interrupted
        }
    }
}

/// Numbers of the runs without a seal.
pub(crate) fn unsealed(connection: &Connection) -> rusqlite::Result<Vec<u64>> {
    connection
        .prepare_cached(
            "SELECT number FROM runs WHERE number NOT IN (SELECT run FROM seals) ORDER BY number",
        )?
        .query_map([], |row| row.get::<_, i64>(0).map(i64::cast_unsigned))?
        .collect()
}

/// One snapshot of the store.
struct Snapshot<'s> {
    store: &'s Store,
    transaction: Transaction<'s>,
    writing: Writing,
}

impl Store {
    /// All runs, oldest first.
    ///
    /// # Errors
    /// When the store cannot be read. A head or seal that is not what was written names its run; the
    /// others can still be read one by one.
    pub fn runs(&self) -> Result<Vec<RunSummary>, StoreError> {
        let snapshot = self.snapshot("listing the runs")?;
        snapshot.numbers()?.into_iter().map(|number| snapshot.summary(number)).collect()
    }

    /// One run, without its samples.
    ///
    /// # Errors
    /// [`StoreError::NoSuchRun`]; or when the store or a record of the run cannot be read.
    pub fn run(&self, number: u64) -> Result<StoredRun, StoreError> {
        let snapshot = self.snapshot(&format!("reading run {number}"))?;
        let head = snapshot.head(number)?;
        let entries = snapshot.entries(number)?;
        let seal = snapshot.seal(number)?;
        let mut run = StoredRun {
            number,
            head,
            state: RunState::Sealed,
            outcome: Outcome { ended: Ended::Interrupted, verdict: Verdict::NotMeasured },
            steps: Vec::new(),
            events: Vec::new(),
            findings: Vec::new(),
            bursts: Vec::new(),
            rounds: Vec::new(),
            link_statistics: None,
        };
        for entry in entries {
            match entry {
                Entry::Event(event) => run.events.push(event),
                Entry::Step(step) => run.steps.push(step),
                Entry::Finding(finding) => run.findings.push(finding),
                Entry::Burst(burst) => run.bursts.push(burst),
                Entry::Round(round) => run.rounds.push(round),
            }
        }
        if let Some((outcome, link_statistics, _)) = seal {
            run.outcome = outcome;
            run.link_statistics = Some(link_statistics);
        } else {
            run.state = snapshot.writing.state(number);
            run.outcome = unsealed_outcome(&run.findings);
        }
        Ok(run)
    }

    /// One column of a run, in counts.
    ///
    /// # Errors
    /// [`StoreError::NoSuchRun`]; or when the store or a chunk of the column cannot be read.
    pub fn samples(&self, number: u64, channel: Channel) -> Result<Column, StoreError> {
        let snapshot = self.snapshot(&format!("reading {} of run {number}", channel.name()))?;
        snapshot.known(number)?;
        let err = |error| met(&self.path, format!("reading {} of run {number}", channel.name()))(error);
        let mut column = Column { channel, pieces: Vec::new() };
        let mut select = self
            .connection
            .prepare_cached(
                "SELECT seq, first_tick, first_us, count, codec, blob FROM chunks \
                 WHERE run = ?1 AND channel = ?2 ORDER BY seq",
            )
            .map_err(err)?;
        let mut rows = select.query((number.cast_signed(), channel.name())).map_err(err)?;
        while let Some(row) = rows.next().map_err(err)? {
            let chunk = ChunkRow::of(row).map_err(err)?;
            let counts = codec::decode(chunk.codec, chunk.count, chunk.blob).map_err(|found| {
                self.bad_record(number, chunk.seq, &samples_from(channel.name(), chunk.first), found)
            })?;
            column.push(chunk.first, chunk.first_us, counts);
        }
        Ok(column)
    }

    /// The telemetry of a run, all columns together, for steps to conclude from again. Where columns do not
    /// cover the same ticks the samples are left out, which makes a gap.
    ///
    /// # Errors
    /// As [`Store::samples`].
    pub fn recording(&self, number: u64) -> Result<Recording, StoreError> {
        let columns = Channel::ALL
            .into_iter()
            .map(|channel| self.samples(number, channel))
            .collect::<Result<Vec<Column>, StoreError>>()?;
        let mut recording = Recording::default();
        for (index, piece) in columns[0].pieces.iter().enumerate() {
            let same: Option<Vec<&[u16]>> = columns
                .iter()
                .map(|column| {
                    let other = column.pieces.get(index)?;
                    (other.first == piece.first && other.counts.len() == piece.counts.len())
                        .then_some(other.counts.as_slice())
                })
                .collect();
            let Some(counts) = same else { continue };
            let samples: Vec<Sample> = (0..piece.counts.len())
                .map(|tick| std::array::from_fn(|channel| counts[channel][tick]))
                .collect();
            // Without the board's own time, only differences of it are missing: they are 1 ms a tick.
            let first_us = piece.first_us.unwrap_or(1_000 * u64::from(piece.first.0));
            recording.append(piece.first, first_us, &samples);
        }
        Ok(recording)
    }

    fn snapshot(&self, doing: &str) -> Result<Snapshot<'_>, StoreError> {
        let writing = Writing::now(self)?;
        let transaction = self.connection.unchecked_transaction().map_err(met(&self.path, doing))?;
        Ok(Snapshot { store: self, transaction, writing })
    }

    /// The error for record `seq` of run `number`.
    pub(crate) fn bad_record(
        &self,
        number: u64,
        seq: u64,
        record: &str,
        found: impl Into<String>,
    ) -> StoreError {
        StoreError::BadRecord {
            path: self.path.clone(),
            run: number,
            seq,
            record: record.to_owned(),
            found: found.into(),
        }
    }

    /// The error for a run that is not there.
    pub(crate) fn no_such_run(&self, number: u64) -> StoreError {
        let newest: rusqlite::Result<Option<i64>> =
            self.connection.query_row("SELECT max(number) FROM runs", [], |row| row.get(0));
        match newest {
            Ok(newest) => StoreError::NoSuchRun {
                path: self.path.clone(),
                number,
                stored: match newest {
                    None => "no runs are stored yet".to_owned(),
                    Some(1) => "only run 1 is stored".to_owned(),
                    Some(newest) => format!("runs 1 to {newest} are stored"),
                },
            },
            Err(error) => met(&self.path, "listing the runs")(error),
        }
    }
}

impl Snapshot<'_> {
    fn err(&self, number: u64) -> impl Fn(rusqlite::Error) -> StoreError {
        let path = self.store.path.clone();
        move |error| met(&path, format!("reading run {number}"))(error)
    }

    fn numbers(&self) -> Result<Vec<u64>, StoreError> {
        let err = |error| met(&self.store.path, "listing the runs")(error);
        self.transaction
            .prepare_cached("SELECT number FROM runs ORDER BY number")
            .map_err(err)?
            .query_map([], |row| row.get::<_, i64>(0).map(i64::cast_unsigned))
            .map_err(err)?
            .collect::<Result<_, _>>()
            .map_err(err)
    }

    fn known(&self, number: u64) -> Result<(), StoreError> {
        let there: bool = self
            .transaction
            .query_row(
                "SELECT EXISTS (SELECT 1 FROM runs WHERE number = ?1)",
                [number.cast_signed()],
                |row| row.get(0),
            )
            .map_err(self.err(number))?;
        if there { Ok(()) } else { Err(self.store.no_such_run(number)) }
    }

    fn head(&self, number: u64) -> Result<RunHead, StoreError> {
        let json: String = self
            .transaction
            .query_row("SELECT head FROM runs WHERE number = ?1", [number.cast_signed()], |row| row.get(0))
            .optional()
            .map_err(self.err(number))?
            .ok_or_else(|| self.store.no_such_run(number))?;
        serde_json::from_str(&json)
            .map_err(|error| self.store.bad_record(number, 0, "the head", error.to_string()))
    }

    fn entries(&self, number: u64) -> Result<Vec<Entry>, StoreError> {
        let err = self.err(number);
        let mut select = self
            .transaction
            .prepare_cached("SELECT seq, kind, body FROM entries WHERE run = ?1 ORDER BY seq")
            .map_err(&err)?;
        let mut rows = select.query([number.cast_signed()]).map_err(&err)?;
        let mut entries = Vec::new();
        while let Some(row) = rows.next().map_err(&err)? {
            let (seq, kind, json): (i64, String, String) = row.try_into().map_err(&err)?;
            entries.push(
                entry(&kind, &json)
                    .map_err(|found| self.store.bad_record(number, seq.cast_unsigned(), &kind, found))?,
            );
        }
        Ok(entries)
    }

    fn seal(&self, number: u64) -> Result<Option<(Outcome, String, Option<Sampled>)>, StoreError> {
        let row: Option<(i64, String)> = self
            .transaction
            .query_row("SELECT seq, body FROM seals WHERE run = ?1", [number.cast_signed()], |row| {
                row.try_into()
            })
            .optional()
            .map_err(self.err(number))?;
        let Some((seq, json)) = row else { return Ok(None) };
        let seal: Seal<'_> = serde_json::from_str(&json).map_err(|error| {
            self.store.bad_record(number, seq.cast_unsigned(), "the seal", error.to_string())
        })?;
        Ok(Some((seal.outcome.into_owned(), seal.link_statistics.get().to_owned(), seal.sampled)))
    }

    fn summary(&self, number: u64) -> Result<RunSummary, StoreError> {
        let head = self.head(number)?;
        let (state, outcome, sampled) = if let Some((outcome, _, sampled)) = self.seal(number)? {
            (RunState::Sealed, outcome, sampled)
        } else {
            let findings: Vec<Finding> = self
                .entries(number)?
                .into_iter()
                .filter_map(|entry| if let Entry::Finding(finding) = entry { Some(finding) } else { None })
                .collect();
            (self.writing.state(number), unsealed_outcome(&findings), self.sampled(number)?)
        };
        let duration_ms = sampled.map(|sampled| Tick(sampled.last).ms_since(Tick(sampled.first)).max(0));
        Ok(RunSummary {
            number,
            head,
            state,
            outcome,
            duration_s: duration_ms.map(|ms| f64::from(ms) * 1e-3),
            ticks: sampled.map_or(0, |sampled| sampled.ticks),
        })
    }

    /// What was sampled in a run that has no seal to say so.
    fn sampled(&self, number: u64) -> Result<Option<Sampled>, StoreError> {
        let err = self.err(number);
        let mut select = self
            .transaction
            .prepare_cached(
                "SELECT first_tick, count FROM chunks WHERE run = ?1 AND channel = ?2 ORDER BY seq",
            )
            .map_err(&err)?;
        let mut rows = select.query((number.cast_signed(), Channel::Status.name())).map_err(&err)?;
        let mut sampled: Option<Sampled> = None;
        while let Some(row) = rows.next().map_err(&err)? {
            let (first, count): (u32, u32) = row.try_into().map_err(&err)?;
            let so_far = sampled.get_or_insert(Sampled { first, last: first, ticks: 0 });
            so_far.last = Tick(first).plus_ms(count).minus_ms(1).0;
            so_far.ticks += u64::from(count);
        }
        Ok(sampled)
    }
}

/// A row of `chunks` without its column's name and digest.
struct ChunkRow<'r> {
    seq: u64,
    first: Tick,
    first_us: Option<u64>,
    count: u32,
    codec: u8,
    blob: &'r [u8],
}

impl<'r> ChunkRow<'r> {
    fn of(row: &'r Row<'_>) -> rusqlite::Result<ChunkRow<'r>> {
        Ok(ChunkRow {
            seq: row.get::<_, i64>(0)?.cast_unsigned(),
            first: Tick(row.get(1)?),
            first_us: row.get::<_, Option<i64>>(2)?.map(i64::cast_unsigned),
            count: row.get(3)?,
            codec: row.get(4)?,
            blob: row.get_ref(5)?.as_blob()?,
        })
    }
}

/// How a chunk is called in messages.
pub(crate) fn samples_from(channel: &str, first: Tick) -> String {
    format!("samples of {channel} from tick {}", first.0)
}

/// What a run without a seal comes to: something is missing, so it is no better than not measured.
fn unsealed_outcome(findings: &[Finding]) -> Outcome {
    let verdict =
        findings.iter().map(|finding| finding.verdict).fold(Verdict::NotMeasured, std::cmp::Ord::max);
    Outcome { ended: Ended::Interrupted, verdict }
}

/// An entry from its kind and its JSON; or what is wrong with it, in words.
pub(crate) fn entry(kind: &str, json: &str) -> Result<Entry, String> {
    fn from<T: DeserializeOwned>(json: &str) -> Result<T, String> {
        serde_json::from_str(json).map_err(|error| error.to_string())
    }
    match kind {
        "event" => from(json).map(Entry::Event),
        "step" => from(json).map(Entry::Step),
        "finding" => from(json).map(Entry::Finding),
        "burst" => from(json).map(Entry::Burst),
        "round" => from(json).map(Entry::Round),
        _ => Err(format!("\"{kind}\" is no kind of entry known here")),
    }
}
