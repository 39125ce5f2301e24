//! What really happened on the bench, tick by tick, and what was said on the wire: kept by somebody who
//! stands beside it and trusts nobody.

use super::machine::Machine;
use crate::trace::Moment;
use std::collections::{HashMap, HashSet};
use std::fmt::Write;
use stepwell_plant::Truth;
use stepwell_protocol::channel::{Coil, Sample};
use stepwell_protocol::dwell::Dwell;
use stepwell_protocol::frame::{Deframer, decode};
use stepwell_protocol::message::{Action, Command, FromBoard, ToBoard};
use stepwell_protocol::telemetry::unpack;
use stepwell_protocol::time::Tick;
use stepwell_virtual::SimulatedBench;

/// One millisecond beside the bench.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Beside {
    /// What the harness always looks at.
    pub moment: Moment,
    /// Whether the stop chain, the guard and the tank are as they should be.
    pub contacts: [bool; 3],
    /// True supply voltage, V.
    pub supply_v: f64,
    /// True mean currents over a PWM period, inlet first, A.
    pub current_a: [f64; 2],
    /// What the current channels show, inlet first: sums of a tick's conversions, which end at full scale.
    pub current_words: [u16; 2],
    /// True temperature of the fluid, °C.
    pub fluid_celsius: f64,
    /// True resistances of the circuits, inlet first, Ω.
    pub circuit_ohm: [f64; 2],
    /// Pulses of the flow meter since the rig was switched on, low 16 bits.
    pub flow_pulses: u16,
    /// Whether the converter stands still.
    pub converter_stands: bool,
    /// Whether the board started anew at this tick.
    pub restarted: bool,
    /// Whether the board's loop ran.
    pub running: bool,
}

/// Something said on the wire that was heard at the other end.
#[derive(Clone, Debug, PartialEq)]
pub enum Said {
    /// A renewal of the lease by the session that the board has opened, in time.
    Renewed,
    /// A renewal or command, in time, of a session that the board has not opened.
    Foreign,
    /// A stop.
    Stop,
    /// The board has taken a dwell.
    Dwell(Dwell),
    /// The board has cleared its latch because it was told to.
    Cleared,
    /// The board was told to disarm, and did.
    Disarmed,
    /// The board has carried out a command that had outlived its time.
    LateActed(Action),
    /// A dwell that no valve can follow.
    Impossible,
    /// A frame that is none.
    Broken,
}

/// What the board did from one start to the next.
#[derive(Debug, Default)]
struct Life {
    /// Samples it has put on the wire, by its tick.
    sent: HashMap<u32, Sample>,
    /// The place of each of its ticks in the order of milliseconds.
    places: HashMap<u32, usize>,
}

/// The watch.
#[derive(Debug, Default)]
pub struct Watch {
    /// Every millisecond, from the first on.
    pub ticks: Vec<Beside>,
    /// What was heard, with the number of the millisecond whose tick it came before.
    pub said: Vec<(usize, Said)>,
    lives: Vec<Life>,
    to_board: Deframer,
    from_board: Deframer,
    session: Option<u32>,
    /// Commands heard: whether in time, before which millisecond's tick, and what.
    commands: HashMap<(u32, u16), (bool, usize, Command)>,
    acted: HashSet<(u32, u16)>,
    before: Option<Truth>,
}

impl Watch {
    /// A watch that begins before the rig is switched on.
    #[must_use]
    pub fn new() -> Watch {
        Watch::default()
    }

    /// Bytes reach the board, whose latest tick is `now`.
    pub fn heard(&mut self, now: Tick, bytes: &[u8]) {
        let mut rest = bytes;
        let mut said = Vec::new();
        while let Some(body) = self.to_board.next_body(&mut rest) {
            match body.and_then(decode::<ToBoard>) {
                Err(_) => said.push(Said::Broken),
                Ok(ToBoard::Stop) => said.push(Said::Stop),
                Ok(ToBoard::Hello(_)) => {}
                Ok(ToBoard::Renew(renew)) => {
                    let in_time = !now.is_after(renew.valid_until);
                    match Some(renew.session) == self.session {
                        true if in_time => said.push(Said::Renewed),
                        false if in_time => said.push(Said::Foreign),
                        _ => {}
                    }
                }
                Ok(ToBoard::Command(command)) => {
                    let in_time = !now.is_after(command.valid_until);
                    if Some(command.session) != self.session && in_time {
                        said.push(Said::Foreign);
                    }
                    let Command { session, id, action, .. } = command;
                    if let Action::Dwell(dwell) = action
                        && in_time
                        && dwell.inlet.max_e4().max(dwell.pressure.max_e4()) > 10_000
                    {
                        said.push(Said::Impossible);
                    }
                    // The first to be heard in time counts; others are its echoes.
                    let place = self.ticks.len();
                    let known = self.commands.entry((session, id)).or_insert((in_time, place, command));
                    if in_time && !known.0 {
                        *known = (in_time, place, command);
                    }
                }
            }
        }
        let at = self.ticks.len();
        self.said.extend(said.into_iter().map(|said| (at, said)));
    }

    /// The board has said this.
    pub fn spoke(&mut self, bytes: &[u8]) {
        let mut rest = bytes;
        let mut said = Vec::new();
        while let Some(body) = self.from_board.next_body(&mut rest) {
            match body.and_then(decode::<FromBoard<'_>>) {
                Ok(FromBoard::Welcome(identity)) => self.session = Some(identity.session),
                Ok(FromBoard::Telemetry(frame)) => {
                    let samples = unpack(frame.packed, frame.ticks);
                    for (tick, sample) in
                        (frame.first.0..).zip(samples.iter().flat_map(|samples| samples.iter()))
                    {
                        self.life().sent.insert(tick, *sample);
                    }
                }
                Ok(FromBoard::Ack(ack)) if ack.result.is_ok() => {
                    let name = (ack.session, ack.id);
                    let Some((in_time, place, command)) = self.commands.get(&name) else { continue };
                    if !self.acted.insert(name) {
                        continue;
                    }
                    // The answer may have waited; what it answers acted when it was heard.
                    let mut act = |what| said.push((*place, what));
                    if !in_time {
                        act(Said::LateActed(command.action));
                    }
                    match command.action {
                        Action::Dwell(dwell) => act(Said::Dwell(dwell)),
                        Action::ClearTrip => act(Said::Cleared),
                        Action::Disarm => act(Said::Disarmed),
                        _ => {}
                    }
                }
                _ => {}
            }
        }
        self.said.extend(said);
    }

    /// The board's present life.
    fn life(&mut self) -> &mut Life {
        if self.lives.is_empty() {
            self.lives.push(Life::default());
        }
        let last = self.lives.len() - 1;
        &mut self.lives[last]
    }

    /// A millisecond has passed.
    pub fn ticked(&mut self, machine: &Machine) {
        if machine.restarted() {
            self.lives.push(Life::default());
            self.to_board = Deframer::new();
            self.from_board = Deframer::new();
            self.session = None;
        }
        let readings = machine.rig().readings();
        let truth = machine.truth();
        self.before.get_or_insert(truth);
        let place = self.ticks.len();
        self.life().places.insert(machine.now().0, place);
        self.ticks.push(Beside {
            moment: Moment::of(machine),
            contacts: [readings.stop_chain_closed, readings.guard_closed, readings.tank_level_ok],
            supply_v: truth.supply_v,
            current_a: [truth.inlet_coil.mean_current_a, truth.pressure_coil.mean_current_a],
            current_words: Coil::BOTH.map(|coil| readings.analog[coil.current().index()]),
            fluid_celsius: truth.fluid_k - 273.15,
            circuit_ohm: [truth.inlet_coil.circuit_ohm, truth.pressure_coil.circuit_ohm],
            flow_pulses: readings.flow.count,
            converter_stands: machine.converter_stands(),
            restarted: machine.restarted(),
            running: machine.running(),
        });
    }

    /// The millisecond at which a board of any life had this tick and put this sample on the wire.
    #[must_use]
    pub fn place_of(&self, tick: u32, sample: &Sample) -> Option<&Beside> {
        let lives = self.lives.iter().rev();
        lives
            .filter(|life| life.sent.get(&tick) == Some(sample))
            .find_map(|life| life.places.get(&tick))
            .and_then(|&place| self.ticks.get(place))
    }

    /// The time of watching is over: what was heard, in order of time.
    pub fn over(&mut self) {
        self.said.sort_by_key(|(at, _)| *at);
    }

    /// A line for each change of what the board does, and for each thing said that changes something.
    #[must_use]
    pub fn changes(&self) -> String {
        let mut out = String::new();
        let mut said = self.said.iter().peekable();
        let mut before = None;
        for (place, Beside { moment, restarted, .. }) in self.ticks.iter().enumerate() {
            while let Some((_, what)) = said.next_if(|(at, _)| *at <= place) {
                if let Said::Dwell(dwell) = what {
                    let _ = writeln!(
                        out,
                        "{place:7} ms  taken: dwell {} {:?}, {} ms",
                        dwell.serial, dwell.start, dwell.duration_ms
                    );
                } else if !matches!(what, Said::Renewed | Said::Broken) {
                    let _ = writeln!(out, "{place:7} ms  heard: {what:?}");
                }
            }
            let outputs = &moment.outputs;
            let now = (
                moment.state,
                [outputs.inlet_duty_e4, outputs.pressure_duty_e4].map(|duty_e4| duty_e4 / 100),
                (outputs.supply_on, outputs.drive_rpm, outputs.dump_closed),
            );
            if *restarted {
                let _ = writeln!(out, "{place:7} ms  the board starts anew");
            }
            if before != Some(now) {
                before = Some(now);
                let (state, [inlet, pressure], (supply, rpm, dump)) = now;
                let _ = writeln!(
                    out,
                    "{place:7} ms  {state:?}: inlet {inlet} %, pressure {pressure} %, supply {}, drive {rpm} rpm, dump {}; \
                     rail {:.2} MPa, shaft {:.2} rev/s",
                    if supply { "on" } else { "off" },
                    if dump { "shut" } else { "open" },
                    moment.rail_pa * 1e-6,
                    moment.speed_rev_per_s
                );
            }
        }
        out
    }

    /// What was true before the first tick.
    #[must_use]
    pub fn before(&self) -> Option<&Truth> {
        self.before.as_ref()
    }
}
