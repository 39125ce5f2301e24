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

use crate::clock::BoardClock;
use crate::time::HostTime;
pub use hdrhistogram::Histogram;
use std::collections::VecDeque;
use stepwell_procedure::words;
use stepwell_protocol::channel::Sample;
use stepwell_protocol::dwell::DwellReport;
use stepwell_protocol::frame::{self, Deframer, FRAME_MAX};
use stepwell_protocol::identity::Identity;
use stepwell_protocol::message::{
    Action, Command, FromBoard, Hello, Refusal, Renew, Reply, ToBoard, TripCause, TripReport,
};
use stepwell_protocol::telemetry::unpack;
use stepwell_protocol::time::Tick;
use stepwell_protocol::{PROTOCOL_VERSION, RENEW_EVERY_MS};

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
/// counts anew, once until the board is heard; in ms.
const HELD_UP_MS: u64 = 250;

/// A board that has not been heard for this long is lost, in ms.
const SILENCE_MS_MAX: u64 = 500;

/// No board has run for so long, in microseconds of its time: one that says so has lost its mind. A run's
/// times never overflow below it.
const BOARD_US_MAX: u64 = 1 << 60;

/// What came over the link.
#[derive(Clone, Debug, PartialEq)]
pub enum Heard {
    /// The board has opened the session.
    Welcome(Box<Identity>),
    /// The board will not talk to us.
    Refused(Unwelcome),
    /// The board has answered the command under way.
    Answered {
        /// The tick at which it was handled.
        at: Tick,
        /// What came of it.
        result: Result<Reply, Refusal>,
    },
    /// Telemetry.
    Telemetry {
        /// The first tick.
        first: Tick,
        /// Board time of the first tick in microseconds.
        first_us: u64,
        /// The samples.
        samples: Vec<Sample>,
    },
    /// A dwell has ended.
    DwellEnded(DwellReport),
    /// The board has tripped.
    Tripped(TripReport),
    /// The link is lost: why, in words.
    Lost(String),
    /// A board answers again on a link that was lost, for watching only.
    Back(Box<Identity>),
    /// Telemetry of a board that is only watched.
    Watched {
        /// The samples.
        samples: Vec<Sample>,
    },
}

/// Why the board will not talk to us.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Unwelcome {
    /// It speaks another version.
    #[error(
        "the board speaks protocol version {board} (firmware {firmware}), this program speaks version {ours}; \
         flash the firmware that came with this program, or use the program that came with the firmware"
    )]
    WrongVersion {
        /// Version of the board.
        board: u16,
        /// Its firmware.
        firmware: String,
        /// Our version.
        ours: u16,
    },
    /// Another program is using it.
    #[error("another program is using the bench; close it and wait half a second")]
    Busy,
}

/// What the link has been through.
#[derive(Clone, Debug, PartialEq)]
pub struct LinkStatistics {
    /// Time from a command's first frame to its acknowledgement, in microseconds.
    pub round_trip_us: Histogram<u64>,
    /// Time between telemetry frames on arrival, in microseconds.
    pub frame_interval_us: Histogram<u64>,
    /// Ticks of telemetry that never came.
    pub ticks_missing: u64,
    /// Frames that were no frames: wrong checksum, stuffing or length.
    pub frames_bad: u64,
    /// Frames received in order.
    pub frames_good: u64,
    /// Commands that had to be sent again.
    pub retries: u64,
}

impl Default for LinkStatistics {
    fn default() -> Self {
        // One microsecond to a minute, to three digits: the bounds are constants, so this cannot
        // fail; growing is allowed so that recording cannot fail either.
        let mut histogram = Histogram::new(3).unwrap_or_else(|_| unreachable!("three digits are allowed"));
        histogram.auto(true);
        LinkStatistics {
            round_trip_us: histogram.clone(),
            frame_interval_us: histogram,
            ticks_missing: 0,
            frames_bad: 0,
            frames_good: 0,
            retries: 0,
        }
    }
}

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
    next_tick: Option<Tick>,
    /// The tick of the board's welcome: a dwell that began before it is not of this session.
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
            next_tick: None,
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
        (self.heard_at, self.silent_from) = (now, now);
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

    fn board_now(&self, now: HostTime) -> Option<Tick> {
        self.clock.board_us(now).map(|us| Tick((us / 1_000) as u32))
    }

    /// Bytes have come from the board; what they say is added to `heard`.
    pub fn receive(&mut self, now: HostTime, mut bytes: &[u8], heard: &mut Vec<Heard>) {
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
                self.clock.observe(now, u64::from(identity.now.0) * 1_000);
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
                let round_trip_us = now.us_since(in_flight.first_sent).max(1);
                self.statistics.round_trip_us.saturating_record(round_trip_us);
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
                let last_us = frame.first_us + 1_000 * (samples.len() as u64 - 1);
                self.clock.observe(now, last_us);
                if self.next_tick.is_some_and(|due| due.is_after(frame.first)) {
                    self.lose(
                        "the board has restarted: check its supply and whether its reset was pressed",
                        heard,
                    );
                    return;
                }
                if let Some(due) = self.next_tick {
                    self.statistics.ticks_missing += u64::try_from(frame.first.ms_since(due)).unwrap_or(0);
                    self.statistics.frame_interval_us.saturating_record(now.us_since(self.heard_at).max(1));
                }
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
        if now.us_since(self.ticked_at) > HELD_UP_MS * 1_000 && self.silent_from == self.heard_at {
            self.silent_from = now;
        }
        self.ticked_at = now;
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
                    *again = now.plus_ms(GREET_AGAIN_EVERY_MS);
                    self.stop();
                    self.send(&ToBoard::Hello(Hello { protocol: PROTOCOL_VERSION, session: self.session }));
                }
            }
            Phase::Watching => {
                if now.us_since(self.silent_from) > SILENCE_MS_MAX * 1_000 {
                    self.phase = Phase::Lost { again: now };
                }
            }
            Phase::Closed => {}
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
            self.lose("the board has fallen silent", heard);
            return;
        }
        self.renewing = operator_alive;
        let Some(board_now) = self.board_now(now) else { return };
        if operator_alive && now >= self.renew_at {
            self.renew_at = now.plus_ms(u64::from(RENEW_EVERY_MS));
            let valid_until = board_now.plus_ms(RENEW_VALID_MS);
            self.send(&ToBoard::Renew(Renew { session: self.session, valid_until }));
        }
        let again = match &mut self.in_flight {
            Some(sent) if now.us_since(sent.first_sent) > ANSWER_MS_MAX * 1_000 => {
                self.lose("the board no longer answers commands", heard);
                return;
            }
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
            Phase::Open => {
                let silent = self.silent_from.plus_ms(SILENCE_MS_MAX + 1);
                let renew = self.renewing.then_some(self.renew_at);
                let retry = self.in_flight.as_ref().map(|sent| sent.again);
                renew.into_iter().chain(retry).fold(silent, HostTime::min)
            }
            Phase::Watching | Phase::Closed => HostTime(u64::MAX),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stepwell_protocol::dwell::DwellEnd;
    use stepwell_protocol::message::Ack;

    const SESSION: u32 = 7;

    /// A link and what it has heard.
    struct Host {
        link: Link,
        heard: Vec<Heard>,
    }

    impl Host {
        fn new() -> Host {
            Host { link: Link::new(SESSION, HostTime(0)), heard: Vec::new() }
        }

        fn sent(&mut self, at_ms: u64) -> Vec<ToBoard> {
            self.link.tick(HostTime(0).plus_ms(at_ms), true, &mut self.heard);
            let bytes = self.link.take_bytes();
            let (mut deframer, mut rest) = (Deframer::new(), bytes.as_slice());
            let mut messages = Vec::new();
            while let Some(body) = deframer.next_body(&mut rest) {
                messages.push(frame::decode(body.unwrap()).unwrap());
            }
            messages
        }

        fn hears(&mut self, at_ms: u64, message: &FromBoard<'_>) {
            let mut bytes = [0; FRAME_MAX];
            let len = frame::encode(message, &mut bytes).unwrap();
            self.link.receive(HostTime(0).plus_ms(at_ms), &bytes[..len], &mut self.heard);
        }

        fn opened() -> Host {
            let mut host = Host::new();
            host.sent(0);
            host.hears(1, &FromBoard::Welcome(identity()));
            host.heard.clear();
            host
        }
    }

    fn identity() -> Identity {
        use stepwell_protocol::guards::Ceilings;
        use stepwell_protocol::identity::ResetCause;
        let ceilings = Ceilings {
            rail_max: 1,
            current_max: 1,
            duty_max_e4: 1,
            drive_rpm_max: 1,
            drive_on_ms_max: 1,
            drive_rest_ms_min: 1,
            dwell_ms_max: 1,
        };
        Identity {
            protocol: PROTOCOL_VERSION,
            session: SESSION,
            board: "".try_into().unwrap(),
            firmware: "".try_into().unwrap(),
            serial: 1,
            simulated: true,
            reset: ResetCause::PowerOn,
            now: Tick(1),
            conversions_per_tick: 10,
            conversion_full_scale: 4_095,
            full_scale_mv: 5_000,
            burst_hz: 20_000,
            pwm_hz: [200, 1_000],
            ceilings,
            drive_left_ms: 0,
        }
    }

    fn commands(messages: Vec<ToBoard>) -> Vec<Command> {
        let only = |message| if let ToBoard::Command(command) = message { Some(command) } else { None };
        messages.into_iter().filter_map(only).collect()
    }

    #[test]
    fn the_greeting_is_repeated_until_it_is_answered_and_given_up_in_the_end() {
        let mut host = Host::new();
        let hello = ToBoard::Hello(Hello { protocol: PROTOCOL_VERSION, session: SESSION });
        assert_eq!(host.sent(0), std::slice::from_ref(&hello));
        assert_eq!(host.sent(100), []);
        assert_eq!(host.sent(200), [hello]);
        host.sent(GREET_MS_MAX + 1);
        assert!(matches!(host.heard[..], [Heard::Lost(_)]));
    }

    #[test]
    fn a_board_of_another_version_is_named_with_both_versions() {
        let mut host = Host::new();
        host.sent(0);
        let firmware = "9.9.9".try_into().unwrap();
        host.hears(1, &FromBoard::WrongVersion { protocol: 99, firmware });
        let [Heard::Refused(why)] = &host.heard[..] else { panic!("{:?}", host.heard) };
        let said = why.to_string();
        assert!(
            said.contains("99") && said.contains("9.9.9") && said.contains(&PROTOCOL_VERSION.to_string())
        );
    }

    #[test]
    fn a_command_is_repeated_unchanged_and_its_answer_counts_once() {
        let mut host = Host::opened();
        host.link.command(Action::Disarm);
        host.link.command(Action::ReadTrip);
        let first = commands(host.sent(10));
        assert_eq!(first.len(), 1, "the second waits for the first's answer");
        assert_eq!(commands(host.sent(50)), []);
        assert_eq!(commands(host.sent(10 + RETRY_EVERY_MS)), first, "same number, same validity");
        let ack = FromBoard::Ack(Ack { session: SESSION, id: 1, at: Tick(5), result: Ok(Reply::Done) });
        host.hears(120, &ack);
        host.hears(121, &ack);
        assert_eq!(host.heard, [Heard::Answered { at: Tick(5), result: Ok(Reply::Done) }]);
        assert_eq!(commands(host.sent(130))[0].id, 2);
        assert_eq!(host.link.statistics().retries, 1);
    }

    #[test]
    fn a_dwell_that_began_before_the_welcome_is_not_of_this_session() {
        let dwell = |serial, started| {
            let (started, ended) = (Tick(started), Tick(started.wrapping_add(9)));
            FromBoard::DwellEnded(DwellReport { serial, started, ended, end: DwellEnd::Stopped })
        };
        let mut host = Host::new();
        host.hears(1, &dwell(1, 0));
        host.hears(2, &FromBoard::Welcome(identity()));
        host.heard.clear();
        host.hears(3, &dwell(1, u32::MAX));
        host.hears(4, &dwell(1, 1));
        assert_eq!(host.heard, [], "told late, or while the welcome was on its way");
        host.hears(5, &dwell(1, 2));
        assert!(matches!(host.heard[..], [Heard::DwellEnded(DwellReport { started: Tick(2), .. })]));
    }

    #[test]
    fn a_number_that_the_board_never_heard_is_used_again_after_a_stop() {
        let mut host = Host::opened();
        host.link.command(Action::Disarm);
        assert_eq!(commands(host.sent(10))[0].id, 1);
        host.link.stop();
        assert_eq!(commands(host.sent(480)), [], "what was under way is not repeated");
        host.link.command(Action::ReadTrip);
        assert_eq!(commands(host.sent(490))[0].id, 2);
        let refused = Err(Refusal::OutOfOrder { expected: 1 });
        host.hears(491, &FromBoard::Ack(Ack { session: SESSION, id: 2, at: Tick(9), result: refused }));
        let again = commands(host.sent(492));
        assert_eq!((again[0].id, again[0].action), (1, Action::ReadTrip));
        assert_eq!(host.heard, []);
    }

    /// Everything that could energise: what a link that was lost never says again.
    fn energising(messages: &[ToBoard]) -> bool {
        messages.iter().any(|said| matches!(said, ToBoard::Command(_) | ToBoard::Renew(_)))
    }

    #[test]
    fn a_lost_board_is_greeted_and_watched_again_and_never_commanded_or_leased() {
        let mut host = Host::opened();
        host.link.command(Action::Disarm);
        host.sent(10);
        host.link.command(Action::ReadTrip);
        host.link.lose("the port is gone", &mut host.heard);
        host.heard.clear();
        host.link.take_bytes();
        let hello = ToBoard::Hello(Hello { protocol: PROTOCOL_VERSION, session: SESSION });
        assert_eq!(host.sent(10 + GREET_AGAIN_EVERY_MS), [ToBoard::Stop, hello.clone()]);
        host.link.reopened(HostTime(0).plus_ms(600));
        host.link.take_bytes();
        assert_eq!(host.sent(600), [ToBoard::Stop, hello.clone()], "at once on a port that came back");
        telemetry(&mut host, 601, 1);
        assert_eq!(host.heard, [], "nothing is believed before the board has said who it is");
        host.hears(602, &FromBoard::Welcome(identity()));
        telemetry(&mut host, 603, 7);
        telemetry(&mut host, 604, 1);
        let ack = FromBoard::Ack(Ack { session: SESSION, id: 1, at: Tick(5), result: Ok(Reply::Done) });
        host.hears(605, &ack);
        assert!(
            matches!(host.heard[..], [Heard::Back(_), Heard::Watched { .. }, Heard::Watched { .. }]),
            "a board that starts again is watched on: {:?}",
            host.heard
        );
        host.link.command(Action::ReadTrip);
        for ms in 606..=604 + SILENCE_MS_MAX {
            assert_eq!(host.sent(ms), [], "watching says nothing");
        }
        host.sent(605 + SILENCE_MS_MAX);
        let again = host.sent(606 + SILENCE_MS_MAX);
        assert_eq!(again, [ToBoard::Stop, hello], "silence again: looked out for again");
        for ms in 607 + SILENCE_MS_MAX..10_000 {
            assert!(!energising(&host.sent(ms)), "{ms}");
        }
        assert_eq!(host.heard.len(), 3, "lost once is lost: {:?}", host.heard);
    }

    fn telemetry(host: &mut Host, at_ms: u64, first: u32) {
        use stepwell_protocol::telemetry::{TelemetryFrame, pack};
        let mut packed = [0; 64];
        let len = pack(&[[0; 14]], &mut packed).unwrap();
        let frame =
            TelemetryFrame { number: 0, first: Tick(first), first_us: 0, ticks: 1, packed: &packed[..len] };
        host.hears(at_ms, &FromBoard::Telemetry(frame));
    }

    #[test]
    fn a_board_that_has_restarted_is_lost_by_that_name_and_told_to_stop() {
        let mut host = Host::opened();
        telemetry(&mut host, 2, 5_000);
        telemetry(&mut host, 3, 1);
        assert!(matches!(host.heard.last(), Some(Heard::Lost(why)) if why.contains("restarted")));
        assert_eq!(host.sent(4), [ToBoard::Stop]);
    }

    #[test]
    fn a_stop_goes_ahead_of_what_waits_and_forgets_it() {
        let mut host = Host::opened();
        host.link.command(Action::Disarm);
        host.link.stop();
        assert_eq!(host.sent(10)[0], ToBoard::Stop);
        assert_eq!(commands(host.sent(20)), []);
    }

    #[test]
    fn the_lease_is_renewed_only_while_the_operator_is_alive() {
        let mut host = Host::opened();
        let renewals =
            |messages: Vec<ToBoard>| messages.iter().filter(|m| matches!(m, ToBoard::Renew(_))).count();
        assert_eq!(renewals(host.sent(2)), 1);
        assert_eq!(renewals(host.sent(50)), 0);
        assert_eq!(renewals(host.sent(102)), 1);
        host.link.tick(HostTime(0).plus_ms(300), false, &mut host.heard);
        assert!(host.link.take_bytes().is_empty());
    }

    #[test]
    fn nothing_is_due_at_once_while_the_operator_is_away() {
        let mut host = Host::opened();
        let heard_at_ms = 1;
        for ms in (2..=heard_at_ms + SILENCE_MS_MAX).step_by(7) {
            let now = HostTime(0).plus_ms(ms);
            host.link.tick(now, false, &mut host.heard);
            assert!(host.link.tick_at() > now, "the loop around would run without a pause");
            assert!(host.link.tick_at() <= HostTime(0).plus_ms(heard_at_ms + SILENCE_MS_MAX + 1));
        }
    }

    #[test]
    fn telemetry_from_the_end_of_time_is_no_telemetry() {
        use stepwell_protocol::telemetry::{TelemetryFrame, pack};
        let mut host = Host::opened();
        let mut packed = [0; 64];
        let len = pack(&[[0; 14]], &mut packed).unwrap();
        for first_us in [BOARD_US_MAX + 1, u64::MAX] {
            let frame =
                TelemetryFrame { number: 0, first: Tick(2), first_us, ticks: 1, packed: &packed[..len] };
            host.hears(2, &FromBoard::Telemetry(frame));
        }
        assert_eq!(host.heard, []);
        assert_eq!(host.link.statistics().frames_bad, 2);
    }

    #[test]
    fn a_program_that_was_held_up_gives_the_board_its_time_anew() {
        let mut host = Host::opened();
        let woken = 5 * SILENCE_MS_MAX;
        for ms in woken..=woken + SILENCE_MS_MAX {
            host.sent(ms);
            assert_eq!(host.heard, [], "{ms}");
        }
        host.sent(woken + SILENCE_MS_MAX + 1);
        assert!(matches!(host.heard[..], [Heard::Lost(_)]));
    }

    /// However slow the program is: it is given time once, and knows how long it has heard nothing.
    #[test]
    fn a_board_that_is_gone_is_lost_by_a_slow_program_too() {
        let mut host = Host::opened();
        let rounds = (1..10).map(|round| 1 + round * (HELD_UP_MS + 50));
        let lost = rounds.clone().find(|ms| {
            host.sent(*ms);
            assert_eq!(host.link.silence_us(HostTime(0).plus_ms(*ms)), (ms - 1) * 1_000);
            !host.heard.is_empty()
        });
        let given = 1 + HELD_UP_MS + 50;
        assert_eq!(lost, rounds.clone().find(|ms| *ms > given + SILENCE_MS_MAX));
    }

    #[test]
    fn a_silent_board_is_lost_within_its_time() {
        let mut host = Host::opened();
        for ms in 2..=1 + SILENCE_MS_MAX {
            host.sent(ms);
        }
        assert_eq!(host.heard, []);
        let last = host.sent(2 + SILENCE_MS_MAX);
        assert!(matches!(host.heard[..], [Heard::Lost(_)]));
        assert_eq!(last, [ToBoard::Stop], "it may hear us all the same");
    }

    #[test]
    fn rubbish_is_counted_and_nothing_comes_of_it() {
        let mut host = Host::opened();
        host.link.receive(HostTime(0).plus_ms(5), &[1, 2, 3, 0, 9, 9, 0], &mut host.heard);
        assert_eq!(host.heard, []);
        assert_eq!(host.link.statistics().frames_bad, 2);
    }
}
