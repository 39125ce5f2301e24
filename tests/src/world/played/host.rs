//! One life of the program: the engine and the store's writer as they are, served as the program's own loops
//! serve them but on a clock of the world's. Who writes the run down and who sits before it are played, each in a
//! file of its own.

mod duties;
mod handed;
mod mad;
mod person;
mod recorder;
#[cfg(test)]
mod tests;

pub use handed::{Handed, Question};

use super::mishap::{HostMishap, LineMishap, Mishap, What};
use crate::trials::noise::Noise;
use duties::{Duties, Turn};
use person::Person;
use recorder::Recorder;
use std::fmt::Write as _;
use stepwell_procedure::finding::Verdict;
use stepwell_procedure::record::{Entry, Outcome};
use stepwell_procedure::run::{Plan, Run};
use stepwell_protocol::frame::{Deframer, decode};
use stepwell_protocol::message::ToBoard;
use stepwell_protocol::time::Tick;
use stepwell_session::engine::{Engine, Operator, Output};
use stepwell_session::time::HostTime;
use stepwell_store::Store;

/// The program is served this late at the most when nothing is wrong, in ms: one period of a USB adapter.
const SERVED_MS_MAX: f64 = 16.0;

/// What the clock of the program shows when the rig is switched on, in µs: room for setting it back.
const CLOCK_STARTS_US: i64 = 4 * HOUR_US;

/// An hour, in µs.
const HOUR_US: i64 = 3_600_000_000;

/// A board that can be heard again is heard within this time, in ms: it is greeted twice a second, and on the worst
/// line a greeting and its answer get through about every other time: thirty in a row are lost once in 10^9.
const BACK_MS_MAX: u64 = 15_000;

/// The program.
#[derive(Debug)]
pub struct Host<'s> {
    engine: Engine,
    plan: Plan,
    /// Who writes the run down.
    pub recorder: Recorder<'s>,
    person: Person,
    duties: Duties,
    /// When the program was served last, ms of rig time.
    served_ms: u64,
    mishap: Option<Mishap>,
    noise: Noise,
    session: u32,
    /// When it is served next, ms of rig time.
    pub wakes_ms: u64,
    /// How far its clock is ahead of the rig's, µs.
    clock_ahead_us: i64,
    /// Everything the program did that it must not.
    pub wrong: Vec<String>,
    /// All that was said of the run: events, findings that do not pass, how it ended.
    pub told: String,
    /// The port is gone now.
    unplugged: bool,
    /// A board answers again on a link that was given up.
    back: bool,
    clock_struck: bool,
    mad_sent: bool,
    /// Number of the latest command.
    last_id: u16,
    /// Board time as the latest samples have it.
    board_now: Tick,
    /// Whether the board would not talk to it.
    pub unwelcome: bool,
}

impl<'s> Host<'s> {
    /// A program that starts now. Each session has a number of its own.
    #[must_use]
    pub fn new(plan: &Plan, store: &'s mut Store, session: u32, ms: u64) -> Host<'s> {
        Host {
            engine: Engine::new(Run::new(plan.clone()), session, shown(ms, 0)),
            plan: plan.clone(),
            recorder: Recorder::new(store, ms),
            person: Person::default(),
            duties: Duties::new(ms),
            served_ms: ms,
            mishap: None,
            noise: Noise::new(u64::from(session) ^ 0x0057),
            session,
            wakes_ms: ms,
            clock_ahead_us: 0,
            wrong: Vec::new(),
            told: String::new(),
            unplugged: false,
            back: false,
            clock_struck: false,
            mad_sent: false,
            last_id: 0,
            board_now: Tick(0),
            unwelcome: false,
        }
    }

    /// Whether it has a port to hear from.
    #[must_use]
    pub fn hears(&self) -> bool {
        !self.unplugged
    }

    /// Something begins to go wrong; what is neither the computer's nor the person's is none of its business.
    pub fn befall(&mut self, mishap: Mishap) {
        self.mishap = Some(mishap);
    }

    /// What the run came to, once it is over.
    #[must_use]
    pub fn outcome(&self) -> Option<&Outcome> {
        self.engine.outcome()
    }

    fn befalls(&self, kind: HostMishap, ms: u64) -> Option<f64> {
        self.mishap
            .filter(|mishap| mishap.what == What::Host(kind) && mishap.acts_at(ms))
            .map(|mishap| mishap.severity)
    }

    /// The program is served at `ms`: `bytes` have come, the port may be gone. Returns bytes for the board.
    pub fn serve(&mut self, ms: u64, bytes: &[u8], port_gone: bool) -> Vec<u8> {
        let between = match self.befalls(HostMishap::Slow, ms) {
            Some(severity) => 600.0 * severity,
            None => SERVED_MS_MAX,
        };
        self.wakes_ms = ms + 1 + self.noise.uniform(0.0, between) as u64;
        let apart_ms = (ms - std::mem::replace(&mut self.served_ms, ms)) as usize;
        self.recorder.handed.served_ms_max = self.recorder.handed.served_ms_max.max(apart_ms);
        for (kind, way) in [(HostMishap::ClockJump, 1.0), (HostMishap::ClockBack, -1.0)] {
            if let (Some(severity), false) = (self.befalls(kind, ms), self.clock_struck) {
                self.clock_struck = true;
                self.clock_ahead_us += (way * severity * HOUR_US as f64) as i64;
            }
        }
        let now = shown(ms, self.clock_ahead_us);
        if port_gone != std::mem::replace(&mut self.unplugged, port_gone) {
            if port_gone {
                self.engine.port_lost("the port is gone: cable pulled, or the board lost power");
            } else {
                self.engine.port_reopened(now);
            }
        }
        if let Some(mishap) = self.mishap {
            self.recorder.strike_disk(ms, mishap);
        }
        if !self.unplugged {
            self.engine.receive(now, bytes);
        }
        self.engine.tick(now);
        self.record(ms);
        let (drawn, pressed) = self.is_operated(ms, now);
        self.record(ms);
        let mut to_board = self.engine.take_bytes();
        let said: Vec<ToBoard> = says(&to_board).collect();
        self.owes(ms, drawn, pressed, &said);
        let mut commands = said.iter().filter_map(|said| match said {
            ToBoard::Command(command) => Some(command.id),
            _ => None,
        });
        self.last_id = commands.next_back().unwrap_or(self.last_id);
        if self.befalls(HostMishap::Mad, ms).is_some() && !self.mad_sent {
            self.mad_sent = true;
            to_board.extend(mad::nonsense(self.session, self.last_id.wrapping_add(1), self.board_now));
        }
        if self.unplugged { Vec::new() } else { to_board }
    }

    /// Whether the program stands still at `ms`, in which case it sleeps on to the end of that. Its own clock
    /// sleeps too when the computer does.
    pub fn asleep(&mut self, ms: u64) -> bool {
        let Some(mishap) = self.mishap.filter(|mishap| mishap.acts_at(ms)) else { return false };
        let until_ms = mishap.onset_ms + mishap.for_ms;
        match mishap.what {
            What::Host(HostMishap::Stop) => {}
            What::Host(HostMishap::Suspend) => self.clock_ahead_us -= (until_ms - ms) as i64 * 1_000,
            _ => return false,
        }
        (self.wakes_ms, self.served_ms) = (until_ms, until_ms);
        self.recorder.handed.stood_still = Some(ms as usize..until_ms as usize);
        true
    }

    /// Everything the engine wants written down or said.
    fn record(&mut self, ms: u64) {
        while let Some(output) = self.engine.poll() {
            match output {
                Output::Board(identity) => self.recorder.begin(&self.plan, &identity),
                Output::Write(entry) => {
                    self.hear(&entry);
                    self.recorder.entry(ms, entry);
                }
                Output::Samples { first, first_us, samples } => {
                    self.board_now = first.plus_ms(samples.len() as u32);
                    self.recorder.samples(ms, first, first_us, &samples);
                }
                Output::Finished(outcome, _) => {
                    let _ = writeln!(self.told, "{:?}", outcome.ended);
                    self.recorder.handed.settled(ms);
                    self.wrong.extend(self.recorder.seal(ms, &outcome));
                }
                Output::Unwelcome(_) => self.unwelcome = true,
                Output::Lost(_) => self.recorder.link_lost(ms),
                Output::Back(_) => self.back = true,
                Output::Ask(prompt) => self.recorder.handed.asked(ms, prompt.number),
            }
        }
    }

    /// Keeps what an entry says.
    fn hear(&mut self, entry: &Entry) {
        match entry {
            Entry::Event(event) => self.told.push_str(&event.text),
            Entry::Finding(finding) if finding.verdict != Verdict::Pass => {
                for line in std::iter::once(&finding.label).chain(&finding.notes).chain(&finding.check_next) {
                    self.told.push_str(line);
                    self.told.push('\n');
                }
            }
            _ => return,
        }
        self.told.push('\n');
    }

    /// Judges what it said in a turn in which the screen was drawn or not, the stop key pressed or not.
    fn owes(&mut self, ms: u64, drawn: bool, pressed: bool, said: &[ToBoard]) {
        if self.unplugged {
            // It has nobody to say anything to.
            return;
        }
        let handed = &mut self.recorder.handed;
        if pressed {
            handed.stop_pressed_ms.get_or_insert(ms as usize);
        }
        if said.contains(&ToBoard::Stop) {
            handed.stops_said_ms.push(ms as usize);
        }
        let lost = handed.gave_up_ms.is_some();
        self.wrong.extend(self.duties.judge(&Turn { ms, drawn, pressed, lost, said }));
    }

    /// Whether the run should have been over long ago, for it was stopped.
    #[must_use]
    pub fn outstays(&self, ms: u64) -> bool {
        self.duties.outstayed(ms)
    }

    /// What whoever sits before the program does with it: whether the screen was drawn, and the stop key pressed.
    fn is_operated(&mut self, ms: u64, now: HostTime) -> (bool, bool) {
        if self.befalls(HostMishap::ScreenHangs, ms).is_some() {
            return (false, false);
        }
        self.engine.operator(now, Operator::Alive);
        let unwritten = self.recorder.handed.refused_ms.is_some();
        let pressed = self.person.stops(ms, self.mishap, unwritten);
        if pressed {
            self.engine.operator(now, Operator::Stop);
        }
        self.is_asked(ms, now);
        (true, pressed)
    }

    /// The person answers what is asked, or does not.
    fn is_asked(&mut self, ms: u64, now: HostTime) {
        let Some(prompt) = self.engine.run().prompt().map(|prompt| prompt.number) else {
            self.person.is_not_asked();
            return;
        };
        if !Person::speaks(ms, self.mishap) || self.looks_out_for_readings(ms) {
            return;
        }
        if let Some((yes, times)) = self.person.answers(ms, self.mishap, &mut self.noise) {
            self.recorder.handed.settled(ms);
            for _ in 0..times {
                self.engine.operator(now, Operator::Answer { prompt, yes });
            }
        }
    }

    /// Whether the person waits for readings to come back through a line that is cut or was, until they do.
    fn looks_out_for_readings(&mut self, ms: u64) -> bool {
        let cut = |mishap: &Mishap| {
            matches!(mishap.what, What::Line(LineMishap::Unplug | LineMishap::Interrupted))
                && ms >= mishap.onset_ms
        };
        let Some(mishap) = self.mishap.filter(cut) else { return false };
        if self.recorder.handed.gave_up_ms.is_none() || self.back {
            return false;
        }
        let late = ms > mishap.onset_ms + mishap.for_ms + BACK_MS_MAX;
        if late {
            self.wrong.push(format!("readings have not come back by {ms} ms"));
        }
        !late
    }
}

/// What the program's clock shows at `ms` of rig time when it is so far ahead.
fn shown(ms: u64, ahead_us: i64) -> HostTime {
    HostTime((CLOCK_STARTS_US + ms as i64 * 1_000 + ahead_us) as u64)
}

/// What these bytes say, which are whole frames.
fn says(bytes: &[u8]) -> impl Iterator<Item = ToBoard> + '_ {
    let (mut deframer, mut rest) = (Deframer::new(), bytes);
    let mut all = Vec::new();
    while let Some(body) = deframer.next_body(&mut rest) {
        all.extend(body.and_then(decode).ok());
    }
    all.into_iter()
}
