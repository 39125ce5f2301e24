//! One life of the program: the engine and the store's writer as they are, served as the program's own loops
//! serve them but on a clock of the world's; and the person at the bench. The recorder's thread and what the
//! program does when a run cannot be kept are played here, in short: a thread has no place on a virtual clock.

#[cfg(test)]
mod tests;

use super::mishap::{HostMishap, LineMishap, Mishap, PersonMishap, What};
use crate::trials::noise::Noise;
use std::fmt::Write as _;
use std::ops::Range;
use stepwell_procedure::finding::Verdict;
use stepwell_procedure::record::{Entry, Outcome, RunHead};
use stepwell_procedure::run::{Plan, Run};
use stepwell_protocol::channel::Sample;
use stepwell_protocol::dwell::{Dwell, Ramp, Start};
use stepwell_protocol::frame::{Deframer, decode};
use stepwell_protocol::identity::Identity;
use stepwell_protocol::message::{Action, Command, ToBoard};
use stepwell_protocol::time::Tick;
use stepwell_session::engine::{Engine, Operator, Output};
use stepwell_session::time::HostTime;
use stepwell_store::{COMMIT_EVERY_MS, Failing, Pace, RunWriter, SILENCE_MS, Store};

/// The person answers within this time, in ms.
const ANSWER_MS_MAX: f64 = 500.0;

/// The program is served this late at the most when nothing is wrong, in ms: one period of a USB adapter.
const SERVED_MS_MAX: f64 = 16.0;

/// What the clock of the program shows when the rig is switched on, in µs: room for setting it back.
const CLOCK_STARTS_US: i64 = 4 * HOUR_US;

/// An hour, in µs.
const HOUR_US: i64 = 3_600_000_000;

/// A board that can be heard again is heard within this time, in ms: it is greeted twice a second, and on the worst
/// line a greeting and its answer get through about every other time.
const BACK_MS_MAX: u64 = 15_000;

/// What was handed to the disk for one run.
#[derive(Debug, Default)]
pub struct Handed {
    /// Number of the run.
    pub number: u64,
    /// Samples in the order in which they were handed over.
    pub samples: Vec<(u32, Sample)>,
    /// How many of them the disk has confirmed.
    pub acknowledged: usize,
    /// Entries of the log in the order in which they were handed over.
    pub entries: Vec<Entry>,
    /// How many of them the disk has confirmed.
    pub entries_acknowledged: usize,
    /// What the run came to, once it was over.
    pub outcome: Option<Outcome>,
    /// Commits that the disk has confirmed: when, ms of rig time, and how many samples it had confirmed by then.
    pub commits: Vec<(usize, usize)>,
    /// When the disk refused something, the first time, ms of rig time.
    pub refused_ms: Option<usize>,
    /// From when to when the program stood still, ms of rig time.
    pub stood_still: Option<Range<usize>>,
    /// The longest time between two servings of the program while it did not stand still, ms.
    pub served_ms_max: usize,
    /// When this life of the program was over, ms of rig time.
    pub over_ms: usize,
    /// Whether the run was sealed.
    pub sealed: bool,
    /// When the program gave the link up, ms of rig time: what it hears from then on is shown and not kept.
    pub gave_up_ms: Option<usize>,
}

impl Handed {
    /// The disk has confirmed at `ms` all that was handed to it.
    fn confirmed(&mut self, ms: u64) {
        self.acknowledged = self.samples.len();
        self.entries_acknowledged = self.entries.len();
        self.commits.push((ms as usize, self.acknowledged));
    }

    /// Whether there is something that the disk has not confirmed.
    fn waits(&self) -> bool {
        (self.acknowledged, self.entries_acknowledged) != (self.samples.len(), self.entries.len())
    }
}

/// The program.
#[derive(Debug)]
pub struct Host<'s> {
    engine: Engine,
    plan: Plan,
    store: Option<&'s mut Store>,
    writer: Option<RunWriter<'s>>,
    /// What was handed to the disk.
    pub handed: Handed,
    pace: Pace,
    /// When the recorder was told something last, ms of rig time.
    told_ms: u64,
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
    answers_ms: Option<u64>,
    pressed_ms: Option<u64>,
    disk_struck: bool,
    said_no: bool,
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
            store: Some(store),
            writer: None,
            handed: Handed::default(),
            pace: Pace::new(COMMIT_EVERY_MS),
            told_ms: ms,
            served_ms: ms,
            mishap: None,
            noise: Noise::new(u64::from(session) ^ 0x0057),
            session,
            wakes_ms: ms,
            clock_ahead_us: 0,
            wrong: Vec::new(),
            told: String::new(),
            answers_ms: None,
            pressed_ms: None,
            disk_struck: false,
            said_no: false,
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

    /// The engine.
    #[must_use]
    pub fn engine(&self) -> &Engine {
        &self.engine
    }

    fn befalls(&self, kind: HostMishap, ms: u64) -> Option<f64> {
        self.mishap
            .filter(|mishap| mishap.what == What::Host(kind) && mishap.acts_at(ms))
            .map(|mishap| mishap.severity)
    }

    fn person(&self, kind: PersonMishap, ms: u64) -> bool {
        self.mishap.is_some_and(|mishap| mishap.what == What::Person(kind) && mishap.acts_at(ms))
    }

    /// The program is served at `ms`: `bytes` have come, the port may be gone. Returns bytes for the board.
    pub fn serve(&mut self, ms: u64, bytes: &[u8], port_gone: bool) -> Vec<u8> {
        let between = match self.befalls(HostMishap::Slow, ms) {
            Some(severity) => 600.0 * severity,
            None => SERVED_MS_MAX,
        };
        self.wakes_ms = ms + 1 + self.noise.uniform(0.0, between) as u64;
        let apart_ms = (ms - std::mem::replace(&mut self.served_ms, ms)) as usize;
        self.handed.served_ms_max = self.handed.served_ms_max.max(apart_ms);
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
        self.strike_disk(ms);
        if !self.unplugged {
            self.engine.receive(now, bytes);
        }
        self.engine.tick(now);
        self.record(ms);
        self.person_acts(ms, now);
        self.record(ms);
        let mut to_board = self.engine.take_bytes();
        if self.handed.gave_up_ms.is_some()
            && says(&to_board).any(|said| !matches!(said, ToBoard::Stop | ToBoard::Hello(_)))
        {
            self.wrong.push(format!("a command or a renewal on a link that was lost, {ms} ms"));
        }
        let commands = says(&to_board).filter_map(|said| match said {
            ToBoard::Command(command) => Some(command.id),
            _ => None,
        });
        self.last_id = commands.last().unwrap_or(self.last_id);
        if self.befalls(HostMishap::Mad, ms).is_some() && !self.mad_sent {
            self.mad_sent = true;
            to_board.extend(self.nonsense());
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
        self.handed.stood_still = Some(ms as usize..until_ms as usize);
        true
    }

    /// A millisecond of the recorder, which is a thread of its own: it commits what it has when it was told nothing
    /// for a while. It stands still with the program.
    pub fn recorder(&mut self, ms: u64) {
        let stands = self.handed.stood_still.as_ref().is_some_and(|still| still.contains(&(ms as usize)));
        if self.handed.waits() && ms >= self.told_ms + SILENCE_MS && !stands {
            self.commit(ms);
        }
    }

    fn strike_disk(&mut self, ms: u64) {
        let Some(writer) = &self.writer else { return };
        let Some(Mishap { what: What::Host(kind), .. }) = self.mishap else { return };
        let once_is_over = kind == HostMishap::DiskFullOnce && self.handed.refused_ms.is_some();
        let struck = self.befalls(kind, ms).is_some() && !once_is_over;
        if struck == self.disk_struck {
            return;
        }
        let set = match kind {
            HostMishap::DiskFull | HostMishap::DiskFullOnce => writer.disk_full(struck),
            HostMishap::ReadOnly => writer.read_only(struck),
            HostMishap::WriteError => {
                writer.disk_fails(struck.then_some(Failing::Write));
                Ok(())
            }
            HostMishap::SyncError => {
                writer.disk_fails(struck.then_some(Failing::Sync));
                Ok(())
            }
            _ => return,
        };
        set.expect("the disk can be struck and healed");
        self.disk_struck = struck;
    }

    /// Everything the engine wants written down or said.
    fn record(&mut self, ms: u64) {
        while let Some(output) = self.engine.poll() {
            match output {
                Output::Board(identity) => self.begin(&identity),
                Output::Write(entry) => {
                    self.hear(&entry);
                    if let Some(writer) = &mut self.writer {
                        writer.entry(&entry);
                        self.handed.entries.push(entry);
                        self.told_ms = ms;
                    }
                }
                Output::Samples { first, first_us, samples } => {
                    self.board_now = first.plus_ms(samples.len() as u32);
                    if let Some(writer) = &mut self.writer {
                        writer.samples_at(first, first_us, &samples);
                        self.handed.samples.extend((first.0..).zip(samples.iter().copied()));
                        self.told_ms = ms;
                        if self.pace.is_due(first, samples.len()) {
                            self.commit(ms);
                        }
                    }
                }
                Output::Finished(outcome, _) => self.seal(ms, &outcome),
                Output::Unwelcome(_) => self.unwelcome = true,
                Output::Lost(_) => {
                    self.handed.gave_up_ms.get_or_insert(ms as usize);
                    self.commit(ms);
                }
                Output::Back(_) => self.back = true,
                Output::Ask(_) => {}
            }
        }
    }

    fn begin(&mut self, identity: &Identity) {
        let Some(store) = self.store.take() else { return };
        let head = RunHead::of(&self.plan, identity, "simulator of whole runs", String::new(), None);
        let writer = store.begin(&head).expect("a run can be begun on a disk that nothing has befallen");
        self.handed.number = writer.number();
        self.writer = Some(writer);
    }

    fn commit(&mut self, ms: u64) {
        self.pace.committed();
        self.told_ms = ms;
        let Some(writer) = &mut self.writer else { return };
        if writer.commit().is_ok() {
            self.handed.confirmed(ms);
        } else {
            self.handed.refused_ms.get_or_insert(ms as usize);
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

    fn seal(&mut self, ms: u64, outcome: &Outcome) {
        self.handed.outcome = Some(outcome.clone());
        let _ = writeln!(self.told, "{:?}", outcome.ended);
        let Some(writer) = self.writer.take() else { return };
        match writer.seal(outcome, "{}") {
            Ok(_) => {
                self.handed.confirmed(ms);
                self.handed.sealed = true;
            }
            Err(why) => {
                if !self.disk_struck {
                    self.wrong.push(format!("the disk is whole again and the run is not sealed: {why}"));
                }
                self.handed.refused_ms.get_or_insert(ms as usize);
            }
        }
    }

    fn person_acts(&mut self, ms: u64, now: HostTime) {
        if self.befalls(HostMishap::ScreenHangs, ms).is_some() {
            return;
        }
        self.engine.operator(now, Operator::Alive);
        let again = self.person(PersonMishap::StopTwice, ms);
        let due = self.pressed_ms.is_none_or(|pressed| again && ms >= pressed + 100);
        if due && (again || self.person(PersonMishap::Stop, ms)) {
            self.pressed_ms = Some(ms);
            self.engine.operator(now, Operator::Stop);
        }
        // The program stops a run by itself that it cannot write down.
        if self.handed.refused_ms.is_some() && self.pressed_ms.is_none() {
            self.pressed_ms = Some(ms);
            self.engine.operator(now, Operator::Stop);
        }
        let Some(prompt) = self.engine.run().prompt().map(|prompt| prompt.number) else {
            self.answers_ms = None;
            return;
        };
        if self.person(PersonMishap::Silent, ms) || self.looks_out_for_readings(ms) {
            return;
        }
        let answers_ms =
            *self.answers_ms.get_or_insert_with(|| ms + self.noise.uniform(0.0, ANSWER_MS_MAX) as u64);
        if ms < answers_ms {
            return;
        }
        self.answers_ms = None;
        let no = self.person(PersonMishap::No, ms) && !self.said_no;
        self.said_no |= no;
        let times = if self.person(PersonMishap::DoubleKeys, ms) { 3 } else { 1 };
        for _ in 0..times {
            self.engine.operator(now, Operator::Answer { prompt, yes: !no });
        }
    }

    /// Whether the person waits for readings to come back through a line that is cut or was, until they do.
    fn looks_out_for_readings(&mut self, ms: u64) -> bool {
        let cut = |mishap: &Mishap| {
            matches!(mishap.what, What::Line(LineMishap::Unplug | LineMishap::Interrupted))
                && ms >= mishap.onset_ms
        };
        let Some(mishap) = self.mishap.filter(cut) else { return false };
        if self.handed.gave_up_ms.is_none() || self.back {
            return false;
        }
        let late = ms > mishap.onset_ms + mishap.for_ms + BACK_MS_MAX;
        if late {
            self.wrong.push(format!("readings have not come back by {ms} ms"));
        }
        !late
    }

    /// A command that is well framed and means nothing.
    fn nonsense(&self) -> Vec<u8> {
        let dwell = Dwell {
            serial: u16::MAX,
            start: Start::AfterPrevious,
            duration_ms: 1_000,
            inlet: Ramp::constant(u16::MAX),
            pressure: Ramp::constant(u16::MAX),
            supply_on: true,
            drive_rpm: u16::MAX,
            dump_closed: true,
            expect_flow: false,
            end_when: None,
            burst: None,
        };
        let valid_until = self.board_now.plus_ms(250);
        let id = self.last_id.wrapping_add(1);
        super::line::framed(&ToBoard::Command(Command {
            session: self.session,
            id,
            valid_until,
            action: Action::Dwell(dwell),
        }))
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
