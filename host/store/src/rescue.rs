//! A run that its store will not take is put into a store of its own, somewhere else.

use crate::digest::Body;
use crate::error::{StoreError, met};
use crate::verify::{RECORDS, Record};
use crate::write::{Sampled, insert_chunk, insert_entry};
use crate::{RunWriter, Store};
use rusqlite::TransactionBehavior;
use std::path::{Path, PathBuf};
use stepwell_procedure::record::{Entry, Event, EventKind, Outcome};
use stepwell_protocol::time::Tick;

/// What of a run waits in memory, not yet written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Missing {
    /// Entries.
    pub entries: usize,
    /// Ticks of samples.
    pub ticks: u64,
    /// The first of those ticks.
    pub from: Option<Tick>,
}

/// Where a run was put.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rescued {
    /// The store made for it.
    pub path: PathBuf,
    /// Its number there.
    pub number: u64,
    /// Why it is only what was still in memory, when the store could not be read either.
    pub part: Option<String>,
}

/// A run that its store did not take to the end.
#[derive(Debug)]
pub struct NotSealed {
    /// Why not.
    pub error: StoreError,
    /// What the store does not hold; nothing when that cannot be told, because the recorder has ended.
    pub missing: Option<Missing>,
    /// Where all of it was put, or why that went wrong too. Nothing when it was not tried, because the
    /// fault lies with what was to be written.
    pub rescued: Option<Result<Rescued, StoreError>>,
}

impl RunWriter<'_> {
    /// What waits for a commit.
    #[must_use]
    pub fn missing(&self) -> Missing {
        Missing {
            entries: self.entries.len(),
            ticks: self.waiting.iter().map(|piece| piece.samples.len() as u64).sum(),
            from: self.waiting.first().map(|piece| piece.first),
        }
    }

    /// Puts the run into a store at `path`, a new one unless there is one, and seals it there: what was
    /// committed, read back from its own store, and what waits. A note in it says where it comes from and `why`.
    ///
    /// # Errors
    /// When the other store cannot be written. When the run's own store cannot be read, what waits is
    /// written alone, and [`Rescued::part`] says so.
    pub fn rescue(
        self,
        path: &Path,
        why: &StoreError,
        outcome: &Outcome,
        link_statistics: &str,
    ) -> Result<Rescued, StoreError> {
        let mut store = Store::open(path)?;
        let mut copy = store.begin(&self.head)?;
        let part = copy.take_committed_of(&self)?.map(|error| error.to_string());
        copy.sampled = match part {
            None => self.sampled,
            Some(_) => self.sampled.zip(self.missing().from).map(|(sampled, from)| Sampled {
                first: from.0,
                ticks: self.missing().ticks,
                ..sampled
            }),
        };
        let number = self.number;
        let origin = self.store.path().display();
        let rest = match &part {
            None => String::new(),
            Some(found) => {
                format!("; what was committed there could not be read and is not in here: {found}")
            }
        };
        let text = format!("rescued from run {number} of {origin}, which could not be written: {why}{rest}");
        let at = Tick(self.sampled.map_or(0, |sampled| sampled.last));
        copy.entries = self.entries;
        copy.waiting = self.waiting;
        copy.entry(&Entry::Event(Event::new(at, EventKind::Operator, text)));
        let number = copy.seal(outcome, link_statistics)?;
        Ok(Rescued { path: path.to_owned(), number, part })
    }

    /// Copies what `from` has committed, behind this run's head, in one transaction. What cannot be read is no
    /// error of this store: then nothing is copied, and it is returned why.
    fn take_committed_of(&mut self, from: &RunWriter<'_>) -> Result<Option<StoreError>, StoreError> {
        let path = self.store.path.clone();
        let err = |error| met(&path, "copying a run")(error);
        let run = self.number.cast_signed();
        let transaction =
            self.store.connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(err)?;
        let mut chain = self.chain;
        let copied = (|| {
            let mut select = from.store.connection.prepare(RECORDS).map_err(Copying::Reading)?;
            let mut rows = select.query([from.number.cast_signed()]).map_err(Copying::Reading)?;
            while let Some(row) = rows.next().map_err(Copying::Reading)? {
                match Record::of(row).map_err(Copying::Reading)?.body {
                    Body::Entry { kind, body } => insert_entry(&transaction, run, &mut chain, kind, body),
                    Body::Chunk(chunk) => insert_chunk(&transaction, run, &mut chain, chunk),
                    // The head is there already, and sealed it will be at the end.
                    Body::Head(_) | Body::Seal(_) => Ok(()),
                }
                .map_err(Copying::Writing)?;
            }
            Ok(())
        })();
        match copied {
            Ok(()) => {
                transaction.commit().map_err(err)?;
                self.chain = chain;
                Ok(None)
            }
            // Dropped, the transaction is undone.
            Err(Copying::Reading(error)) => {
                Ok(Some(met(&from.store.path, format!("reading run {}", from.number))(error)))
            }
            Err(Copying::Writing(error)) => Err(err(error)),
        }
    }
}

/// Which of the two stores an error belongs to.
enum Copying {
    Reading(rusqlite::Error),
    Writing(rusqlite::Error),
}
