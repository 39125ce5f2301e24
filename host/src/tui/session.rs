//! The session behind the screens: the tokio loop and the recorder on threads of their own.

use crate::cli::{BenchArgs, StoreArgs};
use crate::failure::Failure;
use crate::recorded::{self, Recorded};
use crate::{mounted, run, verbs};
use std::sync::{Arc, Mutex, PoisonError};
use stepwell_procedure::run::Run;
use stepwell_session::engine::{Engine, Operator, View};
use stepwell_session::serve;
use stepwell_session::time::HostTime;
use tokio::sync::{mpsc, watch};

/// A run under way behind the screens.
pub(super) struct Session {
    said: Option<mpsc::Sender<Operator>>,
    thread: Option<std::thread::JoinHandle<()>>,
    views: watch::Receiver<Option<View>>,
    note: Arc<Mutex<Option<String>>>,
}

/// Words from the operator that may wait; the loop takes them within microseconds.
const SAID_WAITING_MAX: usize = 64;

impl Session {
    /// Starts what was asked. A run that cannot be kept, or a port that cannot be opened, is not begun.
    pub(super) fn start(
        (procedure, bench): (String, BenchArgs),
        store: &StoreArgs,
    ) -> Result<Session, Failure> {
        let plan = run::plan(&procedure, &bench)?;
        let simulation = bench.port.is_none().then(|| mounted::describe(&bench.model));
        let setup = mounted::setup(&plan.pump, &bench.model)?;
        let recorded = Recorded::open(&recorded::store_path(store.store.as_ref())?, &plan, simulation)?;
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(2)
            .enable_all()
            .build()
            .map_err(|error| Failure::Internal(format!("starting the session: {error}")))?;
        let engine = Engine::new(Run::new(plan), rand::random(), HostTime(0));
        let (said, operator) = mpsc::channel(SAID_WAITING_MAX);
        let (outputs, done) = mpsc::unbounded_channel();
        let (view, views) = watch::channel(None);
        let note = Arc::new(Mutex::new(None));
        let told = Arc::clone(&note);
        let port = match &bench.port {
            Some(path) => {
                let _inside = runtime.enter();
                Some(serve::open(path).map_err(Failure::Link)?)
            }
            None => None,
        };
        let stopper = said.clone();
        let thread = std::thread::spawn(move || {
            let recording = std::thread::spawn(move || write_down(recorded, done, &told, &stopper));
            runtime.block_on(async {
                match port {
                    Some(port) => serve::serve(engine, port, operator, outputs, view).await,
                    None => serve::serve(engine, verbs::built_in_port(&setup), operator, outputs, view).await,
                }
            });
            // The recorder ends with its last output; a panic there has left its note.
            let _ = recording.join();
        });
        Ok(Session { said: Some(said), thread: Some(thread), views, note })
    }

    /// The operator's side is alive: the screen draws. A place in the queue is always left for words
    /// that matter.
    pub(super) fn alive(&self) {
        if self.said.as_ref().is_some_and(|said| said.capacity() > SAID_WAITING_MAX / 2) {
            self.say(Operator::Alive);
        }
    }

    /// Says something to the session. One that has ended has nothing to hear.
    pub(super) fn say(&self, said: Operator) {
        if let Some(queue) = &self.said {
            let _ = queue.try_send(said);
        }
    }

    /// The latest view, once.
    pub(super) fn view(&mut self) -> Option<View> {
        if !self.views.has_changed().unwrap_or(false) {
            return None;
        }
        self.views.borrow_and_update().clone()
    }

    /// How the run is kept, once that is known.
    pub(super) fn note(&self) -> Option<String> {
        self.note.lock().unwrap_or_else(PoisonError::into_inner).take()
    }
}

impl Drop for Session {
    /// Leaving, however it comes about, stops what runs and waits until the run is sealed.
    fn drop(&mut self) {
        self.say(Operator::Stop);
        self.said = None;
        if let Some(thread) = self.thread.take() {
            // A panic there has been printed by itself.
            let _ = thread.join();
        }
    }
}

fn write_down(
    mut recorded: Recorded,
    mut done: mpsc::UnboundedReceiver<stepwell_session::engine::Output>,
    told: &Mutex<Option<String>>,
    stopper: &mpsc::Sender<Operator>,
) {
    let tell = |what: String| *told.lock().unwrap_or_else(PoisonError::into_inner) = Some(what);
    while let Some(output) = done.blocking_recv() {
        recorded.output(&output);
        if recorded.must_stop() {
            tell("The run cannot be written down and is being stopped.".to_owned());
            let _ = stopper.blocking_send(Operator::Stop);
        }
    }
    match (recorded.failed(), recorded.number()) {
        (Some(why), _) => tell(format!("The run could not be written down: {why}")),
        (None, Some(number)) => tell(format!("Kept as run {number}.")),
        (None, None) => {}
    }
}
