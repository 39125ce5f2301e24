//! The screens: a choice, the bench, the findings.
//!
//! The session runs on its own thread and never waits for the screen; the screen shows the latest
//! view. The lease lives only while the screen draws: each frame says that the operator's side is
//! alive. Keys and drawing are pure and tested without a terminal (`app`, `draw`).

mod app;
mod draw;
mod keys;
mod session;
mod trace;

use crate::cli::{BenchArgs, StoreArgs};
use crate::failure::Failure;
use app::{App, Wish};
use crossterm::event::{self, Event, KeyEventKind};
use session::Session;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// One frame lasts this long at most.
const FRAME: Duration = Duration::from_millis(50);

/// Opens the screens and returns when the operator leaves.
pub(crate) fn screens(procedure: &str, bench: &BenchArgs, store: &StoreArgs) -> Result<u8, Failure> {
    // Everything wrong with what was typed is said before the screen is taken.
    crate::run::plan(procedure, bench)?;
    let mut app = App::new(procedure, bench);
    let ended = Arc::new(AtomicBool::new(false));
    for signal in [signal_hook::consts::SIGTERM, signal_hook::consts::SIGHUP] {
        signal_hook::flag::register(signal, Arc::clone(&ended))
            .map_err(|error| Failure::Internal(format!("listening for the end of the terminal: {error}")))?;
    }
    let mut terminal = ratatui::try_init().map_err(|error| {
        Failure::Usage(format!(
            "opening the screens: {error}; use a terminal, or `stepwell run` without screens"
        ))
    })?;
    let result = serve(&mut terminal, &mut app, bench, store, &ended);
    ratatui::restore();
    result
}

fn serve(
    terminal: &mut ratatui::DefaultTerminal,
    app: &mut App,
    bench: &BenchArgs,
    store: &StoreArgs,
    ended: &AtomicBool,
) -> Result<u8, Failure> {
    let broken = |error: std::io::Error| Failure::Internal(format!("drawing the screen: {error}"));
    let mut session: Option<Session> = None;
    while !ended.load(Ordering::Relaxed) {
        if let Some(session) = &mut session {
            session.alive();
            app.show(session.view());
            app.recorded(session.note());
        }
        terminal.draw(|frame| draw::screen(app, frame)).map_err(broken)?;
        if !event::poll(FRAME).map_err(broken)? {
            continue;
        }
        let Event::Key(key) = event::read().map_err(broken)? else { continue };
        if key.kind != KeyEventKind::Press {
            continue;
        }
        match app.key(key) {
            Some(Wish::Start) => match Session::start(app.asked(bench), store) {
                Ok(started) => {
                    app.started();
                    session = Some(started);
                }
                Err(failure) => app.complain(failure.to_string()),
            },
            Some(Wish::Say(said)) => {
                if let Some(session) = &session {
                    session.say(said);
                }
            }
            Some(Wish::Leave) => return Ok(app.exit_code()),
            None => {}
        }
    }
    // The terminal is gone, or somebody ended the program: leaving stops what runs.
    Ok(130)
}
