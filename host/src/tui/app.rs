//! What the screens hold, and what keys do to it. No terminal, no clock, no session.

use super::keys::{self, Key};
use super::trace::Trace;
use crate::cli::BenchArgs;
use crate::failure::Failure;
use crate::library;
use crossterm::event::{KeyEvent, KeyModifiers};
use stepwell_session::engine::{Operator, View};

/// A question must have been on the screen for so many views before it is answered: half a second.
const PROMPT_VIEWS_MIN: u32 = 10;

/// What the operator wants done outside.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Wish {
    /// Start what is chosen.
    Start,
    /// Say this to the session.
    Say(Operator),
    /// Leave.
    Leave,
}

/// Where the operator is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Place {
    /// Choosing procedure and pump.
    Choosing,
    /// A run is under way.
    Running,
    /// A run is over; its findings are shown.
    Over,
}

/// The screens' state.
#[derive(Debug)]
pub(super) struct App {
    pub(super) place: Place,
    pub(super) procedures: Vec<String>,
    pub(super) procedure: usize,
    pub(super) pumps: Vec<String>,
    pub(super) pump: usize,
    pub(super) simulated: bool,
    pub(super) help: bool,
    pub(super) view: Option<View>,
    pub(super) trace: Trace,
    pub(super) scroll: u16,
    /// Views since the question changed: a key pressed for the last one does not answer the next.
    prompt_views: u32,
    /// Something the operator must know: why a start failed, how the run is kept.
    pub(super) note: Option<String>,
}

impl App {
    pub(super) fn new(procedure: &str, bench: &BenchArgs) -> App {
        let (procedures, pumps) = library::shipped();
        let with = |shipped: Vec<&str>, asked: &str| {
            let mut all: Vec<String> = shipped.into_iter().map(str::to_owned).collect();
            if !all.iter().any(|name| name == asked) {
                all.push(asked.to_owned());
            }
            let at = all.iter().position(|name| name == asked).unwrap_or(0);
            (all, at)
        };
        let (procedures, procedure) = with(procedures, procedure);
        let (pumps, pump) = with(pumps, &bench.pump);
        App {
            place: Place::Choosing,
            procedures,
            procedure,
            pumps,
            pump,
            simulated: bench.port.is_none(),
            help: false,
            view: None,
            trace: Trace::default(),
            scroll: 0,
            prompt_views: 0,
            note: None,
        }
    }

    /// What is chosen, on the bench that was named.
    pub(super) fn asked(&self, bench: &BenchArgs) -> (String, BenchArgs) {
        let pump = self.pumps[self.pump].clone();
        (self.procedures[self.procedure].clone(), BenchArgs { pump, ..bench.clone() })
    }

    pub(super) fn started(&mut self) {
        self.place = Place::Running;
        self.view = None;
        self.trace = Trace::default();
        self.scroll = 0;
        self.note = None;
    }

    pub(super) fn complain(&mut self, why: String) {
        self.note = Some(why);
    }

    pub(super) fn recorded(&mut self, note: Option<String>) {
        if note.is_some() {
            self.note = note;
        }
    }

    /// Takes the latest view.
    pub(super) fn show(&mut self, view: Option<View>) {
        if self.place == Place::Choosing {
            return;
        }
        let Some(view) = view else { return };
        let number = |view: &View| view.prompt.as_ref().map(|prompt| prompt.number);
        let same = self.view.as_ref().and_then(number) == number(&view);
        self.prompt_views = if same { self.prompt_views.saturating_add(1) } else { 0 };
        if self.place == Place::Running {
            self.trace.add(view.live);
        }
        if let Some(board) = &view.board {
            self.simulated = board.simulated;
        }
        if view.outcome.is_some() || view.lost.is_some() {
            self.place = Place::Over;
        }
        self.view = Some(view);
    }

    /// Exit code on leaving: that of the latest run.
    pub(super) fn exit_code(&self) -> u8 {
        let Some(view) = &self.view else { return 0 };
        match &view.outcome {
            Some(outcome) => outcome.exit_code(),
            None => Failure::Link(String::new()).exit_code(),
        }
    }

    /// A key was pressed.
    pub(super) fn key(&mut self, key: KeyEvent) -> Option<Wish> {
        let ctrl = key.modifiers.contains(KeyModifiers::CONTROL);
        let key = keys::meaning(key)?;
        if key == Key::Stop {
            self.help = false;
            // With nothing under way Ctrl-C leaves, as everywhere.
            let leaves = ctrl && self.place != Place::Running;
            return Some(if leaves { Wish::Leave } else { Wish::Say(Operator::Stop) });
        }
        if key == Key::Help {
            self.help = !self.help;
            return None;
        }
        if std::mem::take(&mut self.help) {
            return None;
        }
        match (self.place, key) {
            (Place::Choosing | Place::Over, Key::Leave) => return Some(Wish::Leave),
            (Place::Running, Key::Leave) => {
                self.note = Some("A run is under way: Space stops it, then q leaves.".to_owned());
            }
            (Place::Choosing, Key::Yes) => return Some(Wish::Start),
            (Place::Choosing, Key::Up) => self.procedure = self.procedure.saturating_sub(1),
            (Place::Choosing, Key::Down) => {
                self.procedure = (self.procedure + 1).min(self.procedures.len() - 1);
            }
            (Place::Choosing, Key::Other) => self.pump = (self.pump + 1) % self.pumps.len(),
            (Place::Running, Key::Yes | Key::No) => {
                if self.prompt_views < PROMPT_VIEWS_MIN {
                    return None;
                }
                let prompt = self.view.as_ref()?.prompt.as_ref()?.number;
                return Some(Wish::Say(Operator::Answer { prompt, yes: key == Key::Yes }));
            }
            (Place::Over, Key::Yes) => {
                self.place = Place::Choosing;
                self.note = None;
            }
            (Place::Running | Place::Over, Key::Up) => self.scroll = self.scroll.saturating_sub(1),
            (Place::Running | Place::Over, Key::Down) => self.scroll = self.scroll.saturating_add(1),
            _ => {}
        }
        None
    }
}
