//! The screens: a choice, the bench, the findings.
//!
//! The session, the keys and the drawing have threads of their own, and nobody waits for them before the end: the
//! screen shows the latest view. The lease lives only while the screen draws: each frame that stands there says that
//! the operator's side is alive. Keys and drawing are pure and tested without a terminal (`app`, `draw`, `keys`).

mod app;
mod draw;
mod input;
mod keys;
mod screen;
mod session;
mod trace;

use crate::aside::{self, TAKES_NONE_MAX};
use crate::cli::{BenchArgs, StoreArgs};
use crate::clock::Stopwatch;
use crate::failure::{Failure, INTERNAL};
use crate::print::errln;
use crate::{fall, run};
use app::{App, Wish};
use input::Keys;
use screen::Screen;
use session::Session;
use signal_hook::consts::{SIGHUP, SIGINT, SIGQUIT, SIGTERM, SIGTSTP};
use std::io::IsTerminal;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use stepwell_session::engine::Operator;
use tracing_subscriber::filter::LevelFilter;

/// One frame lasts this long at most.
const FRAME: Duration = Duration::from_millis(50);

/// Exit code of a program whose terminal is gone, or that somebody ended.
const ENDED: u8 = 130;

/// Opens the screens and returns when the operator leaves.
pub(crate) fn screens(procedure: &str, bench: &BenchArgs, store: &StoreArgs) -> Result<u8, Failure> {
    // Everything wrong with what was typed is said before the screen is taken.
    run::plan(procedure, bench)?;
    let listening = |error| Failure::Internal(format!("listening for who ends the program: {error}"));
    let asked = FromOutside::default();
    for signal in [SIGTERM, SIGHUP, SIGINT, SIGQUIT] {
        signal_hook::flag::register(signal, Arc::clone(&asked.ended)).map_err(listening)?;
    }
    signal_hook::flag::register(SIGTSTP, Arc::clone(&asked.asleep)).map_err(listening)?;
    // A terminal that takes no words must not hold up those who say some.
    aside::begin().map_err(|error| Failure::Internal(format!("printing: {error}")))?;
    if LevelFilter::current() != LevelFilter::OFF && std::io::stderr().is_terminal() {
        let why = "the log that STEPWELL_LOG asks for would be written over them";
        return Err(Failure::Usage(format!("opening the screens: {why}; send it into a file with 2> FILE")));
    }
    let mut app = App::new(procedure, bench);
    let mut session = None;
    let watch = Stopwatch::start();
    let mut screen = Screen::take(watch).map_err(|error| {
        Failure::Usage(format!(
            "opening the screens: {error}; use a terminal, or `stepwell run` without screens"
        ))
    })?;
    fall::note_only();
    let serving = || serve(&mut screen, &mut app, bench, store, &asked, watch, &mut session);
    let done = catch_unwind(AssertUnwindSafe(serving)).ok();
    if let Some(session) = &mut session {
        // Before anything is done about a terminal that may be gone or stuck.
        if done == Some(ENDED) && fall::fallen().is_none() {
            session.program_ended();
        }
        session.leave();
    }
    // Words on a drawn screen would go with it.
    let running = app.place == app::Place::Running;
    let given_back = screen.give_back(TAKES_NONE_MAX);
    fall::note_and_print();
    if given_back && running {
        errln!("stepwell: stopping the bench and sealing the run");
    }
    let kept = session.map(Session::end);
    if let Some(kept) = kept.filter(|_| running)
        && screen.give_back(Duration::ZERO)
    {
        errln!("stepwell: {}", kept.line().unwrap_or_else(|| run::given_up(kept.number)));
    }
    Ok(done.unwrap_or(INTERNAL))
}

/// What somebody outside has asked of the program.
#[derive(Debug, Default)]
struct FromOutside {
    /// To end.
    ended: Arc<AtomicBool>,
    /// To go to sleep; it stops the bench and stays awake.
    asleep: Arc<AtomicBool>,
}

/// Takes keys and hands over frames until the operator leaves, the terminal is gone, or somebody ends the program.
/// Returns the exit code; what still runs in `session` goes on.
fn serve(
    screen: &mut Screen,
    app: &mut App,
    bench: &BenchArgs,
    store: &StoreArgs,
    asked: &FromOutside,
    watch: Stopwatch,
    session: &mut Option<Session>,
) -> u8 {
    let keys = Keys::listen(watch);
    let mut lost = false;
    while !asked.ended.load(Ordering::Relaxed) && fall::fallen().is_none() {
        let (Ok(size), Ok(frame)) = (crossterm::terminal::size(), screen.stands()) else { return ENDED };
        // The size first: what was drawn in another one has not been seen as it is now.
        app.at(watch.elapsed(), size);
        if let Some(frame) = frame {
            app.stands(frame);
        }
        let asleep = asked.asleep.swap(false, Ordering::Relaxed);
        let was_lost = std::mem::replace(&mut lost, screen.is_lost());
        if lost != was_lost {
            app.looks_otherwise();
        }
        if let Some(session) = session {
            if asleep {
                session.stop();
                app.stopped();
            } else if lost && !was_lost {
                session.unseen();
                app.stopped_unseen();
            }
            if frame.is_some() {
                session.alive();
            }
            app.show(session.view());
            if session.ended() {
                app.session_ended();
            }
            if app.place != app::Place::Choosing {
                app.kept = session.kept();
            }
        }
        screen.show(app);
        let Some(pressed) = keys.within(FRAME) else { return ENDED };
        for (at, key) in pressed {
            app.at(at, app.size);
            match app.key(key) {
                Some(Wish::Start) if session.as_ref().is_some_and(|before| !before.is_over()) => {
                    app.complain(
                        "the run before is still being sealed: wait a moment, then start".to_owned(),
                    );
                }
                Some(Wish::Start) => {
                    *session = None;
                    let (procedure, bench) = app.chosen(bench);
                    let started = run::plan(&procedure, &bench)
                        .and_then(|plan| Ok((Session::start(plan.clone(), &bench, store)?, plan)));
                    match started {
                        Ok((started, plan)) => {
                            app.started(&plan);
                            *session = Some(started);
                        }
                        Err(failure) => app.complain(failure.to_string()),
                    }
                }
                Some(Wish::Say(said)) => {
                    if let Some(session) = session {
                        if said == Operator::Stop { session.stop() } else { session.say(said) }
                    }
                }
                Some(Wish::Leave) => return app.exit_code(),
                None => {}
            }
        }
    }
    ENDED
}
