//! Walking a run's chain of digests, record by record.

use crate::digest::{Body, Chain, Chunk, Digest, hex};
use crate::error::{StoreError, met, met_io};
use crate::lock;
use crate::read::{entry, samples_from};
use crate::write::Seal;
use crate::{Store, codec};
use rusqlite::{OptionalExtension, Row};
use std::ops::RangeInclusive;
use stepwell_procedure::record::RunHead;
use stepwell_protocol::channel::Channel;
use stepwell_protocol::time::Tick;

/// A run whose records are all as they were written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Verified {
    /// The run.
    pub number: u64,
    /// Records in its sequence, head and seal included.
    pub records: u64,
    /// Whether it ends in a seal. Without one nothing says whether the end is missing.
    pub sealed: bool,
    /// Whether a program is writing it now.
    pub running: bool,
    /// Digest of the last record, 64 hexadecimal digits. Noted elsewhere it proves later that the run is
    /// still the same.
    pub digest: String,
}

/// All records of a run but the head, in sequence. The columns are those of an entry, a chunk or a seal.
pub(crate) const RECORDS: &str = "\
    SELECT 'E' AS tag, seq, kind, body, NULL, NULL, NULL, NULL, digest FROM entries WHERE run = ?1 \
    UNION ALL \
    SELECT 'C', seq, channel, blob, first_tick, first_us, count, codec, digest FROM chunks WHERE run = ?1 \
    UNION ALL \
    SELECT 'S', seq, NULL, body, NULL, NULL, NULL, NULL, digest FROM seals WHERE run = ?1 \
    ORDER BY seq";

/// More runs than anybody carries out; a larger number is damage.
const NUMBER_MAX: u64 = 1_000_000;

impl Store {
    /// Checks that every record of a run is what was written, that none is missing, added or moved, that
    /// each can be read, and that the file as a whole is in order.
    ///
    /// # Errors
    /// [`StoreError::BadRecord`] names the first record that is wrong; [`StoreError::Damaged`] says what
    /// is wrong with the file; [`StoreError::NoSuchRun`].
    pub fn verify(&self, number: u64) -> Result<Verified, StoreError> {
        let verified = self.verify_records(number)?;
        self.verify_file()?;
        Ok(verified)
    }

    /// Checks the records of a run alone. In a damaged file the runs that the damage has not reached are
    /// still found good.
    ///
    /// # Errors
    /// As [`Store::verify`].
    pub fn verify_records(&self, number: u64) -> Result<Verified, StoreError> {
        let doing = format!("verifying run {number}");
        let err = |error| met(&self.path, doing.clone())(error);
        let held = || lock::is_held(&self.path, number).map_err(met_io(&self.path, doing.clone()));
        // Asked before and after: the run may be sealed or begun in between.
        let held_before = held()?;
        let transaction = self.connection.unchecked_transaction().map_err(err)?;
        let mut chain = Chain::new(number);
        self.verify_head(number, &mut chain)?;

        let mut sealed = false;
        let mut select = transaction.prepare_cached(RECORDS).map_err(err)?;
        let mut rows = select.query([number.cast_signed()]).map_err(err)?;
        loop {
            let after =
                |error| met(&self.path, format!("{doing} after record {}", chain.next_seq - 1))(error);
            let Some(row) = rows.next().map_err(after)? else { break };
            let seq = chain.next_seq;
            let bad = |record: &str, found: String| self.bad_record(number, seq, record, found);
            if sealed {
                return Err(bad("after the seal", "there must be none".into()));
            }
            let record = Record::of(row).map_err(|error| bad("columns", error.to_string()))?;
            if record.seq != seq {
                return Err(bad("missing", format!("the next one there is {}", record.seq)));
            }
            let (_, digest) = chain.append(record.body);
            if digest != record.digest {
                return Err(bad(
                    &record.name(),
                    "its digest does not fit it and the records before it".into(),
                ));
            }
            record.readable().map_err(|found| bad(&record.name(), found))?;
            sealed = matches!(record.body, Body::Seal(_));
        }
        drop(rows);
        drop(select);
        let running = !sealed && (held_before || held()?);
        Ok(Verified { number, records: chain.next_seq, sealed, running, digest: hex(&chain.last) })
    }

    /// Numbers of all runs that ought to be there: they are assigned from 1 on without gaps, so one that is
    /// not there was taken away. Whatever can still be read says how many there are.
    ///
    /// # Errors
    /// When no table can be read.
    pub fn numbers(&self) -> Result<RangeInclusive<u64>, StoreError> {
        let newest: Vec<rusqlite::Result<u64>> = [
            "SELECT coalesce(max(number), 0) FROM runs",
            "SELECT coalesce(max(run), 0) FROM entries",
            "SELECT coalesce(max(run), 0) FROM chunks",
            "SELECT coalesce(max(run), 0) FROM seals",
        ]
        .into_iter()
        .map(|sql| self.connection.query_row(sql, [], |row| row.get::<_, i64>(0)).map(i64::cast_unsigned))
        .collect();
        match newest.iter().flatten().max() {
            Some(&newest) => Ok(1..=newest.min(NUMBER_MAX)),
            None => newest
                .into_iter()
                .next()
                .unwrap_or(Ok(0))
                .map(|newest| 1..=newest)
                .map_err(met(&self.path, "listing the runs")),
        }
    }

    fn verify_head(&self, number: u64, chain: &mut Chain) -> Result<(), StoreError> {
        let doing = format!("verifying run {number}");
        let head: Option<(Vec<u8>, Vec<u8>)> = self
            .connection
            .query_row(
                "SELECT CAST(head AS BLOB), digest FROM runs WHERE number = ?1",
                [number.cast_signed()],
                |row| row.try_into(),
            )
            .optional()
            .map_err(met(&self.path, doing))?;
        let (head, digest) = head.ok_or_else(|| self.no_such_run(number))?;
        let bad = |found: String| self.bad_record(number, 0, "the head", found);
        if chain.append(Body::Head(&head)).1[..] != digest {
            return Err(bad("its digest does not fit it".into()));
        }
        serde_json::from_slice::<RunHead>(&head).map(drop).map_err(|error| bad(error.to_string()))
    }

    /// Checks what no digest covers: the trees of pages that hold the records, and to which run a record belongs.
    /// Damage there may hide records.
    ///
    /// # Errors
    /// [`StoreError::Damaged`].
    pub fn verify_file(&self) -> Result<(), StoreError> {
        let doing = "verifying the file";
        let err = |error| met(&self.path, doing)(error);
        let damaged = |found: String| {
            Err(StoreError::Damaged { doing: doing.to_owned(), path: self.path.clone(), found })
        };
        let found: String =
            self.connection.query_row("PRAGMA integrity_check(1)", [], |row| row.get(0)).map_err(err)?;
        if found != "ok" {
            return damaged(found);
        }
        let stray: Option<String> = self
            .connection
            .query_row("SELECT \"table\" FROM pragma_foreign_key_check", [], |row| row.get(0))
            .optional()
            .map_err(err)?;
        match stray {
            None => Ok(()),
            Some(table) => damaged(format!("a row of {table} belongs to no run")),
        }
    }
}

/// A row of [`RECORDS`].
pub(crate) struct Record<'r> {
    seq: u64,
    pub(crate) body: Body<'r>,
    digest: Digest,
}

impl<'r> Record<'r> {
    pub(crate) fn of(row: &'r Row<'_>) -> rusqlite::Result<Record<'r>> {
        let tag = row.get_ref(0)?.as_str()?;
        let bytes = |column| row.get_ref(column)?.as_bytes().map_err(rusqlite::Error::from);
        let body = match tag {
            "E" => Body::Entry { kind: bytes(2)?, body: bytes(3)? },
            "C" => Body::Chunk(Chunk {
                channel: bytes(2)?,
                first_tick: row.get(4)?,
                first_us: row.get::<_, Option<i64>>(5)?.map(i64::cast_unsigned),
                count: row.get(6)?,
                codec: row.get(7)?,
                blob: bytes(3)?,
            }),
            _ => Body::Seal(bytes(3)?),
        };
        Ok(Record { seq: row.get::<_, i64>(1)?.cast_unsigned(), body, digest: row.get(8)? })
    }

    fn name(&self) -> String {
        match self.body {
            Body::Head(_) => "the head".to_owned(),
            Body::Entry { kind, .. } => String::from_utf8_lossy(kind).into_owned(),
            Body::Chunk(Chunk { channel, first_tick, .. }) => {
                samples_from(&String::from_utf8_lossy(channel), Tick(first_tick))
            }
            Body::Seal(_) => "the seal".to_owned(),
        }
    }

    /// Whether the record, being as it was written, also means something.
    fn readable(&self) -> Result<(), String> {
        let text = |bytes| std::str::from_utf8(bytes).map_err(|error| error.to_string());
        match self.body {
            Body::Head(json) => {
                serde_json::from_slice::<RunHead>(json).map(drop).map_err(|error| error.to_string())
            }
            Body::Entry { kind, body } => entry(text(kind)?, text(body)?).map(drop),
            Body::Chunk(Chunk { channel, count, codec, blob, .. }) => {
                let name = text(channel)?;
                if !Channel::ALL.iter().any(|channel| channel.name() == name) {
                    return Err(format!("\"{name}\" is no column known here"));
                }
                codec::decode(codec, count, blob).map(drop)
            }
            Body::Seal(json) => {
                serde_json::from_slice::<Seal<'_>>(json).map(drop).map_err(|error| error.to_string())
            }
        }
    }
}
