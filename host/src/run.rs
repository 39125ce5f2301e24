//! `run`: a procedure without screens. Progress and questions on standard error, the result on
//! standard output.

use crate::answers::{self, Answer, Answers};
use crate::cli::{BenchArgs, RunArgs, StoreArgs};
use crate::deliberate::TOO_SOON;
use crate::failure::Failure;
use crate::print::{errln, outln};
use crate::recorded::{Instead, Recorded, Stopper};
use crate::{aside, library, mounted, print, render};
use serde_json::json;
use signal_hook::consts::{SIGHUP, SIGINT, SIGQUIT, SIGTERM, SIGTSTP};
use std::io::IsTerminal;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Duration;
use stepwell_procedure::read;
use stepwell_procedure::record::{Ended, Entry, Event, Outcome};
use stepwell_procedure::run::{Plan, Progress, Prompt, Run};
use stepwell_procedure::words;
use stepwell_session::engine::{Engine, Operator, Output, View};
use stepwell_session::lockstep::{self, Bench, Outside};
use stepwell_session::serve;
use stepwell_session::time::HostTime;
use stepwell_virtual::{SimulatedBench, VirtualBench};

/// Everything that is asked for, read and checked together.
pub(crate) fn plan(procedure: &str, bench: &BenchArgs) -> Result<Plan, Failure> {
    let pump_id = match (&bench.id, &bench.port) {
        (Some(id), _) if id.trim().is_empty() => {
            return Err(Failure::Usage(
                "the pump's number (--id) is empty; give the number on its plate".into(),
            ));
        }
        (Some(id), _) if id.trim().chars().count() > PUMP_ID_MAX || id.chars().any(char::is_control) => {
            return Err(Failure::Usage(format!(
                "the pump's number (--id) must be at most {PUMP_ID_MAX} characters on one line"
            )));
        }
        (Some(id), _) => id.trim().to_owned(),
        (None, Some(_)) => {
            return Err(Failure::Usage(
                "a run on a real board needs the pump's own number: add --id NUMBER".into(),
            ));
        }
        (None, None) => DEMO_ID.to_owned(),
    };
    let plan = Plan {
        pump_id,
        pump: library::pump(&bench.pump)?,
        bench: library::bench(&bench.bench)?,
        procedure: library::procedure(procedure)?,
    };
    let faults = read::check_together(&plan.pump, &plan.bench, &plan.procedure);
    if faults.is_empty() { Ok(plan) } else { Err(Failure::Usage(faults.join("\n"))) }
}

/// Number of a pump on the built-in bench when none is given.
pub(crate) const DEMO_ID: &str = "DEMO";

/// Who answers with `--yes`: words for terminal and record.
const BY_YES: &str = "by --yes, nobody was asked";

/// Longest number of a pump, in characters.
const PUMP_ID_MAX: usize = 64;

/// Carries out `run`.
pub(crate) fn headless(args: &RunArgs, store: &StoreArgs) -> Result<u8, Failure> {
    let plan = plan(&args.procedure, &args.bench)?;
    let on_built_in = args.bench.port.is_none();
    let simulation = on_built_in.then(|| mounted::describe(&args.bench.model));
    let setup = mounted::setup(&plan.pump, &args.bench.model)?;
    let answers = match (args.yes, std::io::stdin().is_terminal()) {
        (true, _) => BY_YES,
        (false, true) => "at the terminal",
        (false, false) => "by what was fed to the program, no terminal",
    };
    if !args.yes && std::io::stdin().is_terminal() && !std::io::stderr().is_terminal() {
        return Err(Failure::Usage(
            "questions are asked on standard error, which is no terminal: nobody could see what is answered; leave it to \
             the terminal"
                .into(),
        ));
    }
    let real_time = args.real_time || !on_built_in;
    let recorded = Recorded::open(store, &plan, simulation.clone(), answers, real_time)?;
    aside::begin().map_err(|error| Failure::Internal(format!("starting to print: {error}")))?;
    let mut terminal = Terminal::new(args.yes, recorded)?;
    errln!(
        "{} · pump {} ({}) · bench {}",
        plan.procedure.title,
        plan.pump_id,
        plan.pump.title,
        plan.bench.title
    );
    let engine = Engine::new(Run::new(plan.clone()), rand::random(), HostTime(0));
    let (outcome, engine) = match &args.bench.port {
        None if !args.real_time => {
            let mut bench = InProcess(VirtualBench::new(&setup));
            let mut engine = engine;
            let outcome = lockstep::run(&mut engine, &mut bench, &mut terminal);
            (outcome, engine)
        }
        None => {
            // A bench in this process never goes, so its port is opened once.
            let mut bench = Some(setup);
            on_port(engine, &mut terminal, move || {
                let setup = bench.take().ok_or("the built-in bench is gone")?;
                Ok(crate::serve::built_in_port(&setup))
            })?
        }
        Some(port) => {
            let port = port.clone();
            on_port(engine, &mut terminal, move || crate::port::open(&port))?
        }
    };
    terminal.end_line();
    let Some(outcome) = outcome else {
        return Err(Failure::Link(
            terminal.unwelcome.unwrap_or_else(|| "the board did not answer".to_owned()),
        ));
    };
    if engine.run().calibration().is_none() {
        if outcome.ended == Ended::Stopped {
            let ended = terminal.recorded.kept().ended(&outcome);
            let ended = format!("{ended}; the board had not answered yet, and nothing was begun");
            print::err(&render::wrapped(&ended, "Ended:   ", "         "));
            return Ok(outcome.exit_code());
        }
        return Err(Failure::Link(format!(
            "{}; check the port's name with `stepwell ports`",
            terminal.lost.as_deref().unwrap_or("nothing answers")
        )));
    }
    report(args, &engine, &outcome, &terminal.recorded, simulation.as_deref());
    if let Some(why) = terminal.recorded.failed() {
        return Err(Failure::Internal(format!("the run could not be written down: {why}")));
    }
    Ok(outcome.exit_code())
}

fn report(args: &RunArgs, engine: &Engine, outcome: &Outcome, recorded: &Recorded, simulation: Option<&str>) {
    let plan = engine.run().plan();
    let findings = engine.run().findings();
    let kept = recorded.kept();
    if args.json.json {
        let result = json!({
            "run": kept.number,
            "kept": kept.sealed,
            "not_kept": kept.failed,
            "instead": kept.instead.as_ref().map(Instead::json),
            "simulated": engine.simulated(),
            "simulation": simulation,
            "pump_id": plan.pump_id,
            "pump_sheet": plan.pump.name,
            "bench_sheet": plan.bench.name,
            "procedure": plan.procedure.name,
            "ended": outcome.ended,
            "ended_words": kept.ended(outcome),
            "verdict": kept.verdict(outcome),
            "findings": findings.iter().map(render::finding_json).collect::<Vec<_>>(),
        });
        outln!("{result:#}");
        return;
    }
    outln!();
    print::out(&render::findings(findings, render::WIDTH));
    outln!();
    print::out(&render::outcome(
        &kept.ended(outcome),
        kept.verdict(outcome),
        engine.simulated(),
        render::WIDTH,
    ));
    if let Some(line) = kept.line() {
        print::out(&render::wrapped(&line, "", ""));
    }
}

/// The built-in bench, advanced in lockstep.
struct InProcess(VirtualBench);

impl Bench for InProcess {
    fn exchange(&mut self, to_board: &[u8], ms: u32, from_board: &mut Vec<u8>) {
        self.0.receive(to_board);
        for _ in 0..ms {
            // A bench in this process is never gone.
            let _ = self.0.tick();
            self.0.transmit(from_board);
        }
    }
}

/// Serves the engine on a port, with the terminal as the operator's side.
fn on_port<P, F>(
    engine: Engine,
    terminal: &mut Terminal,
    mut open: F,
) -> Result<(Option<Outcome>, Engine), Failure>
where
    P: tokio::io::AsyncRead + tokio::io::AsyncWrite + Send + 'static,
    F: FnMut() -> Result<P, String> + Send + 'static,
{
    let starting = |error| Failure::Internal(format!("starting the session: {error}"));
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .map_err(starting)?;
    let runtime = &runtime;
    let port = {
        let _inside = runtime.enter();
        open().map_err(Failure::Link)?
    };
    let (said, operator) = tokio::sync::mpsc::channel(16);
    let (outputs, done) = tokio::sync::mpsc::unbounded_channel();
    let (view, watched) = tokio::sync::watch::channel(None);
    let serving = || {
        std::thread::scope(|scope| {
            // On a thread of its own: whatever becomes of this one, it is left without an operator, and stops the bench.
            let session =
                std::thread::Builder::new().name("session".to_owned()).spawn_scoped(scope, move || {
                    runtime.block_on(serve::serve(engine, port, move || open().ok(), operator, outputs, view))
                });
            let session = session.map_err(starting)?;
            runtime.block_on(tend(terminal, said, done, watched));
            Ok(session.join().ok())
        })
    };
    let served = catch_unwind(AssertUnwindSafe(serving));
    match served {
        Ok(Err(failure)) => Err(failure),
        Ok(Ok(Some(served))) => Ok(served),
        // What it was is noted, and told at the end.
        Ok(Ok(None)) | Err(_) => Err(Failure::Internal(given_up(terminal.recorded.kept().number))),
    }
}

/// What is said of a run whose session, or whose terminal, fell over.
pub(crate) fn given_up(number: Option<u64>) -> String {
    let kept = number.map_or(String::new(), |number| {
        format!("; what was written of it is run {number}, interrupted: `stepwell show {number}` shows it")
    });
    format!("the run was given up{kept}; {}", render::BY_ITSELF)
}

/// Is the operator's side of a session until that has ended: its outputs end then, and it takes no more words.
async fn tend(
    terminal: &mut Terminal,
    said: tokio::sync::mpsc::Sender<Operator>,
    mut done: tokio::sync::mpsc::UnboundedReceiver<Output>,
    watched: tokio::sync::watch::Receiver<Option<View>>,
) {
    let mut answered = 0;
    loop {
        match tokio::time::timeout(Duration::from_millis(50), done.recv()).await {
            Ok(Some(output)) => terminal.take(&output),
            Ok(None) => return,
            Err(_) => {}
        }
        while let Ok(output) = done.try_recv() {
            terminal.take(&output);
        }
        if terminal.wants_stop() {
            let _ = said.send(Operator::Stop).await;
        }
        let view = watched.borrow().clone();
        if let Some(view) = view {
            terminal.watched(&view);
            let asks = view.prompt.is_some();
            let open = view.prompt.filter(|prompt| prompt.number != answered);
            if let Some(prompt) = open
                && let Some(yes) = terminal.answer_within(&prompt, Duration::ZERO)
            {
                answered = prompt.number;
                let _ = said.send(Operator::Answer { prompt: prompt.number, yes }).await;
            }
            // Not into the line in which somebody types.
            if view.board.is_some() && !asks {
                terminal.progress(&view.progress);
            }
        }
        let _ = said.send(Operator::Alive).await;
    }
}

/// The terminal: progress, questions, Ctrl-C.
struct Terminal {
    yes: bool,
    recorded: Recorded,
    stops: Arc<AtomicUsize>,
    stops_seen: usize,
    /// Somebody ends the program: nobody is left to answer.
    leaving: Arc<AtomicBool>,
    answers: Answers,
    asked: u32,
    in_place: bool,
    line_open: bool,
    /// Step and activity that were shown last, and the line that tells of them.
    shown: (usize, String),
    shown_line: String,
    /// Second of the round that was shown last.
    shown_second: u32,
    unwelcome: Option<String>,
    lost: Option<String>,
    /// The link is back, and what the board shows has not been told yet.
    back: bool,
}

impl Terminal {
    fn new(yes: bool, recorded: Recorded) -> Result<Terminal, Failure> {
        let stops = Arc::new(AtomicUsize::new(0));
        let mut signals = signal_hook::iterator::Signals::new([
            SIGINT, SIGTERM, SIGHUP, SIGQUIT,
            // Ctrl-Z: a program that is put to sleep looks after nothing, so it stops the bench and stays.
            SIGTSTP,
        ])
        .map_err(|error| Failure::Internal(format!("listening for Ctrl-C: {error}")))?;
        let leaving = Arc::new(AtomicBool::new(false));
        let (counted, left) = (Arc::clone(&stops), Arc::clone(&leaving));
        std::thread::spawn(move || {
            for signal in signals.forever() {
                if [SIGTERM, SIGHUP, SIGQUIT].contains(&signal) {
                    left.store(true, Ordering::Relaxed);
                    aside::ended();
                }
                // Who sees this stop sees who it came from.
                counted.fetch_add(1, Ordering::Release);
            }
        });
        Ok(Terminal {
            yes,
            recorded,
            stops,
            stops_seen: 0,
            leaving,
            answers: Answers::new(),
            asked: 0,
            in_place: std::io::stderr().is_terminal(),
            line_open: false,
            shown: (0, String::new()),
            shown_line: String::new(),
            shown_second: 0,
            unwelcome: None,
            lost: None,
            back: false,
        })
    }

    fn end_line(&mut self) {
        if std::mem::take(&mut self.line_open) {
            errln!();
        }
    }

    fn progress(&mut self, progress: &Progress) {
        let what = (progress.step, format!("{} {}", progress.title, progress.activity));
        let new = what != self.shown;
        if !new && !self.in_place || progress.title.is_empty() {
            return;
        }
        let (elapsed_ms, planned_ms) = progress.round_ms;
        let left_s = f64::from(planned_ms.saturating_sub(elapsed_ms)) / 1000.0;
        let left = if planned_ms > 0 { format!(", {left_s:.0} s left") } else { String::new() };
        let dash = if progress.activity.is_empty() { "" } else { " – " };
        let line = format!(
            "[{}/{}] {}{dash}{}{left}",
            progress.step, progress.steps, progress.title, progress.activity
        );
        if self.in_place {
            let shown: String = line.chars().take(78).collect();
            let stands = self.line_open && self.shown_line == line;
            if stands || !print::err_over(&format!("{shown:<78}")) {
                return;
            }
            self.line_open = true;
            self.shown_line = line;
        } else {
            errln!("{line}");
        }
        self.shown = what;
    }

    /// Tells, once, how a board stands whose link is back.
    fn watched(&mut self, view: &View) {
        let Some(status) = view.status.filter(|_| self.back) else { return };
        self.back = false;
        // In the unit of the gauge on the rail, whatever its size; a zero has no sign.
        let megapascal = |pa: f64| format!("{:.1} MPa", (pa / 1e5).round() / 10.0 + 0.0);
        let rail = view.live.rail_pa.map_or("no reading".to_owned(), megapascal);
        errln!("           Board {}, rail {rail}.", words::state(status.state));
    }

    fn take(&mut self, output: &Output) {
        match output {
            Output::Unwelcome(why) => self.unwelcome = Some(why.to_string()),
            Output::Lost(why) => {
                self.end_line();
                print::err(&render::wrapped(&format!("{why}."), "LINK LOST: ", "           "));
                self.lost = Some(why.clone());
            }
            Output::Back(what) => {
                self.end_line();
                print::err(&render::wrapped(&format!("{what}."), "LINK BACK: ", "           "));
                self.back = true;
            }
            // Whatever stops the board is told at once; the questions that follow have it above them.
            Output::Write(Entry::Event(Event { text, cause: Some(_), .. })) => {
                self.end_line();
                print::err(&render::wrapped(text, "BOARD: ", "       "));
            }
            _ => {}
        }
        self.recorded.output(output);
    }

    /// Asks, once, and waits so long for the answer.
    fn answer_within(&mut self, prompt: &Prompt, wait: Duration) -> Option<bool> {
        if self.asked != prompt.number {
            self.asked = prompt.number;
            self.end_line();
            let run = self.recorded.kept().number.map_or(String::new(), |number| format!(" (run {number})"));
            errln!("\n{}{run}", prompt.title);
            for line in prompt.text.lines() {
                print::err(&render::wrapped(line, "  ", "  "));
            }
            if self.yes {
                errln!("  answered: done ({BY_YES})");
            } else {
                errln!("  {}", answers::ways(prompt.caution));
                self.answers.asked();
            }
        }
        if self.yes {
            return Some(true);
        }
        if self.leaving.load(Ordering::Relaxed) {
            errln!("  the program is being ended: taken as no");
            self.recorded.nobody_answers();
            return Some(false);
        }
        match self.answers.within(wait, prompt.caution) {
            Answer::None => None,
            Answer::Yes => Some(true),
            Answer::No => Some(false),
            Answer::TooSoon => {
                self.end_line();
                errln!("  {TOO_SOON}");
                None
            }
            Answer::NotUnderstood => {
                self.end_line();
                errln!("  not understood: {}", answers::ways(prompt.caution));
                None
            }
            Answer::Nobody => {
                errln!("  nobody there to answer: taken as no (--yes answers every question)");
                self.recorded.nobody_answers();
                Some(false)
            }
        }
    }
}

impl Outside for Terminal {
    fn answer(&mut self, prompt: &Prompt) -> Option<bool> {
        // An exchange is ten milliseconds of bench time: while a question is open the bench keeps pace
        // with the person.
        self.answer_within(prompt, Duration::from_millis(10))
    }

    fn output(&mut self, engine: &Engine, output: Output) {
        self.take(&output);
        if matches!(output, Output::Samples { .. }) && engine.run().prompt().is_none() {
            let progress = engine.run().progress();
            let second = progress.round_ms.0 / 1000;
            if second != self.shown_second || progress.step != self.shown.0 {
                self.shown_second = second;
                self.progress(&progress);
            }
        }
    }

    fn wants_stop(&mut self) -> bool {
        let stops = self.stops.load(Ordering::Acquire);
        let pressed = stops > self.stops_seen;
        if pressed && self.stops_seen == 0 && self.leaving.load(Ordering::Relaxed) {
            self.recorded.stopped_by(Stopper::Ending);
        }
        self.stops_seen = stops;
        pressed || self.recorded.must_stop()
    }
}
