//! The link client: greeting, commands one at a time with retries, the lease, statistics.
//!
//! ```text
//!  Greeting ──Welcome──► Open ──silence, port gone, restart──► Lost ──Welcome──► Watching
//!     │  again every 200 ms    │ command: sent, repeated           ▲                 │
//!     │                        │   every 100 ms until answered     └─────silence─────┘
//!     └──WrongVersion, Busy    │ lease: renewed every 50 ms
//!            ──► Closed            while asked to
//! ```
//!
//! A link that was lost is greeted again by itself, to be watched and nothing else: no command and no
//! renewal ever leaves it again, so nothing can be energised through it. All it says is a stop and the
//! greeting.
//!
//! Bytes in, bytes out, time as an argument. Commands are stop-and-wait: the next is sent when the
//! one before it has been answered. Telemetry is never asked for again; a gap is counted.

mod heard;
mod statistics;

use crate::clock::BoardClock;
use crate::time::HostTime;
pub use heard::{Heard, Unwelcome};
use statistics::note;
pub use statistics::{Histogram, LinkStatistics};
use std::collections::VecDeque;
use stepwell_procedure::words;
use stepwell_protocol::frame::{self, Deframer, FRAME_MAX};
use stepwell_protocol::message::{Action, Command, FromBoard, Hello, Refusal, Renew, ToBoard, TripCause};
use stepwell_protocol::telemetry::unpack;
use stepwell_protocol::time::Tick;
use stepwell_protocol::{LEASE_MS, PROTOCOL_VERSION, RENEW_EVERY_MS};

/// A greeting is repeated this often, in ms.
const GREET_EVERY_MS: u64 = 200;

/// A board that was lost is told to stop and greeted this often, in ms.
const GREET_AGAIN_EVERY_MS: u64 = 500;

/// No answer to a greeting for this long means that nothing of ours is there, in ms.
const GREET_MS_MAX: u64 = 3_000;

/// A command that is not acknowledged is repeated this often, in ms.
const RETRY_EVERY_MS: u64 = 100;

/// A command counts for this long after it was first sent, in ms of board time.
const COMMAND_VALID_MS: u32 = 500;

/// A renewal counts for this long, in ms of board time.
const RENEW_VALID_MS: u32 = 250;

/// A command without an answer for this long means that the board does not hear us, in ms.
const ANSWER_MS_MAX: u64 = 2_000;

/// A program that was not given the processor for this long may not have heard what was said meanwhile: silence
/// counts anew, once until the board is heard, and what the board's clock shows is not known until then; in ms.
const HELD_UP_MS: u64 = 150;
// A clock that is set ahead by less is believed: a renewal still counts for less than the lease.
const _: () = assert!(RENEW_VALID_MS as u64 + HELD_UP_MS < LEASE_MS as u64);

/// A board that has not been heard for this long is lost, in ms.
const SILENCE_MS_MAX: u64 = 500;

/// What is said of a board whose ticks have begun again.
const RESTARTED: &str = "the board has restarted: check its supply and whether its reset was pressed";

/// No board has run for so long, in microseconds of its time: one that says so has lost its mind. A run's
/// times never overflow below it.
const BOARD_US_MAX: u64 = 1 << 60;

#[derive(Debug)]
enum Phase {
    Greeting { since: HostTime, again: HostTime, busy: bool },
    Open,
    Lost { again: HostTime },
    Watching,
    Closed,
}

#[derive(Debug)]
struct InFlight {
    command: Command,
    first_sent: HostTime,
    again: HostTime,
}

/// The link client.
#[derive(Debug)]
pub struct Link {
    session: u32,
    phase: Phase,
    deframer: Deframer,
    clock: BoardClock,
    waiting: VecDeque<Action>,
    in_flight: Option<InFlight>,
    last_id: u16,
    renew_at: HostTime,
    /// Whether the operator's side was alive when time passed last.
    renewing: bool,
    heard_at: HostTime,
    /// Since when silence counts: since the board was heard, or since this program was held up after that.
    silent_from: HostTime,
    ticked_at: HostTime,
    /// The first tick of telemetry since the welcome.
    first_tick: Option<Tick>,
    next_tick: Option<Tick>,
    /// Whether nothing but ticks that are past has come since the board was heard.
    past_only: bool,
    /// The tick of the board's welcome: a dwell that began before it is an earlier one's.
    opened: Option<Tick>,
    statistics: LinkStatistics,
    out: Vec<u8>,
}

impl Link {
    /// A link that is about to greet. `session` should be random: it tells this program from another.
    #[must_use]
    pub fn new(session: u32, now: HostTime) -> Link {
        Link {
            session,
            phase: Phase::Greeting { since: now, again: now, busy: false },
            deframer: Deframer::new(),
            clock: BoardClock::default(),
            waiting: VecDeque::new(),
            in_flight: None,
            last_id: 0,
            renew_at: now,
            renewing: true,
            heard_at: now,
            silent_from: now,
            ticked_at: now,
            first_tick: None,
            next_tick: None,
            past_only: false,
            opened: None,
            statistics: LinkStatistics::default(),
            // A boundary first: whatever the board heard while the port opened ends here.
            out: vec![0],
        }
    }

    /// What the link has been through.
    #[must_use]
    pub fn statistics(&self) -> &LinkStatistics {
        &self.statistics
    }

    /// How long ago the board was last heard, in microseconds.
    #[must_use]
    pub fn silence_us(&self, now: HostTime) -> u64 {
        now.us_since(self.heard_at)
    }

    fn hears(&mut self, now: HostTime) {
        (self.heard_at, self.silent_from, self.past_only) = (now, now, false);
    }

    /// Bytes for the board; taken once.
    pub fn take_bytes(&mut self) -> Vec<u8> {
        std::mem::take(&mut self.out)
    }

    /// Queues a command.
    pub fn command(&mut self, action: Action) {
        self.waiting.push_back(action);
    }

    /// Sends a stop at once, ahead of everything, and forgets commands that have not been answered.
    pub fn stop(&mut self) {
        self.waiting.clear();
        // What was under way is not sent again; whether its number was used shows with the next one.
        self.in_flight = None;
        self.send(&ToBoard::Stop);
    }

    /// The same word again; what was asked since the first one stays asked.
    pub fn stop_again(&mut self) {
        self.send(&ToBoard::Stop);
    }

    fn send(&mut self, message: &ToBoard) {
        let mut bytes = [0; FRAME_MAX];
        match frame::encode(message, &mut bytes) {
            Ok(len) => self.out.extend_from_slice(&bytes[..len]),
            // Every message to the board is far shorter than a frame; the golden-byte tests hold that.
            Err(error) => unreachable!("a message outgrew its frame: {error:?}"),
        }
    }

    /// Bytes have come from the board; what they say is added to `heard`.
    pub fn receive(&mut self, now: HostTime, mut bytes: &[u8], heard: &mut Vec<Heard>) {
        self.passes(now);
        let mut deframer = std::mem::take(&mut self.deframer);
        while let Some(body) = deframer.next_body(&mut bytes) {
            let message = body.and_then(frame::decode::<FromBoard<'_>>);
            match message {
                Ok(message) => {
                    self.statistics.frames_good += 1;
                    self.message(now, message, heard);
                }
                Err(_) => self.statistics.frames_bad += 1,
            }
        }
        self.deframer = deframer;
    }

    fn message(&mut self, now: HostTime, message: FromBoard<'_>, heard: &mut Vec<Heard>) {
        let greeting = matches!(self.phase, Phase::Greeting { .. });
        match message {
            FromBoard::Welcome(identity) if identity.session == self.session && greeting => {
                self.phase = Phase::Open;
                self.opened = Some(identity.now);
                self.hears(now);
                // What it tells of the board's clock may be of a life of the board that is over.
                heard.push(Heard::Welcome(Box::new(identity)));
            }
            FromBoard::Welcome(identity)
                if identity.session == self.session && matches!(self.phase, Phase::Lost { .. }) =>
            {
                self.phase = Phase::Watching;
                self.hears(now);
                heard.push(Heard::Back(Box::new(identity)));
            }
            FromBoard::WrongVersion { protocol, firmware } if greeting => {
                self.phase = Phase::Closed;
                heard.push(Heard::Refused(Unwelcome::WrongVersion {
                    board: protocol,
                    firmware: firmware.as_str().to_owned(),
                    ours: PROTOCOL_VERSION,
                }));
            }
            FromBoard::Busy { session } if session == self.session => {
                // The other one may be gone already: its lease then runs out while we ask again.
                if let Phase::Greeting { busy, .. } = &mut self.phase {
                    *busy = true;
                }
            }
            FromBoard::Ack(ack) if ack.session == self.session => {
                let Some(in_flight) = self.in_flight.take_if(|sent| sent.command.id == ack.id) else {
                    return;
                };
                if let Err(Refusal::OutOfOrder { expected }) = ack.result {
                    // A number before this one was never used: the board never heard that command.
                    self.last_id = expected.wrapping_sub(1);
                    self.waiting.push_front(in_flight.command.action);
                    return;
                }
                note(&mut self.statistics.round_trip_us, now.us_since(in_flight.first_sent));
                heard.push(Heard::Answered { at: ack.at, result: ack.result });
            }
            FromBoard::Telemetry(frame) if matches!(self.phase, Phase::Watching) => {
                let Ok(samples) = unpack(frame.packed, frame.ticks) else { return };
                self.hears(now);
                heard.push(Heard::Watched { samples: samples.to_vec() });
            }
            _ if !greeting && !matches!(self.phase, Phase::Open) => {}
            FromBoard::Telemetry(frame) if !greeting => {
                let Ok(samples) = unpack(frame.packed, frame.ticks) else {
                    self.statistics.frames_bad += 1;
                    return;
                };
                if frame.first_us > BOARD_US_MAX {
                    self.statistics.frames_bad += 1;
                    return;
                }
                if self.next_tick.is_some_and(|due| due.is_after(frame.first)) {
                    self.past(frame.first, heard);
                    return;
                }
                self.clock.observe(now, frame.first.plus_ms(samples.len() as u32 - 1));
                if let Some(due) = self.next_tick {
                    self.statistics.ticks_missing += u64::try_from(frame.first.ms_since(due)).unwrap_or(0);
                    note(&mut self.statistics.frame_interval_us, now.us_since(self.heard_at));
                }
                self.first_tick.get_or_insert(frame.first);
                self.next_tick = Some(frame.first.plus_ms(samples.len() as u32));
                self.hears(now);
                heard.push(Heard::Telemetry {
                    first: frame.first,
                    first_us: frame.first_us,
                    samples: samples.to_vec(),
                });
            }
            FromBoard::DwellEnded(report)
                if self.opened.is_some_and(|opened| report.started.is_after(opened)) =>
            {
                heard.push(Heard::DwellEnded(report));
            }
            FromBoard::Tripped(report) => match report.cause {
                // Its ticks have begun again: nothing of the session is left.
                TripCause::Restarted(_) if !greeting => {
                    let (what, next) = words::cause(report.cause);
                    self.lose(&format!("{what}; {next}"), heard);
                }
                _ => heard.push(Heard::Tripped(report)),
            },
            _ => {}
        }
    }

    /// Time has passed: sends what is due. `operator_alive` keeps the lease going.
    pub fn tick(&mut self, now: HostTime, operator_alive: bool, heard: &mut Vec<Heard>) {
        self.passes(now);
        match &mut self.phase {
            Phase::Greeting { since, again, busy } => {
                if now.us_since(*since) > GREET_MS_MAX * 1_000 {
                    heard.push(if *busy {
                        Heard::Refused(Unwelcome::Busy)
                    } else {
                        Heard::Lost("nothing on the port answers in Stepwell's protocol".into())
                    });
                    self.phase = Phase::Closed;
                } else if now >= *again {
                    *again = now.plus_ms(GREET_EVERY_MS);
                    self.send(&ToBoard::Hello(Hello { protocol: PROTOCOL_VERSION, session: self.session }));
                }
            }
            Phase::Open => self.tick_open(now, operator_alive, heard),
            Phase::Lost { again } => {
                if now >= *again {
                    self.look_out(now);
                }
            }
            Phase::Watching => {
                if now.us_since(self.silent_from) > SILENCE_MS_MAX * 1_000 {
                    self.look_out(now);
                }
            }
            Phase::Closed => {}
        }
    }

    /// The program is given the processor, perhaps after it was held up.
    fn passes(&mut self, now: HostTime) {
        let apart_us = now.us_since(self.ticked_at);
        if apart_us > HELD_UP_MS * 1_000 {
            self.clock.held_up(apart_us);
            if self.silent_from == self.heard_at {
                self.silent_from = now;
            }
        }
        self.ticked_at = now;
    }

    /// Says stop to whoever may hear it, greets, and will do so again.
    fn look_out(&mut self, now: HostTime) {
        self.phase = Phase::Lost { again: now.plus_ms(GREET_AGAIN_EVERY_MS) };
        self.stop();
        self.send(&ToBoard::Hello(Hello { protocol: PROTOCOL_VERSION, session: self.session }));
    }

    /// Telemetry of ticks that are past. Those since the welcome are an echo of the line, unless nothing else comes any
    /// more; earlier ones are of a board whose ticks have begun again.
    fn past(&mut self, first: Tick, heard: &mut Vec<Heard>) {
        self.statistics.frames_bad += 1;
        self.past_only = true;
        if self.first_tick.is_some_and(|begun| begun.is_after(first)) {
            self.lose(RESTARTED, heard);
        }
    }

    /// Gives the board up for `why`, in words, and looks out for it from now on. It may hear us even
    /// when we do not hear it, so the last word is a stop.
    pub fn lose(&mut self, why: &str, heard: &mut Vec<Heard>) {
        let again = self.ticked_at.plus_ms(GREET_AGAIN_EVERY_MS);
        match self.phase {
            Phase::Greeting { .. } => self.phase = Phase::Closed,
            Phase::Open => {
                self.stop();
                self.phase = Phase::Lost { again };
            }
            Phase::Lost { .. } | Phase::Watching => {
                self.phase = Phase::Lost { again };
                return;
            }
            Phase::Closed => return,
        }
        heard.push(Heard::Lost(why.to_owned()));
    }

    /// The port is open again: what was half said on the old one is forgotten.
    pub fn reopened(&mut self, now: HostTime) {
        self.deframer = Deframer::new();
        self.out = vec![0];
        if let Phase::Lost { again } = &mut self.phase {
            *again = now;
        }
    }

    /// Has nothing more to do with whatever is at the other end.
    pub fn close(&mut self) {
        self.phase = Phase::Closed;
    }

    fn tick_open(&mut self, now: HostTime, operator_alive: bool, heard: &mut Vec<Heard>) {
        if now.us_since(self.silent_from) > SILENCE_MS_MAX * 1_000 {
            self.lose(if self.past_only { RESTARTED } else { "the board has fallen silent" }, heard);
            return;
        }
        let unanswered = |sent: &InFlight| now.us_since(sent.first_sent) > ANSWER_MS_MAX * 1_000;
        if self.in_flight.as_ref().is_some_and(unanswered) {
            self.lose("the board no longer answers commands", heard);
            return;
        }
        let board_now = self.clock.board_now(now);
        self.renewing = operator_alive && board_now.is_some();
        let Some(board_now) = board_now else { return };
        if operator_alive && now >= self.renew_at {
            self.renew_at = now.plus_ms(u64::from(RENEW_EVERY_MS));
            let valid_until = board_now.plus_ms(RENEW_VALID_MS);
            self.send(&ToBoard::Renew(Renew { session: self.session, valid_until }));
        }
        let again = match &mut self.in_flight {
            Some(sent) if now >= sent.again => {
                sent.again = now.plus_ms(RETRY_EVERY_MS);
                self.statistics.retries += 1;
                Some(sent.command)
            }
            Some(_) => None,
            None => self.waiting.pop_front().map(|action| {
                self.last_id = self.last_id.wrapping_add(1);
                let command = Command {
                    session: self.session,
                    id: self.last_id,
                    valid_until: board_now.plus_ms(COMMAND_VALID_MS),
                    action,
                };
                let again = now.plus_ms(RETRY_EVERY_MS);
                self.in_flight = Some(InFlight { command, first_sent: now, again });
                command
            }),
        };
        if let Some(command) = again {
            self.send(&ToBoard::Command(command));
        }
    }

    /// When [`Self::tick`] next has something to do, at the latest.
    #[must_use]
    pub fn tick_at(&self) -> HostTime {
        match &self.phase {
            Phase::Greeting { again, .. } | Phase::Lost { again } => *again,
            Phase::Watching => self.silent_from.plus_ms(SILENCE_MS_MAX + 1),
            Phase::Open => {
                let silent = self.silent_from.plus_ms(SILENCE_MS_MAX + 1);
                let renew = self.renewing.then_some(self.renew_at);
                let retry = self.in_flight.as_ref().map(|sent| sent.again);
                renew.into_iter().chain(retry).fold(silent, HostTime::min)
            }
            Phase::Closed => HostTime(u64::MAX),
        }
    }
}

#[cfg(test)]
mod tests;
