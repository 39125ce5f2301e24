//! Recording a run on a thread of its own, so that no disk holds up the bench.
//!
//! Messages queue up without a limit of their own. What can wait is bounded by the run: 28 bytes per
//! tick, 1.7 MB per minute, if nothing can be written at all. No clock is read here: the caller says
//! when to commit. Only when it says nothing for a while, as when a link is lost and somebody is asked what a
//! gauge shows, what it said last is committed all the same.

use crate::error::BUSY_WAIT_S;
use crate::pace::SILENCE_MS;
use crate::place::journal;
use crate::{NotSealed, RunWriter, Store, StoreError};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::sync::{Arc, OnceLock};
use std::thread::JoinHandle;
use std::time::Duration;
use stepwell_procedure::record::{Entry, Outcome, RunHead};
use stepwell_protocol::channel::Sample;
use stepwell_protocol::time::Tick;

/// A sealed run's number, or what became of it.
type End = Result<u64, Box<NotSealed>>;

#[derive(Debug)]
enum Message {
    Entry(Entry),
    Samples { first: Tick, first_us: Option<u64>, samples: Vec<Sample> },
    Commit,
    Seal { outcome: Outcome, link_statistics: String },
}

/// Silence after which what was taken is committed.
const SILENCE: Duration = Duration::from_millis(SILENCE_MS);

/// Commits that may be without an answer before the disk counts as stalled. With two of them a second this is as
/// long as a locked store is waited for.
const UNANSWERED_MAX: u64 = 2 * BUSY_WAIT_S;

/// A run being recorded. Dropped without [`Recorder::finish`] it commits what it has and leaves the run
/// unsealed, that is interrupted.
#[derive(Debug)]
pub struct Recorder {
    path: PathBuf,
    /// Nothing once there is nothing more to send.
    messages: Option<Sender<Message>>,
    /// Returns the run's number when it was sealed, nothing when it was not asked to.
    thread: Option<JoinHandle<Option<End>>>,
    /// One word for each commit that was carried out or refused.
    answers: Receiver<()>,
    /// Commits without an answer.
    unanswered: u64,
    failed: Arc<OnceLock<StoreError>>,
}

impl Recorder {
    /// Begins a run and starts the thread that records it. Returns also the run's number. Should the store
    /// not take it to the end, the run is put into a store of its own in the folder `rescue`.
    ///
    /// # Errors
    /// As [`Store::begin`].
    ///
    /// # Panics
    /// When the system gives no thread.
    pub fn start(store: Store, head: &RunHead, rescue: &Path) -> Result<(Recorder, u64), StoreError> {
        let path = store.path().to_owned();
        let (head, rescue) = (head.clone(), rescue.to_owned());
        let failed = Arc::new(OnceLock::new());
        let (messages, inbox) = channel();
        let (answering, answers) = channel();
        let (begun, answer) = channel();
        let thread = {
            let failed = Arc::clone(&failed);
            std::thread::Builder::new()
                .name("recorder".to_owned())
                .spawn(move || record(store, &head, &rescue, &begun, &inbox, &answering, &failed))
                .expect("the system gives a thread")
        };
        let recorder =
            Recorder { path, messages: Some(messages), thread: Some(thread), answers, unanswered: 0, failed };
        match answer.recv() {
            Ok(number) => number.map(|number| (recorder, number)),
            Err(_) => Err(recorder.ended()),
        }
    }

    /// Takes an entry. Never waits.
    pub fn record(&mut self, entry: Entry) {
        self.send(Message::Entry(entry));
    }

    /// Takes samples of consecutive ticks from `first` on, as [`crate::RunWriter::samples`]. Never waits.
    pub fn samples(&mut self, first: Tick, samples: &[Sample]) {
        self.send(Message::Samples { first, first_us: None, samples: samples.to_vec() });
    }

    /// The same, with the board time of `first`, as [`crate::RunWriter::samples_at`]. Never waits.
    pub fn samples_at(&mut self, first: Tick, first_us: u64, samples: &[Sample]) {
        self.send(Message::Samples { first, first_us: Some(first_us), samples: samples.to_vec() });
    }

    /// Has everything taken so far written down durably. Never waits; call it when [`crate::Pace`] says so. A disk that
    /// leaves ten of them without an answer counts as [`StoreError::Stalled`].
    pub fn commit(&mut self) {
        self.unanswered -= self.answers.try_iter().count() as u64;
        if self.unanswered >= UNANSWERED_MAX {
            let _ = self.failed.set(StoreError::Stalled { path: self.path.clone(), waited_s: BUSY_WAIT_S });
        }
        self.unanswered += 1;
        self.send(Message::Commit);
    }

    /// Waits until every commit has its answer. For whoever is faster than any disk; with a bench that runs in
    /// real time nothing may wait.
    pub fn catch_up(&mut self) {
        while self.unanswered > 0 && self.answers.recv().is_ok() {
            self.unanswered -= 1;
        }
    }

    /// The first thing that went wrong, if anything has. What could not be written is kept and tried
    /// again with each commit, so the run may still end well; [`Recorder::finish`] says whether it did.
    #[must_use]
    pub fn failed(&self) -> Option<&StoreError> {
        self.failed.get()
    }

    /// Commits and seals the run, and waits until that is done. `link_statistics` is any JSON value.
    /// Returns the run's number.
    ///
    /// # Errors
    /// As [`crate::RunWriter::seal`], with what is missing in the store and where the run was put instead;
    /// [`StoreError::RecorderEnded`] when the recording thread fell over.
    pub fn finish(mut self, outcome: &Outcome, link_statistics: &str) -> Result<u64, Box<NotSealed>> {
        self.send(Message::Seal { outcome: outcome.clone(), link_statistics: link_statistics.to_owned() });
        self.messages = None;
        let sealed = match self.thread.take().map(JoinHandle::join) {
            Some(Ok(sealed)) => sealed,
            // A panic has been printed by itself.
            Some(Err(_)) | None => None,
        };
        sealed
            .unwrap_or_else(|| Err(Box::new(NotSealed { error: self.ended(), missing: None, rescued: None })))
    }

    fn send(&self, message: Message) {
        let sent = self.messages.as_ref().is_some_and(|messages| messages.send(message).is_ok());
        if !sent {
            // Somebody may have noted something earlier, which then is the headline.
            let _ = self.failed.set(self.ended());
        }
    }

    fn ended(&self) -> StoreError {
        StoreError::RecorderEnded { path: self.path.clone() }
    }
}

impl Drop for Recorder {
    fn drop(&mut self) {
        self.messages = None;
        if let Some(thread) = self.thread.take() {
            // Waits for the last commit. There is nobody left to tell of a panic.
            let _ = thread.join();
        }
    }
}

/// The recording thread: begins the run, takes messages until there are no more or the run is sealed.
fn record(
    mut store: Store,
    head: &RunHead,
    rescue: &Path,
    begun: &Sender<Result<u64, StoreError>>,
    inbox: &Receiver<Message>,
    answers: &Sender<()>,
    failed: &OnceLock<StoreError>,
) -> Option<End> {
    let mut writer = match store.begin(head) {
        Ok(writer) => writer,
        Err(error) => {
            // Nobody is there to hear it only when the caller's thread is gone.
            let _ = begun.send(Err(error));
            return None;
        }
    };
    let _ = begun.send(Ok(writer.number()));
    let commit = |writer: &mut RunWriter<'_>| {
        if let Err(error) = writer.commit() {
            // Only the first one is the headline.
            let _ = failed.set(error);
        }
    };
    loop {
        match inbox.recv_timeout(SILENCE) {
            Ok(Message::Entry(entry)) => writer.entry(&entry),
            Ok(Message::Samples { first, first_us: Some(first_us), samples }) => {
                writer.samples_at(first, first_us, &samples);
            }
            Ok(Message::Samples { first, first_us: None, samples }) => writer.samples(first, &samples),
            Ok(Message::Commit) => {
                commit(&mut writer);
                // The caller may be ending.
                let _ = answers.send(());
            }
            Ok(Message::Seal { outcome, link_statistics }) => {
                return Some(seal(writer, rescue, &outcome, &link_statistics));
            }
            Err(RecvTimeoutError::Timeout) => commit(&mut writer),
            Err(RecvTimeoutError::Disconnected) => {
                // The caller is gone without an outcome: keep what there is. It is noted for nobody.
                let _ = writer.commit();
                return None;
            }
        }
    }
}

/// Seals the run where it belongs, or else in the folder `rescue`.
fn seal(mut writer: RunWriter<'_>, rescue: &Path, outcome: &Outcome, link_statistics: &str) -> End {
    let Err(error) = writer.try_seal(outcome, link_statistics) else { return Ok(writer.number()) };
    let missing = Some(writer.missing());
    if matches!(error, StoreError::Unwritable { .. }) {
        // It would be no more writable elsewhere, and all else is written.
        return Err(Box::new(NotSealed { error, missing, rescued: None }));
    }
    let name = format!("stepwell-rescued-run-{}-{}.stepwell", writer.number(), std::process::id());
    let path = rescue.join(name);
    let new = !path.exists();
    let rescued = writer.rescue(&path, &error, outcome, link_statistics);
    if new && rescued.is_err() {
        // Half a run that nobody is told of. What was never made cannot be removed either.
        for file in [&path, &journal(&path)] {
            let _ = std::fs::remove_file(file);
        }
    }
    Err(Box::new(NotSealed { error, missing, rescued: Some(rescued) }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use stepwell_procedure::finding::Verdict;
    use stepwell_procedure::record::Ended;
    use stepwell_protocol::channel::{CHANNELS, Channel};

    const PASSED: Outcome = Outcome { ended: Ended::Completed, verdict: Verdict::Pass };

    /// A run of twenty seconds in a store that takes two or three of them.
    fn filled(folder: &Path, rescue: &Path) -> Box<NotSealed> {
        let store = Store::open(&folder.join("runs.stepwell")).unwrap();
        // A full disk, played by SQLite's own limit on the number of pages.
        store.connection.pragma_update_and_check(None, "max_page_count", 12, |_| Ok(())).unwrap();
        let (mut recorder, _) = Recorder::start(store, &crate::write::tests::head(), rescue).unwrap();
        for second in 0..20_u32 {
            let first = second * 1_000;
            let samples: Vec<Sample> = (first..first + 1_000)
                .map(|tick| [(tick.wrapping_mul(0x9e37_79b9) >> 16) as u16; CHANNELS])
                .collect();
            recorder.samples(Tick(first), &samples);
            recorder.commit();
            recorder.catch_up();
        }
        assert!(matches!(recorder.failed(), Some(StoreError::Full { .. })), "{:?}", recorder.failed());
        recorder.finish(&PASSED, "{}").unwrap_err()
    }

    #[test]
    fn a_run_that_fills_the_disk_is_put_elsewhere_whole() {
        let (folder, rescue) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        let not_sealed = filled(folder.path(), rescue.path());
        let kept = Store::open_to_read(&folder.path().join("runs.stepwell")).unwrap();
        let ticks = kept.samples(1, Channel::Status).unwrap().samples();
        let missing = not_sealed.missing.unwrap();
        assert_eq!((ticks + missing.ticks, missing.from), (20_000, Some(Tick(ticks as u32))));
        let rescued = not_sealed.rescued.unwrap().unwrap();
        assert_eq!(rescued.part, None);
        let store = Store::open_to_read(&rescued.path).unwrap();
        assert!(store.verify(rescued.number).unwrap().sealed);
        let column = store.samples(rescued.number, Channel::Status).unwrap();
        assert_eq!((column.pieces.len(), column.samples()), (1, 20_000));
        assert_eq!(store.run(rescued.number).unwrap().outcome, PASSED);
    }

    /// When the store cannot even be read, what was not yet in it is saved.
    #[test]
    fn a_run_whose_store_has_become_unreadable_is_put_elsewhere_in_part() {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open(&folder.path().join("runs.stepwell")).unwrap();
        let mut writer = store.begin(&crate::write::tests::head()).unwrap();
        writer.samples(Tick(0), &[[1; CHANNELS]; 500]);
        writer.commit().unwrap();
        writer.samples(Tick(500), &[[2; CHANNELS]; 300]);
        writer.store.connection.execute_batch("ALTER TABLE chunks RENAME TO hidden").unwrap();
        let why = writer.commit().unwrap_err();
        let rescued = writer.rescue(&folder.path().join("rescued"), &why, &PASSED, "{}").unwrap();
        assert!(rescued.part.is_some_and(|part| part.contains("no such table")));
        let store = Store::open_to_read(&rescued.path).unwrap();
        assert!(store.verify(1).unwrap().sealed);
        let column = store.samples(1, Channel::Status).unwrap();
        assert_eq!((column.pieces[0].first, column.samples()), (Tick(500), 300));
        assert_eq!(store.runs().unwrap()[0].ticks, 300);
        let run = store.run(1).unwrap();
        assert!(
            run.events[0].text.contains("could not be read and is not in here"),
            "{}",
            run.events[0].text
        );
    }
}
