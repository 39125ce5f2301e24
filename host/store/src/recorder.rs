//! Recording a run on a thread of its own, so that no disk holds up the bench.
//!
//! Messages queue up without a limit of their own. What can wait is bounded by the run: 28 bytes per
//! tick, 1.7 MB per minute, if nothing can be written at all. No clock is read here: the caller says
//! when to commit.

use crate::{Store, StoreError};
use std::path::PathBuf;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, OnceLock};
use std::thread::JoinHandle;
use stepwell_procedure::record::{Entry, Outcome, RunHead};
use stepwell_protocol::channel::Sample;
use stepwell_protocol::time::Tick;

#[derive(Debug)]
enum Message {
    Entry(Entry),
    Samples { first: Tick, first_us: Option<u64>, samples: Vec<Sample> },
    Commit,
    Seal { outcome: Outcome, link_statistics: String },
}

/// A run being recorded. Dropped without [`Recorder::finish`] it commits what it has and leaves the run
/// unsealed, that is interrupted.
#[derive(Debug)]
pub struct Recorder {
    path: PathBuf,
    /// Nothing once there is nothing more to send.
    messages: Option<Sender<Message>>,
    /// Returns the run's number when it was sealed, nothing when it was not asked to.
    thread: Option<JoinHandle<Option<Result<u64, StoreError>>>>,
    failed: Arc<OnceLock<StoreError>>,
}

impl Recorder {
    /// Begins a run and starts the thread that records it. Returns also the run's number.
    ///
    /// # Errors
    /// As [`Store::begin`].
    pub fn start(store: Store, head: &RunHead) -> Result<(Recorder, u64), StoreError> {
        let path = store.path().to_owned();
        let head = head.clone();
        let failed = Arc::new(OnceLock::new());
        let (messages, inbox) = channel();
        let (begun, answer) = channel();
        let thread = {
            let failed = Arc::clone(&failed);
            std::thread::spawn(move || record(store, &head, &begun, &inbox, &failed))
        };
        let recorder = Recorder { path, messages: Some(messages), thread: Some(thread), failed };
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

    /// Has everything taken so far written down durably. Never waits; call it about once per second.
    pub fn commit(&mut self) {
        self.send(Message::Commit);
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
    /// As [`crate::RunWriter::seal`]; [`StoreError::RecorderEnded`] when the recording thread fell over.
    pub fn finish(mut self, outcome: &Outcome, link_statistics: &str) -> Result<u64, StoreError> {
        self.send(Message::Seal { outcome: outcome.clone(), link_statistics: link_statistics.to_owned() });
        self.messages = None;
        let sealed = match self.thread.take().map(JoinHandle::join) {
            Some(Ok(sealed)) => sealed,
            // A panic has been printed by itself.
            Some(Err(_)) | None => None,
        };
        sealed.unwrap_or_else(|| Err(self.ended()))
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
    begun: &Sender<Result<u64, StoreError>>,
    inbox: &Receiver<Message>,
    failed: &OnceLock<StoreError>,
) -> Option<Result<u64, StoreError>> {
    let mut writer = match store.begin(head) {
        Ok(writer) => writer,
        Err(error) => {
            // Nobody is there to hear it only when the caller's thread is gone.
            let _ = begun.send(Err(error));
            return None;
        }
    };
    let _ = begun.send(Ok(writer.number()));
    for message in inbox {
        match message {
            Message::Entry(entry) => writer.entry(&entry),
            Message::Samples { first, first_us: Some(first_us), samples } => {
                writer.samples_at(first, first_us, &samples);
            }
            Message::Samples { first, first_us: None, samples } => writer.samples(first, &samples),
            Message::Commit => {
                if let Err(error) = writer.commit() {
                    // Only the first one is the headline.
                    let _ = failed.set(error);
                }
            }
            Message::Seal { outcome, link_statistics } => {
                return Some(writer.seal(&outcome, &link_statistics));
            }
        }
    }
    // The caller is gone without an outcome: keep what there is. It is noted for nobody.
    let _ = writer.commit();
    None
}
