//! The screens: a choice, the bench, the findings.
//!
//! The session runs on its own thread and never waits for the screen; the screen shows the latest
//! view. The lease lives only while the screen draws: each frame says that the operator's side is
//! alive. Keys and drawing are pure and tested without a terminal (`app`, `draw`).

mod app;
mod draw;
mod guard;
mod input;
mod keys;
mod session;
mod trace;

use crate::cli::{BenchArgs, StoreArgs};
use crate::clock::Stopwatch;
use crate::failure::{Failure, INTERNAL};
use crate::print::errln;
use crate::{fall, run};
use app::{App, Wish};
use crossterm::event::{Event, KeyEventKind};
use session::Session;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::sync::{Arc, PoisonError};
use std::time::Duration;
use stepwell_session::engine::Operator;

/// One frame lasts this long at most.
const FRAME: Duration = Duration::from_millis(50);

/// Exit code of a program whose terminal is gone, or that somebody ended.
const ENDED: u8 = 130;

/// Opens the screens and returns when the operator leaves.
pub(crate) fn screens(procedure: &str, bench: &BenchArgs, store: &StoreArgs) -> Result<u8, Failure> {
    // Everything wrong with what was typed is said before the screen is taken.
    run::plan(procedure, bench)?;
    let mut app = App::new(procedure, bench);
    let ended = Arc::new(AtomicBool::new(false));
    for signal in [signal_hook::consts::SIGTERM, signal_hook::consts::SIGHUP, signal_hook::consts::SIGINT] {
        signal_hook::flag::register(signal, Arc::clone(&ended))
            .map_err(|error| Failure::Internal(format!("listening for the end of the terminal: {error}")))?;
    }
    let asleep = Arc::new(AtomicBool::new(false));
    signal_hook::flag::register(signal_hook::consts::SIGTSTP, Arc::clone(&asleep))
        .map_err(|error| Failure::Internal(format!("listening for Ctrl-Z: {error}")))?;
    let asked = Asked { ended, asleep };
    let mut session = None;
    let done = guard::on_screen(|terminal| {
        let code = serve(terminal, &mut app, bench, store, &asked, &mut session);
        if let Some(session) = &mut session {
            // Before anything is done about a terminal that may be gone or stuck.
            if code == ENDED && fall::fallen().is_none() {
                session.program_ended();
            }
            session.leave();
        }
        code
    })
    .map_err(|error| {
        Failure::Usage(format!(
            "opening the screens: {error}; use a terminal, or `stepwell run` without screens"
        ))
    })?;
    let running = app.place == app::Place::Running;
    if running {
        errln!("stepwell: stopping the bench and sealing the run");
    }
    let kept = session.map(Session::end);
    if let Some(kept) = kept.filter(|_| running) {
        errln!("stepwell: {}", kept.line().unwrap_or_else(|| run::given_up(kept.number)));
    }
    Ok(done.unwrap_or(INTERNAL))
}

/// What somebody outside has asked of the program.
struct Asked {
    /// To end.
    ended: Arc<AtomicBool>,
    /// To go to sleep; it stops the bench and stays awake.
    asleep: Arc<AtomicBool>,
}

/// Draws and takes keys until the operator leaves, the terminal is gone, or somebody ends the program.
/// Returns the exit code; what still runs in `session` is stopped by dropping it.
fn serve(
    terminal: &mut ratatui::DefaultTerminal,
    app: &mut App,
    bench: &BenchArgs,
    store: &StoreArgs,
    asked: &Asked,
    session: &mut Option<Session>,
) -> u8 {
    let stop = input::StopLine::default();
    let events = input::listen(Arc::clone(&stop));
    let watch = Stopwatch::start();
    while !asked.ended.load(Ordering::Relaxed) && fall::fallen().is_none() {
        let Ok(size) = terminal.size() else { return ENDED };
        app.at(watch.elapsed(), (size.width, size.height));
        if let Some(session) = session {
            if asked.asleep.swap(false, Ordering::Relaxed) {
                session.say(Operator::Stop);
                session.stop_pressed();
                app.stopped();
            }
            session.alive();
            app.show(session.view());
            if session.ended() {
                app.session_ended();
            }
            if app.place != app::Place::Choosing {
                app.kept = session.kept();
            }
        }
        if terminal.draw(|frame| draw::screen(app, frame)).is_err() {
            return ENDED;
        }
        let pressed = match next_key(&events) {
            Ok(pressed) => pressed,
            Err(RecvTimeoutError::Timeout) => continue,
            Err(RecvTimeoutError::Disconnected) => return ENDED,
        };
        app.at(watch.elapsed(), app.size);
        match pressed.and_then(|key| app.key(key)) {
            Some(Wish::Start) => {
                let (procedure, bench) = app.asked(bench);
                let started = run::plan(&procedure, &bench)
                    .and_then(|plan| Ok((Session::start(plan.clone(), &bench, store)?, plan)));
                match started {
                    Ok((started, plan)) => {
                        app.started(&plan);
                        *stop.lock().unwrap_or_else(PoisonError::into_inner) = started.stop_line();
                        *session = Some(started);
                    }
                    Err(failure) => app.complain(failure.to_string()),
                }
            }
            // The reader of keys has said it, whatever was on the screen.
            Some(Wish::Say(Operator::Stop)) => {
                if let Some(session) = session {
                    session.stop_pressed();
                }
            }
            None => {}
            Some(Wish::Say(said)) => {
                if let Some(session) = session {
                    session.say(said);
                }
            }
            Some(Wish::Leave) => return app.exit_code(),
        }
    }
    ENDED
}

/// What comes from the terminal within a frame: a key that was pressed, or something else.
fn next_key(events: &Receiver<Event>) -> Result<Option<crossterm::event::KeyEvent>, RecvTimeoutError> {
    Ok(match events.recv_timeout(FRAME)? {
        Event::Key(key) if key.kind == KeyEventKind::Press => Some(key),
        _ => None,
    })
}
