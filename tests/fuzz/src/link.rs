//! The host's engine at the end of a line on which anything may come: from the built-in bench with bytes
//! lost, changed and added, from a board that lies, from no board at all.

mod said;

use crate::sheets::{ACCEPTANCE, DEMO, HERON};
use arbitrary::{Arbitrary, Unstructured};
use said::Said;
use stepwell_plant::{Feed, PumpFacts, ValveRest};
use stepwell_procedure::run::{Plan, Run};
use stepwell_protocol::frame::{BODY_MAX, Deframer, decode};
use stepwell_protocol::message::ToBoard;
use stepwell_session::engine::{Engine, Operator, Output};
use stepwell_session::time::HostTime;
use stepwell_virtual::{Setup, SimulatedBench, VirtualBench};

const SESSION: u32 = 7;

/// One exchange, in ms: the length of a telemetry frame.
const EXCHANGE_MS: u32 = 10;

/// Exchanges of one script, with the bench or without; the bench is slow.
const EXCHANGES_MAX: u32 = 500;

/// Something that happens to a host.
#[derive(Arbitrary, Debug)]
enum Event<'a> {
    Raw(&'a [u8]),
    Body(&'a [u8]),
    Said(Said<'a>),
    /// The bench runs and both hear each other; questions are answered with yes.
    Bench {
        exchanges: u8,
        yes: bool,
    },
    /// The same once, with what the bench says cut, changed and said again.
    Mangled {
        drop: u8,
        flip: Option<(u16, u8)>,
        twice: bool,
        deaf: bool,
    },
    Silence(u8),
    HeldUp(u16),
    Answer {
        number: u8,
        yes: bool,
    },
    Stop,
    PortLost,
    PortBack,
}

struct Play {
    engine: Engine,
    bench: VirtualBench,
    now: HostTime,
    to_board: Deframer,
    last_id: Option<u16>,
    over: bool,
    lost_before: bool,
    exchanges_left: u32,
}

/// Plays a script. Nothing panics, stands still or grows, and a lost bench is not energised again.
pub fn check(data: &[u8]) {
    let mut input = Unstructured::new(data);
    let mut procedure = ACCEPTANCE.clone();
    if input.arbitrary().unwrap_or(false) {
        procedure.set_up.clear();
    }
    let plan = Plan { pump_id: "P-1".into(), pump: HERON.clone(), bench: DEMO.clone(), procedure };
    let pump = PumpFacts {
        inlet_valve: ValveRest::Open,
        pressure_valve: Some(ValveRest::Open),
        feed: Feed::ElectricSupply,
        displacement_m3_per_rev: HERON.displacement_m3_per_rev,
    };
    let mut play = Play {
        engine: Engine::new(Run::new(plan), SESSION, HostTime(0)),
        bench: VirtualBench::new(&Setup { pump, seed: 1, faults: Vec::new() }),
        now: HostTime(0),
        to_board: Deframer::new(),
        last_id: None,
        over: false,
        lost_before: false,
        exchanges_left: EXCHANGES_MAX,
    };
    while !input.is_empty() && play.exchanges_left > 0 {
        let Ok(event) = input.arbitrary() else { break };
        play.event(event);
    }
    // A board that says no more is lost in the end, and the run comes to its end.
    for _ in 0..400 {
        play.silence(EXCHANGE_MS);
        play.answer(false);
    }
    assert!(play.over, "a run without a board does not end: {:?}", play.engine.run().progress());
}

impl Play {
    fn event(&mut self, event: Event<'_>) {
        match event {
            Event::Raw(bytes) => self.hears(bytes),
            Event::Body(body) => {
                if body.len() <= BODY_MAX {
                    self.hears(&said::framed(&said::Body(body)));
                }
            }
            Event::Said(said) => self.hears(&said.frame(SESSION, self.last_id.unwrap_or(0))),
            Event::Bench { exchanges, yes } => {
                for _ in 0..exchanges {
                    let bytes = self.exchange(false);
                    self.hears(&bytes);
                    self.answer(yes);
                }
            }
            Event::Mangled { drop, flip, twice, deaf } => {
                let mut bytes = self.exchange(deaf);
                bytes.drain(..usize::from(drop).min(bytes.len()));
                if let (Some((at, mask)), 1..) = (flip, bytes.len()) {
                    let at = usize::from(at) % bytes.len();
                    bytes[at] ^= mask;
                }
                for _ in 0..=u8::from(twice) {
                    self.hears(&bytes);
                }
                self.answer(true);
            }
            Event::Silence(ms) => self.silence(ms.into()),
            Event::HeldUp(ms) => self.silence(ms.into()),
            Event::Answer { number, yes } => {
                self.engine.operator(self.now, Operator::Answer { prompt: number.into(), yes });
                self.look(0);
            }
            Event::Stop => {
                self.engine.operator(self.now, Operator::Stop);
                self.look(0);
            }
            Event::PortLost => {
                self.engine.port_lost("the port is gone");
                self.look(0);
            }
            Event::PortBack => {
                self.engine.port_reopened(self.now);
                // What was half said on the old one is forgotten.
                self.to_board = Deframer::new();
            }
        }
    }

    fn hears(&mut self, bytes: &[u8]) {
        self.engine.receive(self.now, bytes);
        self.engine.tick(self.now);
        self.look(bytes.len());
    }

    fn silence(&mut self, ms: u32) {
        self.exchanges_left = self.exchanges_left.saturating_sub(1);
        self.now = self.now.plus_ms(ms.into());
        self.engine.tick(self.now);
        assert!(self.over || self.engine.tick_at() > self.now, "something is always due");
        self.look(0);
    }

    /// Both sides run for ten milliseconds; what the bench says.
    fn exchange(&mut self, deaf: bool) -> Vec<u8> {
        self.silence(EXCHANGE_MS);
        let to_board = self.take();
        if !deaf {
            self.bench.receive(&to_board);
        }
        let mut bytes = Vec::new();
        for _ in 0..EXCHANGE_MS {
            self.bench.tick().unwrap_or_else(|error| panic!("the bench is gone: {error}"));
            self.bench.transmit(&mut bytes);
        }
        bytes
    }

    fn answer(&mut self, yes: bool) {
        if let Some(prompt) = self.engine.run().prompt().map(|prompt| prompt.number) {
            self.engine.operator(self.now, Operator::Answer { prompt, yes });
        }
        self.engine.operator(self.now, Operator::Alive);
        self.look(0);
    }

    /// Takes what is to be done and what is to be shown.
    fn look(&mut self, came: usize) {
        let mut outputs = 0;
        while let Some(output) = self.engine.poll() {
            outputs += 1;
            self.over |= matches!(output, Output::Finished(..) | Output::Unwelcome(_));
        }
        // A frame of a few bytes makes a line of the record; the end of a step makes some tens.
        assert!(outputs <= came + 200, "{outputs} things to do came from {came} bytes");
        let view = self.engine.view(self.now);
        assert!(view.findings.len() < 1_000);
    }

    /// Bytes for the board, each frame of them a message of our session; once the link was lost, none that
    /// could energise anything.
    fn take(&mut self) -> Vec<u8> {
        let bytes = self.engine.take_bytes();
        let lost = self.engine.view(self.now).lost.is_some();
        // What was said before the loss may still be among it.
        let lost_before = std::mem::replace(&mut self.lost_before, lost);
        let mut rest = bytes.as_slice();
        while let Some(body) = self.to_board.next_body(&mut rest) {
            let message = body.and_then(decode::<ToBoard>);
            match message.unwrap_or_else(|error| panic!("the host says rubbish: {error:?}")) {
                ToBoard::Command(command) => {
                    assert!(!lost_before, "a command after the loss: {command:?}");
                    assert_eq!(command.session, SESSION);
                    self.last_id = Some(command.id);
                }
                ToBoard::Renew(renew) => {
                    assert!(!lost_before, "a renewal after the loss: {renew:?}");
                    assert_eq!(renew.session, SESSION);
                }
                ToBoard::Hello(hello) => assert_eq!(hello.session, SESSION),
                ToBoard::Stop => {}
            }
        }
        bytes
    }
}
