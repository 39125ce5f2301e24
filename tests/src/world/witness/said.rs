//! What was said on the wire, read from its bytes by somebody who knows the protocol and the true time, and what
//! of it changes what the board may do.

use std::collections::{HashMap, HashSet};
use stepwell_protocol::LEASE_MS;
use stepwell_protocol::channel::Sample;
use stepwell_protocol::dwell::{Dwell, DwellReport};
use stepwell_protocol::frame::{Deframer, decode};
use stepwell_protocol::guards::Guards;
use stepwell_protocol::message::{Action, Command, FromBoard, Reply, ToBoard, TripCause};
use stepwell_protocol::telemetry::unpack;
use stepwell_protocol::time::Tick;

/// Something said on the wire that was heard at the other end.
#[derive(Clone, Debug, PartialEq)]
pub enum Said {
    /// A renewal of the lease by the session that the board has opened, in time.
    Renewed,
    /// It counts for so long from now on, in ms: no less than the lease.
    FarAhead(i32),
    /// A command of that session, in time, whatever it asks for.
    Asked,
    /// A renewal or command, in time, of a session that the board has not opened.
    Foreign,
    /// A stop.
    Stop,
    /// The board has opened another session.
    Opened,
    /// The board has taken guards.
    Guards(Box<Guards>),
    /// The board has armed, with guards of this checksum.
    Armed(u32),
    /// The board has taken a dwell.
    Dwell(Dwell),
    /// The board has cleared its latch because it was told to.
    Cleared,
    /// The board was told to disarm, and did.
    Disarmed,
    /// The board says that it has tripped, for this cause, found at this tick of its own.
    Tripped(TripCause, Tick),
    /// The board says, without being asked, how a dwell ended; with the session that it has opened.
    Ended(Option<u32>, DwellReport),
    /// The board says how a dwell ended because it was asked.
    Answered(DwellReport),
    /// The board has carried out a command that had outlived its time.
    LateActed(Action),
    /// A dwell that no valve can follow.
    Impossible,
    /// A frame that is none.
    Broken,
}

/// A command as it was heard.
#[derive(Debug)]
struct Asked {
    in_time: bool,
    when: When,
    command: Command,
}

/// Before which millisecond's tick something was heard, and after how much else.
type When = (usize, usize);

/// Telemetry that the board has put on the wire: the first tick, its time in µs, and the samples.
pub type Told = (u32, u64, Vec<Sample>);

/// What comes beyond so many greetings and commands in a tick is dropped unanswered (docs/protocol.md, 6.1).
const HANDLED_PER_TICK_MAX: u8 = 4;

/// Everything that goes over the wire, overheard.
#[derive(Debug, Default)]
pub struct Overheard {
    said: Vec<(When, Said)>,
    /// How much was heard so far.
    count: usize,
    to_board: Deframer,
    from_board: Deframer,
    session: Option<u32>,
    /// The number of the session's next command.
    due: u16,
    /// Before which millisecond's tick greetings and commands were heard last, and how many.
    handled: (usize, u8),
    commands: HashMap<(u32, u16), Asked>,
    acted: HashSet<(u32, u16)>,
    greeted: HashMap<u32, When>,
}

impl Overheard {
    /// The board starts anew: nothing half said is left, and no session.
    pub fn restarted(&mut self) {
        self.to_board = Deframer::new();
        self.from_board = Deframer::new();
        self.session = None;
    }

    /// Bytes reach the board between the tick with the true number `now` and that of the millisecond `place`.
    ///
    /// What is late is late to the tick: it is judged by the board's latest sampling (docs/protocol.md, 6.3), and
    /// here every byte comes between two of them.
    pub fn heard(&mut self, place: usize, now: Tick, bytes: &[u8]) {
        let mut rest = bytes;
        while let Some(body) = self.to_board.next_body(&mut rest) {
            self.count += 1;
            let when = (place, self.count);
            let message = body.and_then(decode::<ToBoard>);
            match message {
                Err(_) => self.said.push((when, Said::Broken)),
                Ok(ToBoard::Stop) => self.said.push((when, Said::Stop)),
                Ok(ToBoard::Hello(_) | ToBoard::Command(_)) if !self.is_handled(place) => {}
                Ok(ToBoard::Hello(hello)) => {
                    self.greeted.insert(hello.session, when);
                }
                Ok(ToBoard::Renew(renew)) if !now.is_after(renew.valid_until) => {
                    let ours = Some(renew.session) == self.session;
                    self.said.push((when, if ours { Said::Renewed } else { Said::Foreign }));
                    let ahead_ms = renew.valid_until.ms_since(now);
                    // It must be less (docs/protocol.md, 6.1).
                    if ours && ahead_ms >= LEASE_MS as i32 {
                        self.said.push((when, Said::FarAhead(ahead_ms)));
                    }
                }
                Ok(ToBoard::Renew(_)) => {}
                Ok(ToBoard::Command(command)) => self.command(when, now, command),
            }
        }
    }

    fn is_handled(&mut self, place: usize) -> bool {
        let before = if self.handled.0 == place { self.handled.1 } else { 0 };
        self.handled = (place, before.saturating_add(1));
        before < HANDLED_PER_TICK_MAX
    }

    fn command(&mut self, when: When, now: Tick, command: Command) {
        let in_time = !now.is_after(command.valid_until);
        let Command { session, id, action, .. } = command;
        // Nothing acts before its session is open.
        let ours = Some(session) == self.session;
        if in_time && !ours {
            self.said.push((when, Said::Foreign));
        }
        // The one whose turn it is counts, in time or not; others are its echoes or out of order (docs/protocol.md, 6.3).
        if !ours || id != self.due {
            return;
        }
        self.due = self.due.wrapping_add(1);
        if in_time {
            self.said.push((when, Said::Asked));
        }
        if let Action::Dwell(dwell) = action
            && in_time
            && dwell.inlet.max_e4().max(dwell.pressure.max_e4()) > 10_000
        {
            self.said.push((when, Said::Impossible));
        }
        self.commands.insert((session, id), Asked { in_time, when, command });
    }

    /// The board has said this before the tick of the millisecond `place`. Returns its telemetry.
    pub fn spoke(&mut self, place: usize, bytes: &[u8]) -> Vec<Told> {
        let mut rest = bytes;
        let mut told = Vec::new();
        let mut from_board = std::mem::take(&mut self.from_board);
        while let Some(body) = from_board.next_body(&mut rest) {
            match body.and_then(decode::<FromBoard<'_>>) {
                Ok(FromBoard::Welcome(identity)) => {
                    if self.session.replace(identity.session) != Some(identity.session)
                        && let Some(&when) = self.greeted.get(&identity.session)
                    {
                        // Whoever opens it begins to count anew.
                        self.due = 1;
                        self.said.push((when, Said::Opened));
                    }
                }
                Ok(FromBoard::Telemetry(frame)) => {
                    if let Ok(samples) = unpack(frame.packed, frame.ticks) {
                        told.push((frame.first.0, frame.first_us, samples.to_vec()));
                    }
                }
                Ok(FromBoard::Ack(ack)) => {
                    if let Ok(Reply::Dwell(report)) = ack.result {
                        self.said.push(((place, self.count), Said::Answered(report)));
                    }
                    if ack.result.is_ok() {
                        self.acted((ack.session, ack.id));
                    }
                }
                Ok(FromBoard::Tripped(report)) => {
                    self.said.push(((place, self.count), Said::Tripped(report.cause, report.at)));
                }
                Ok(FromBoard::DwellEnded(report)) => {
                    self.said.push(((place, self.count), Said::Ended(self.session, report)));
                }
                _ => {}
            }
        }
        self.from_board = from_board;
        told
    }

    /// The board says that it has carried a command out. The answer may have waited; what it answers acted when it
    /// was heard.
    fn acted(&mut self, name: (u32, u16)) {
        let Some(Asked { in_time, when, command }) = self.commands.get(&name) else { return };
        if !self.acted.insert(name) {
            return;
        }
        if !in_time {
            self.said.push((*when, Said::LateActed(command.action)));
        }
        let what = match command.action {
            Action::SetGuards(guards) => Said::Guards(Box::new(guards)),
            Action::Arm { guards_checksum } => Said::Armed(guards_checksum),
            Action::Dwell(dwell) => Said::Dwell(dwell),
            Action::ClearTrip => Said::Cleared,
            Action::Disarm => Said::Disarmed,
            _ => return,
        };
        self.said.push((*when, what));
    }

    /// Everything that was said, in order, with the number of the millisecond whose tick it came before.
    pub fn over(&mut self) -> Vec<(usize, Said)> {
        let mut said = std::mem::take(&mut self.said);
        said.sort_by_key(|(when, _)| *when);
        said.into_iter().map(|((place, _), said)| (place, said)).collect()
    }
}
