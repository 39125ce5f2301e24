//! What the screens hold, and what keys do to it. No terminal, no clock, no session.

use super::draw;
use super::keys::Key;
use super::screen::Frame;
use super::trace::Trace;
use crate::cli::BenchArgs;
use crate::deliberate::{SHOWN_MIN, Strokes, TOO_SOON};
use crate::failure::{Failure, INTERNAL};
use crate::recorded::Kept;
use crate::{library, run};
use std::time::Duration;
use stepwell_procedure::run::{Plan, Prompt};
use stepwell_protocol::state::Status;
use stepwell_session::engine::{Live, Operator, STALE_MS, View};

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
#[derive(Clone, Debug)]
pub(super) struct App {
    pub(super) place: Place,
    pub(super) procedures: Vec<String>,
    pub(super) procedure: usize,
    pub(super) pumps: Vec<String>,
    pub(super) pump: usize,
    /// The pump's own number.
    pub(super) pump_id: String,
    /// Whether the pump of the run has a pressure valve.
    pub(super) pressure_valve: bool,
    pub(super) simulated: bool,
    pub(super) help: bool,
    pub(super) view: Option<View>,
    pub(super) trace: Trace,
    /// Lines that have been scrolled away above: of the dialog when there is one, else of the findings.
    pub(super) scroll: u16,
    /// How the run is kept.
    pub(super) kept: Kept,
    /// Something the operator must know: why a start failed, why a key did nothing.
    pub(super) note: Option<String>,
    /// Why the latest key was no answer.
    pub(super) hint: Option<&'static str>,
    /// Columns and rows of the terminal.
    pub(super) size: (u16, u16),
    now: Duration,
    /// When the latest view came.
    viewed: Duration,
    /// The number of what asks now, as it looks now.
    asking: u64,
    /// Since when it stands on the screen.
    shown: Option<Duration>,
    /// Since when its end does.
    end_shown: Option<Duration>,
    /// Strokes of the keys that say yes.
    strokes: Strokes,
    /// Strokes of the key that says no: a no soon after a yes counts.
    noes: Strokes,
}

const UNDER_WAY: &str = "A run is under way: Space stops it, then q leaves.";
const STOPPED: &str = "Stopped by the operator: no more than the tear-down follows, then q leaves.";
const UNSEEN: &str =
    "Stopped: the terminal was taken away. No more than the tear-down follows, then q leaves.";
const READ_ON: &str = "Read to the end first, with Down.";
const NO_CONSENT: &str = "Enter is no consent to a caution: press y for yes, n for no.";

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
            pump_id: bench.id.as_deref().map_or(run::DEMO_ID, str::trim).to_owned(),
            pressure_valve: true,
            simulated: bench.port.is_none(),
            help: false,
            view: None,
            trace: Trace::default(),
            scroll: 0,
            kept: Kept::default(),
            note: None,
            hint: None,
            size: (80, 24),
            now: Duration::ZERO,
            viewed: Duration::ZERO,
            asking: 0,
            shown: None,
            end_shown: None,
            strokes: Strokes::default(),
            noes: Strokes::default(),
        }
    }

    /// What is chosen, on the bench that was named.
    pub(super) fn chosen(&self, bench: &BenchArgs) -> (String, BenchArgs) {
        let pump = self.pumps[self.pump].clone();
        (self.procedures[self.procedure].clone(), BenchArgs { pump, ..bench.clone() })
    }

    /// A run of `plan` has begun.
    pub(super) fn started(&mut self, plan: &Plan) {
        self.pressure_valve = plan.pump.pressure_valve.is_some();
        self.view = None;
        self.trace = Trace::default();
        self.kept = Kept::default();
        self.note = None;
        self.viewed = self.now;
        self.go(Place::Running);
    }

    pub(super) fn complain(&mut self, why: String) {
        self.note = Some(why);
    }

    /// The operator has stopped what is under way.
    pub(super) fn stopped(&mut self) {
        self.note_of_a_stop(STOPPED);
    }

    /// Nobody could see the screens for a while, which stops a run.
    pub(super) fn stopped_unseen(&mut self) {
        self.note_of_a_stop(UNSEEN);
    }

    fn note_of_a_stop(&mut self, note: &str) {
        if self.place == Place::Running {
            self.note = Some(note.to_owned());
        }
    }

    /// It is `now`, and the terminal has this size. A key that came before the latest frame may take it back a little.
    pub(super) fn at(&mut self, now: Duration, size: (u16, u16)) {
        if self.size != size {
            self.size = size;
            self.looks_otherwise();
            self.scroll = self.scroll.min(draw::last(self));
        }
        self.now = now;
    }

    /// Takes the latest view.
    pub(super) fn show(&mut self, view: Option<View>) {
        if self.place == Place::Choosing {
            return;
        }
        let Some(view) = view else { return };
        let number = |view: &View| view.prompt.as_ref().map(|prompt| prompt.number);
        if self.view.as_ref().and_then(number) != number(&view) {
            self.ask_anew();
        }
        if self.place == Place::Running {
            self.trace.add(view.live);
        }
        if let Some(board) = &view.board {
            self.simulated = board.simulated;
        }
        if self.place == Place::Running && view.outcome.is_some() {
            self.note = None;
            self.go(Place::Over);
        }
        self.viewed = self.now;
        self.view = Some(view);
    }

    /// The session has ended and its last view has been shown.
    pub(super) fn session_ended(&mut self) {
        if self.place == Place::Running {
            // A board that would not talk to us has said why.
            let said = self.view.as_ref().is_some_and(|view| view.lost.is_some());
            self.note = (!said)
                .then(|| "The session ended by itself: a fault of this program. Report it.".to_owned());
            self.go(Place::Over);
        }
    }

    fn go(&mut self, place: Place) {
        self.place = place;
        self.ask_anew();
    }

    /// Something else asks now.
    fn ask_anew(&mut self) {
        self.looks_otherwise();
        self.scroll = 0;
    }

    /// Nobody has seen yet what asks now, as it looks now.
    pub(super) fn looks_otherwise(&mut self) {
        self.asking += 1;
        self.shown = None;
        self.end_shown = None;
        self.hint = None;
    }

    /// What is to be seen when this is drawn, at `at`.
    pub(super) fn frame(&self, at: Duration) -> Frame {
        Frame { asking: self.asking, to_the_end: self.scroll >= draw::last(self), at }
    }

    /// Takes note of what stands on the screen.
    pub(super) fn stands(&mut self, frame: Frame) {
        if frame.asking == self.asking {
            self.shown.get_or_insert(frame.at);
            if frame.to_the_end {
                self.end_shown.get_or_insert(frame.at);
            } else {
                // What was there for a glance only has not been read.
                self.end_shown.take_if(|since| frame.at.saturating_sub(*since) < SHOWN_MIN);
            }
        }
    }

    /// Whether this has been there to see for long enough to be answered.
    fn seen(&self, since: Option<Duration>) -> bool {
        since.is_some_and(|since| self.now.saturating_sub(since) >= SHOWN_MIN)
    }

    /// Time since the board was last heard, in ms.
    pub(super) fn age_ms(&self) -> Option<u64> {
        let since_view = u64::try_from((self.now.saturating_sub(self.viewed)).as_millis()).ok()?;
        Some(self.view.as_ref()?.age_ms + since_view)
    }

    /// The view, unless it is stale: what is older than it may be is shown as absent.
    fn fresh(&self) -> Option<&View> {
        let running = self.place == Place::Running;
        self.view.as_ref().filter(|_| !running || self.age_ms().is_some_and(|age_ms| age_ms <= STALE_MS))
    }

    /// The latest status, unless it is stale.
    pub(super) fn status(&self) -> Option<Status> {
        self.fresh()?.status
    }

    /// Live values, unless they are stale.
    pub(super) fn live(&self) -> Live {
        self.fresh().map(|view| view.live).unwrap_or_default()
    }

    /// The question that waits for an answer.
    pub(super) fn prompt(&self) -> Option<&Prompt> {
        self.view.as_ref().filter(|_| self.place == Place::Running)?.prompt.as_ref()
    }

    /// Whether the terminal is too small to work with.
    pub(super) fn too_small(&self) -> bool {
        self.size.0 < draw::SMALLEST.0 || self.size.1 < draw::SMALLEST.1
    }

    /// Exit code on leaving: that of the latest run.
    pub(super) fn exit_code(&self) -> u8 {
        let Some(view) = &self.view else { return 0 };
        match &view.outcome {
            _ if self.kept.failed.is_some() => INTERNAL,
            Some(outcome) => outcome.exit_code(),
            None => Failure::Link(String::new()).exit_code(),
        }
    }

    /// A key was pressed.
    pub(super) fn key(&mut self, key: Key) -> Option<Wish> {
        self.note.take_if(|note| note == UNDER_WAY);
        if matches!(key, Key::Stop | Key::StopOrLeave) {
            self.help = false;
            self.stopped();
            let leaves = key == Key::StopOrLeave && self.place != Place::Running;
            return Some(if leaves { Wish::Leave } else { Wish::Say(Operator::Stop) });
        }
        let held = match key {
            Key::Enter | Key::Yes => self.strokes.held(self.now),
            Key::No => self.noes.held(self.now),
            _ => false,
        };
        let meant = !held && self.seen(self.shown);
        if self.too_small() {
            let leaves = key == Key::Leave && self.place != Place::Running;
            return leaves.then_some(Wish::Leave);
        }
        if key == Key::Help || self.help && !matches!(key, Key::Up | Key::Down) {
            self.help = key == Key::Help && !self.help;
            self.ask_anew();
            return None;
        }
        match (self.place, key) {
            (_, Key::Up) if self.scrolls() => self.scroll_to(self.scroll.saturating_sub(1)),
            (_, Key::Down) if self.scrolls() => self.scroll_to((self.scroll + 1).min(draw::last(self))),
            (Place::Choosing | Place::Over, Key::Leave) => return Some(Wish::Leave),
            (Place::Running, Key::Leave) => {
                self.note.get_or_insert(UNDER_WAY.to_owned());
            }
            (Place::Choosing, Key::Enter) if meant => return Some(Wish::Start),
            (Place::Choosing, Key::Up) => self.procedure = self.procedure.saturating_sub(1),
            (Place::Choosing, Key::Down) => {
                self.procedure = (self.procedure + 1).min(self.procedures.len() - 1);
            }
            (Place::Choosing, Key::Other) => self.pump = (self.pump + 1) % self.pumps.len(),
            (Place::Running, Key::Enter | Key::Yes | Key::No) => return self.answer(key, meant),
            (Place::Over, Key::Enter) if meant => {
                self.note = None;
                self.go(Place::Choosing);
            }
            _ => {}
        }
        None
    }

    /// Scrolls; a hint about what stood there before is over.
    fn scroll_to(&mut self, line: u16) {
        self.scroll = line;
        self.hint = None;
    }

    /// Whether Up and Down scroll.
    fn scrolls(&self) -> bool {
        self.help || self.place != Place::Choosing
    }

    fn answer(&mut self, key: Key, meant: bool) -> Option<Wish> {
        let prompt = self.prompt()?;
        let say = |yes| Some(Wish::Say(Operator::Answer { prompt: prompt.number, yes }));
        let hint = match key {
            Key::No if meant => return say(false),
            Key::Enter if prompt.caution => NO_CONSENT,
            _ if !meant => TOO_SOON,
            _ if prompt.caution && !self.seen(self.end_shown) => READ_ON,
            _ => return say(true),
        };
        self.hint = Some(hint);
        None
    }
}

#[cfg(test)]
mod tests {
    use super::super::session::tests::view;
    use super::{App, Key, Operator, Place, Wish};
    use crate::cli::{BenchArgs, ModelArgs};
    use std::time::Duration;
    use stepwell_procedure::finding::Verdict;
    use stepwell_procedure::record::{Ended, Outcome};
    use stepwell_procedure::run::Prompt;

    /// Asked at time zero.
    fn asked(caution: bool, text: &str, size: (u16, u16)) -> App {
        let model = ModelArgs { seed: 1, inject: vec![] };
        let bench = BenchArgs { pump: "heron".into(), bench: "demo".into(), port: None, id: None, model };
        let mut app = App::new("acceptance", &bench);
        app.at(Duration::ZERO, size);
        app.place = Place::Running;
        let prompt = Some(Prompt { number: 7, title: "Title".into(), text: text.into(), caution });
        app.show(Some(stepwell_session::engine::View { prompt, ..view(0) }));
        app.stands(app.frame(Duration::ZERO));
        app
    }

    fn press(app: &mut App, at_ms: u64, key: Key) -> Option<Wish> {
        app.at(Duration::from_millis(at_ms), app.size);
        app.key(key)
    }

    const YES: Option<Wish> = Some(Wish::Say(Operator::Answer { prompt: 7, yes: true }));
    const NO: Option<Wish> = Some(Wish::Say(Operator::Answer { prompt: 7, yes: false }));

    #[test]
    fn a_caution_takes_y_and_never_enter() {
        let mut app = asked(true, "Hot.", (80, 24));
        assert_eq!(press(&mut app, 2_000, Key::Enter), None);
        assert!(app.hint.is_some_and(|hint| hint.contains('y')));
        assert_eq!(press(&mut app, 2_100, Key::Yes), None, "in one sweep over the keys");
        assert_eq!(press(&mut app, 4_000, Key::Yes), YES);
        assert_eq!(press(&mut app, 4_000, Key::No), NO);
    }

    #[test]
    fn a_caution_is_read_to_its_end_before_it_is_accepted() {
        let mut app = asked(true, &"words\n".repeat(40), (40, 12));
        assert_eq!(press(&mut app, 2_000, Key::Yes), None);
        for n in 0..60 {
            assert_eq!(press(&mut app, 3_000 + n, Key::Down), None);
        }
        assert_eq!(press(&mut app, 4_000, Key::Yes), None, "its end has not come on the screen");
        press(&mut app, 4_100, Key::Down);
        app.stands(app.frame(Duration::from_millis(4_200)));
        for _ in 0..5 {
            press(&mut app, 4_300, Key::Up);
        }
        app.stands(app.frame(Duration::from_millis(4_300)));
        assert_eq!(press(&mut app, 4_900, Key::Yes), None, "its end was there for a glance");
        for _ in 0..9 {
            press(&mut app, 4_950, Key::Down);
        }
        app.stands(app.frame(Duration::from_secs(5)));
        assert_eq!(press(&mut app, 5_400, Key::Yes), None, "held down, or only just come up");
        press(&mut app, 5_500, Key::Down);
        assert_eq!(press(&mut app, 6_200, Key::Yes), YES);
    }

    #[test]
    fn a_held_no_is_one_no() {
        let mut app = asked(false, "Done?", (80, 24));
        assert_eq!(press(&mut app, 2_000, Key::No), NO);
        for repeat in 1..100 {
            assert_eq!(press(&mut app, 2_000 + 33 * repeat, Key::No), None);
        }
    }

    #[test]
    fn every_stop_stops_and_only_some_leave() {
        let mut app = asked(false, "Done?", (80, 24));
        let stop = || Some(Wish::Say(Operator::Stop));
        assert_eq!((app.key(Key::Stop), app.key(Key::StopOrLeave)), (stop(), stop()));
        app.place = Place::Over;
        assert_eq!((app.key(Key::Stop), app.key(Key::StopOrLeave)), (stop(), Some(Wish::Leave)));
    }

    #[test]
    fn a_window_too_small_for_a_question_takes_no_answer_but_stops() {
        let mut app = asked(false, "Done?", (30, 10));
        assert_eq!(press(&mut app, 2_000, Key::Enter), None);
        assert_eq!(press(&mut app, 4_000, Key::Stop), Some(Wish::Say(Operator::Stop)));
        app.at(Duration::from_secs(5), (80, 24));
        app.stands(app.frame(Duration::from_secs(5)));
        assert_eq!(press(&mut app, 5_100, Key::Enter), None, "it has only just come up");
        assert_eq!(press(&mut app, 7_000, Key::Enter), YES);
    }

    #[test]
    fn a_question_that_has_not_come_on_the_screen_takes_no_answer() {
        let mut app = asked(false, "Done?", (80, 24));
        let before = app.frame(Duration::from_secs(1));
        let prompt = Some(Prompt { number: 8, title: "Next".into(), text: "Shut?".into(), caution: false });
        app.show(Some(stepwell_session::engine::View { prompt, ..view(0) }));
        app.stands(before);
        for (at_ms, key) in [(5_000, Key::Enter), (6_000, Key::No)] {
            assert_eq!(press(&mut app, at_ms, key), None, "{key:?}");
        }
        assert_eq!(press(&mut app, 7_000, Key::Stop), Some(Wish::Say(Operator::Stop)));
        app.stands(app.frame(Duration::from_secs(8)));
        assert_eq!(press(&mut app, 8_400, Key::No), None, "it has only just come up");
        assert_eq!(
            press(&mut app, 9_200, Key::No),
            Some(Wish::Say(Operator::Answer { prompt: 8, yes: false }))
        );
    }

    #[test]
    fn what_is_said_of_a_run_under_way_goes_with_the_next_key_the_stop_or_the_end() {
        let mut app = asked(false, "Done?", (80, 24));
        let note = |app: &App| app.note.clone().unwrap_or_default();
        press(&mut app, 2_000, Key::Leave);
        assert!(note(&app).contains("under way"));
        press(&mut app, 2_100, Key::Down);
        assert_eq!(app.note, None);
        press(&mut app, 2_200, Key::Leave);
        for key in [Key::Stop, Key::Leave, Key::Help, Key::Help] {
            press(&mut app, 2_300, key);
            assert!(note(&app).starts_with("Stopped by the operator"), "{key:?}: {}", note(&app));
        }
        let outcome = Some(Outcome { ended: Ended::Stopped, verdict: Verdict::NotMeasured });
        app.show(Some(stepwell_session::engine::View { outcome, ..view(0) }));
        assert_eq!((app.place, app.note), (Place::Over, None));
    }
}
