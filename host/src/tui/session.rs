//! The session behind the screens: the tokio loop and the recorder on threads of their own.

use crate::cli::{BenchArgs, StoreArgs};
use crate::failure::Failure;
use crate::mounted;
use crate::port;
use crate::recorded::{Kept, Recorded, Stopper};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use stepwell_procedure::run::{Plan, Run};
use stepwell_session::engine::{Engine, Operator, Output, View};
use stepwell_session::serve;
use stepwell_session::time::HostTime;
use tokio::sync::{mpsc, watch};

/// A run under way behind the screens.
#[derive(Debug)]
pub(super) struct Session {
    said: Option<mpsc::Sender<Operator>>,
    thread: Option<std::thread::JoinHandle<()>>,
    views: Views,
    kept: Arc<Mutex<Kept>>,
    /// Who was the first to stop it, nobody else if it was the operator.
    stopped_by: Arc<OnceLock<Option<Stopper>>>,
}

/// Words from the operator that may wait; the loop takes them within microseconds.
const SAID_WAITING_MAX: usize = 64;

impl Session {
    /// Starts `plan`. A run that cannot be kept, or a port that cannot be opened, is not begun.
    pub(super) fn start(plan: Plan, bench: &BenchArgs, store: &StoreArgs) -> Result<Session, Failure> {
        let simulation = bench.port.is_none().then(|| mounted::describe(&bench.model));
        let setup = mounted::setup(&plan.pump, &bench.model)?;
        let recorded = Recorded::open(store, &plan, simulation, "at the screens", true)?;
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(2)
            .enable_all()
            .build()
            .map_err(|error| Failure::Internal(format!("starting the session: {error}")))?;
        let engine = Engine::new(Run::new(plan), rand::random(), HostTime(0));
        let (said, operator) = mpsc::channel(SAID_WAITING_MAX);
        let (outputs, done) = mpsc::unbounded_channel();
        let (view, views) = watch::channel(None);
        let kept = Arc::new(Mutex::new(Kept::default()));
        let told = Arc::clone(&kept);
        let stopped_by = Arc::new(OnceLock::new());
        let first = Arc::clone(&stopped_by);
        let port = match &bench.port {
            Some(path) => {
                let _inside = runtime.enter();
                Some(port::open(path).map_err(Failure::Link)?)
            }
            None => None,
        };
        // The recorder is nobody who could answer: it must not keep the operator's side alive.
        let stopper = said.downgrade();
        let path = bench.port.clone();
        let thread = std::thread::Builder::new().name("session".to_owned()).spawn(move || {
            // Whatever becomes of the session, the recorder is waited for: it ends with its last output.
            std::thread::scope(|scope| {
                scope.spawn(|| write_down(recorded, done, &told, &stopper, &first));
                runtime.block_on(async {
                    if let Some(port) = port {
                        let again = move || path.as_deref().and_then(|path| port::open(path).ok());
                        serve::serve(engine, port, again, operator, outputs, view).await
                    } else {
                        let port = crate::serve::built_in_port(&setup);
                        serve::serve(engine, port, || None, operator, outputs, view).await
                    }
                });
            });
        });
        let thread = thread.map_err(|error| Failure::Internal(format!("starting the session: {error}")))?;
        Ok(Session { said: Some(said), thread: Some(thread), views: Views::new(views), kept, stopped_by })
    }

    /// The operator's side is alive: a frame has come to stand on the screen.
    pub(super) fn alive(&self) {
        self.say(Operator::Alive);
    }

    /// Says something to the session. One that has ended has nothing to hear. Half of the queue's places are left for
    /// answers and stops, and of them half for stops: one that finds no place has others before it.
    pub(super) fn say(&self, said: Operator) {
        let left_free = match said {
            Operator::Alive => SAID_WAITING_MAX / 2,
            Operator::Stop => 0,
            _ => SAID_WAITING_MAX / 4,
        };
        if let Some(queue) = self.said.as_ref().filter(|queue| queue.capacity() > left_free) {
            let _ = queue.try_send(said);
        }
    }

    /// The latest view, once.
    pub(super) fn view(&mut self) -> Option<View> {
        self.views.next()
    }

    /// Whether the session has ended and its last view was taken.
    pub(super) fn ended(&self) -> bool {
        self.views.ended
    }

    /// Whether its run is sealed, or given up.
    pub(super) fn is_over(&self) -> bool {
        self.thread.as_ref().is_none_or(std::thread::JoinHandle::is_finished)
    }

    /// How the run is kept, as far as that is known.
    pub(super) fn kept(&self) -> Kept {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// The operator stops what is under way.
    pub(super) fn stop(&self) {
        let _ = self.stopped_by.set(None);
        self.say(Operator::Stop);
    }

    /// Nobody can see the screens any more: what is under way is stopped, and the record says by whom.
    pub(super) fn unseen(&self) {
        let _ = self.stopped_by.set(Some(Stopper::Unseen));
        self.say(Operator::Stop);
    }

    /// The program was ended from outside, or its terminal is gone: if this stops a run, the record says so.
    pub(super) fn program_ended(&self) {
        let _ = self.stopped_by.set(Some(Stopper::Ending));
    }

    /// Nobody is left to answer: what runs is stopped.
    pub(super) fn leave(&mut self) {
        self.said = None;
    }

    /// Leaves, waits until the run is sealed, or given up, and returns how it is kept.
    pub(super) fn end(mut self) -> Kept {
        self.wait();
        self.kept()
    }

    fn wait(&mut self) {
        self.leave();
        if let Some(thread) = self.thread.take() {
            // A panic there has been noted.
            let _ = thread.join();
        }
    }
}

impl Drop for Session {
    /// Leaving, however it comes about, stops what runs and waits until the run is sealed.
    fn drop(&mut self) {
        self.wait();
    }
}

/// The session's views, each once, and the last one even when its sender has gone before it was seen.
#[derive(Debug)]
struct Views {
    from: watch::Receiver<Option<View>>,
    ended: bool,
}

impl Views {
    fn new(from: watch::Receiver<Option<View>>) -> Views {
        Views { from, ended: false }
    }

    fn next(&mut self) -> Option<View> {
        let new = match self.from.has_changed() {
            Ok(new) => new,
            // Gone; what it left behind may not have been seen.
            Err(_) => !std::mem::replace(&mut self.ended, true),
        };
        new.then(|| self.from.borrow_and_update().clone()).flatten()
    }
}

fn write_down(
    mut recorded: Recorded,
    mut done: mpsc::UnboundedReceiver<Output>,
    told: &Mutex<Kept>,
    stopper: &mpsc::WeakSender<Operator>,
    stopped_by: &OnceLock<Option<Stopper>>,
) {
    while let Some(output) = done.blocking_recv() {
        if let Some(Some(stopper)) = stopped_by.get() {
            recorded.stopped_by(*stopper);
        }
        recorded.output(&output);
        if recorded.must_stop()
            && let Some(operator) = stopper.upgrade()
        {
            let _ = operator.blocking_send(Operator::Stop);
        }
        if !matches!(output, Output::Samples { .. }) || recorded.failed().is_some() {
            *told.lock().unwrap_or_else(PoisonError::into_inner) = recorded.kept();
        }
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::Views;
    use stepwell_procedure::run::Progress;
    use stepwell_session::engine::{Live, View};
    use tokio::sync::watch;

    /// A view of a run that has not begun.
    pub(in crate::tui) fn view(age_ms: u64) -> View {
        let progress = Progress {
            part: None,
            step: 0,
            steps: 0,
            name: String::new(),
            title: String::new(),
            activity: String::new(),
            round_ms: (0, 0),
        };
        View {
            board: None,
            status: None,
            age_ms,
            live: Live::default(),
            progress,
            prompt: None,
            findings: vec![],
            outcome: None,
            lost: None,
        }
    }

    #[test]
    fn the_last_view_is_seen_although_the_session_has_ended_before() {
        let (session, views) = watch::channel(None);
        let mut views = Views::new(views);
        session.send(Some(view(1))).unwrap();
        assert_eq!(views.next().map(|view| view.age_ms), Some(1));
        assert!(views.next().is_none(), "each view once");
        session.send(Some(view(2))).unwrap();
        drop(session);
        assert_eq!(views.next().map(|view| view.age_ms), Some(2));
        assert!(views.next().is_none(), "and no more after it");
    }
}
