//! A rig of a few lines, a host of a few lines, and the board between them.
//!
//! The rig answers the outputs roughly as a real one does, with a little noise, and every part of
//! it can be broken. Counts are those of ten 12-bit conversions: 0 to 40 950.

use stepwell_core::{Board, BoardFacts, Outputs, Pulses, Readings};
use stepwell_protocol::PROTOCOL_VERSION;
use stepwell_protocol::channel::{ANALOG_CHANNELS, Channel, Coil, Sample};
use stepwell_protocol::dwell::{Dwell, DwellReport, Ramp, Start};
use stepwell_protocol::frame::{Deframer, FRAME_MAX, decode, encode};
use stepwell_protocol::guards::{Band, Ceilings, CoilGuard, Guards, OnLoss};
use stepwell_protocol::identity::{Identity, ResetCause};
use stepwell_protocol::message::{
    Ack, Action, Command, FromBoard, HandWork, Hello, Refusal, Renew, Reply, ToBoard, TripCause, TripReport,
};
use stepwell_protocol::state::{State, Status};
use stepwell_protocol::telemetry::unpack;
use stepwell_protocol::time::Tick;

pub const SESSION: u32 = 0x5EED_0001;
pub const RAIL_ZERO: u16 = 4_095;
pub const CURRENT_ZERO: u16 = 400;
pub const FULL_DUTY: u16 = 10_000;

pub const CEILINGS: Ceilings = Ceilings {
    rail_max: 30_000,
    current_max: 20_000,
    duty_max_e4: 9_000,
    drive_rpm_max: 1_500,
    drive_on_ms_max: 10_000,
    drive_rest_ms_min: 1_000,
    dwell_ms_max: 60_000,
};

/// An inlet valve that is open without current, so that losing it lets pressure rise; a pressure
/// valve that opens without current.
pub fn guards() -> Guards {
    let coil = CoilGuard {
        on_loss: OnLoss::Falls,
        relieve_e4: 0,
        duty_max_e4: 8_000,
        zero: Band { low: 300, high: 500 },
        current_max: 12_000,
        full_duty: FULL_DUTY,
    };
    Guards {
        rail_max: 20_000,
        rail_low: 5_000,
        rail_live: Band { low: 1_000, high: 38_000 },
        rail_zero: Band { low: 3_900, high: 4_300 },
        feed_live: Some(Band { low: 1_000, high: 38_000 }),
        supply: Band { low: 17_000, high: 25_000 },
        fluid: Band { low: 2_000, high: 30_000 },
        coils: [Some(CoilGuard { on_loss: OnLoss::Rises, relieve_e4: 6_000, ..coil }), Some(coil)],
        drive_rpm_max: 1_000,
        drive_on_ms_max: 10_000,
        drive_rest_ms_min: 2_000,
        flow_gap_ms_max: 300,
    }
}

/// A dwell with everything on.
pub fn full_dwell(serial: u16, start: Start, duration_ms: u32) -> Dwell {
    Dwell {
        serial,
        start,
        duration_ms,
        inlet: Ramp::constant(3_000),
        pressure: Ramp::constant(4_000),
        supply_on: true,
        drive_rpm: 500,
        dump_closed: true,
        expect_flow: true,
        end_when: None,
        burst: None,
    }
}

/// The same without the drive, the flow and the dump: nothing to wear out and nothing to expect.
pub fn quiet_dwell(serial: u16, start: Start, duration_ms: u32) -> Dwell {
    Dwell {
        supply_on: false,
        drive_rpm: 0,
        dump_closed: false,
        expect_flow: false,
        ..full_dwell(serial, start, duration_ms)
    }
}

/// What is broken on the rig. Everything `None` or `false` is a healthy rig.
#[derive(Clone, Debug, Default)]
pub struct Broken {
    /// Columns that read this whatever happens.
    pub stuck: [Option<u16>; ANALOG_CHANNELS],
    pub stop_chain_open: bool,
    pub guard_open: bool,
    pub tank_low: bool,
    pub adc_frozen: bool,
    pub coil_open: [bool; 2],
    /// Counts added to a coil's current.
    pub current_added: [u16; 2],
    pub no_flow: bool,
    /// The shaft goes on turning when the drive is off.
    pub shaft_turns_on: bool,
    /// The shaft gives a pulse only every this many milliseconds.
    pub shaft_pulse_ms: Option<u64>,
    /// Pressure stays where it is.
    pub pressure_trapped: bool,
    /// The rail goes to this pressure while the drive turns.
    pub rail_target: Option<u16>,
}

#[derive(Debug)]
pub struct Rig {
    pub broken: Broken,
    rail: u16,
    noise: u32,
    conversions: u16,
    frozen: [u16; ANALOG_CHANNELS],
    flow: Pulses,
    speed: Pulses,
    burst: Vec<u16>,
}

impl Rig {
    fn new() -> Rig {
        Rig {
            broken: Broken::default(),
            rail: RAIL_ZERO,
            noise: 1,
            conversions: 0,
            frozen: [0; ANALOG_CHANNELS],
            flow: Pulses::default(),
            speed: Pulses::default(),
            burst: Vec::new(),
        }
    }

    /// Uniform in -8..=8 counts: the noise of the sum of ten conversions.
    fn noise(&mut self) -> i32 {
        self.noise = self.noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (self.noise >> 16) as i32 % 17 - 8
    }

    fn noisy(&mut self, counts: u16) -> u16 {
        u16::try_from(i32::from(counts) + self.noise()).unwrap_or(0)
    }

    /// One millisecond with these outputs.
    fn step(&mut self, now_us: u64, outputs: &Outputs) -> Readings<'_> {
        let turning = outputs.drive_rpm > 0 || self.broken.shaft_turns_on;
        let target = match self.broken.rail_target {
            Some(target) if turning => target,
            _ if outputs.drive_rpm > 0 && outputs.dump_closed => 12_000,
            _ => RAIL_ZERO,
        };
        if !self.broken.pressure_trapped {
            // A first-order rig with a time constant of 20 ms.
            let step = (i32::from(target) - i32::from(self.rail)) / 20;
            self.rail = (i32::from(self.rail) + step) as u16;
        }
        if turning && now_us.is_multiple_of(1_000 * self.broken.shaft_pulse_ms.unwrap_or(5)) {
            self.speed = Pulses { count: self.speed.count.wrapping_add(1), edge_us: now_us as u16 };
        }
        if outputs.drive_rpm > 0 && !self.broken.no_flow && now_us.is_multiple_of(20_000) {
            self.flow = Pulses { count: self.flow.count.wrapping_add(1), edge_us: now_us as u16 };
        }
        let mut analog = [0; ANALOG_CHANNELS];
        for channel in Channel::ALL.into_iter().take(ANALOG_CHANNELS) {
            let counts = match channel {
                Channel::RailPressure => self.rail,
                Channel::InletCurrent => self.current(Coil::Inlet, outputs),
                Channel::PressureCurrent => self.current(Coil::Pressure, outputs),
                Channel::SupplyVoltage => 20_000,
                _ => 10_000,
            };
            analog[channel.index()] = self.broken.stuck[channel.index()].unwrap_or(self.noisy(counts));
        }
        if self.broken.adc_frozen {
            analog = self.frozen;
        } else {
            self.frozen = analog;
            self.conversions = self.conversions.wrapping_add(10);
        }
        self.burst.clear();
        if let Some(coil) = outputs.burst {
            let conversion = self.current(coil, outputs) / 10;
            self.burst.extend((0..25).map(|i| conversion + i));
        }
        Readings {
            analog,
            flow: self.flow,
            speed: self.speed,
            stop_chain_closed: !self.broken.stop_chain_open,
            guard_closed: !self.broken.guard_open,
            tank_level_ok: !self.broken.tank_low,
            conversions_taken: self.conversions,
            burst: &self.burst,
        }
    }

    fn current(&self, coil: Coil, outputs: &Outputs) -> u16 {
        let drawn = u32::from(FULL_DUTY) * u32::from(outputs.duty_e4(coil)) / 10_000;
        let drawn = if self.broken.coil_open[coil.index()] { 0 } else { drawn as u16 };
        CURRENT_ZERO + drawn + self.broken.current_added[coil.index()]
    }
}

/// A frame of telemetry, unpacked.
#[derive(Clone, Debug)]
pub struct Frame {
    pub number: u32,
    pub first: Tick,
    pub first_us: u64,
    pub rows: Vec<Sample>,
}

/// What the board has said.
#[derive(Debug, Default)]
pub struct Heard {
    pub welcomes: Vec<Identity>,
    pub wrong_versions: Vec<u16>,
    pub busy: Vec<u32>,
    pub acks: Vec<Ack>,
    pub ended: Vec<DwellReport>,
    pub trips: Vec<TripReport>,
    pub frames: Vec<Frame>,
}

pub struct Bench {
    pub board: Board,
    pub rig: Rig,
    pub outputs: Outputs,
    pub heard: Heard,
    pub hand_work: Vec<(Tick, HandWork)>,
    /// Renew the lease every 100 ms.
    pub renewing: bool,
    pub next_id: u16,
    now_us: u64,
    deframer: Deframer,
}

pub fn facts() -> BoardFacts {
    BoardFacts {
        board: "test bench",
        firmware: "0.0.0",
        serial: 7,
        simulated: true,
        reset: ResetCause::PowerOn,
        conversions_per_tick: 10,
        conversion_full_scale: 4_095,
        full_scale_mv: 5_000,
        burst_hz: 25_000,
        pwm_hz: [200, 1_000],
        ceilings: CEILINGS,
    }
}

pub fn framed(message: &ToBoard) -> Vec<u8> {
    let mut bytes = vec![0; FRAME_MAX];
    let len = encode(message, &mut bytes).expect("every message to the board fits a frame");
    bytes.truncate(len);
    bytes
}

impl Bench {
    /// A healthy rig and a board, switched on for a second, so that the drive's account is full.
    pub fn switched_on() -> Bench {
        Bench::with(facts())
    }

    pub fn started_after(reset: ResetCause) -> Bench {
        Bench::with(BoardFacts { reset, ..facts() })
    }

    pub fn with(facts: BoardFacts) -> Bench {
        let mut bench = Bench {
            board: Board::new(facts),
            rig: Rig::new(),
            outputs: Outputs::REST,
            heard: Heard::default(),
            hand_work: Vec::new(),
            renewing: false,
            next_id: 1,
            now_us: 0,
            deframer: Deframer::new(),
        };
        bench.run(1_000);
        bench
    }

    /// Greeted, the lease kept alive.
    pub fn greeted() -> Bench {
        let mut bench = Bench::switched_on();
        bench.hello(SESSION);
        bench.renewing = true;
        bench.renew();
        bench
    }

    /// Armed with these guards.
    pub fn armed_with(guards: Guards) -> Bench {
        let mut bench = Bench::greeted();
        assert_eq!(bench.ask(Action::SetGuards(guards)), Ok(Reply::Done));
        assert_eq!(bench.arm(&guards), Ok(Reply::Done));
        assert_eq!(bench.board.state(), State::Armed);
        // The next four answers can be given from the next tick on.
        bench.tick();
        bench
    }

    pub fn armed() -> Bench {
        Bench::armed_with(guards())
    }

    /// In a long dwell with everything on, for 150 ms.
    pub fn dwelling() -> Bench {
        Bench::dwelling_with(guards())
    }

    pub fn dwelling_with(guards: Guards) -> Bench {
        let mut bench = Bench::armed_with(guards);
        let start = bench.soon();
        assert_eq!(bench.ask(Action::Dwell(full_dwell(1, start, 9_000))), Ok(Reply::Done));
        bench.run(151);
        assert_eq!(bench.board.state(), State::Dwelling);
        assert_eq!(bench.outputs.drive_rpm, 500);
        bench
    }

    /// The next tick.
    pub fn soon(&self) -> Start {
        Start::At(self.board.now().plus_ms(1))
    }

    /// One millisecond.
    pub fn tick(&mut self) {
        if self.renewing && self.board.now().0.is_multiple_of(100) {
            self.renew();
        }
        self.now_us += 1_000;
        let readings = self.rig.step(self.now_us, &self.outputs);
        self.outputs = self.board.tick(self.now_us, &readings);
        if let Some(work) = self.outputs.hand_work {
            self.hand_work.push((self.board.now(), work));
        }
        self.listen();
    }

    /// A tick with wild readings after which nobody listens.
    pub fn tick_unheard(&mut self, salt: u16) {
        let readings = Readings {
            analog: [salt.wrapping_mul(7_919); ANALOG_CHANNELS],
            flow: Pulses::default(),
            speed: Pulses::default(),
            stop_chain_closed: true,
            guard_closed: true,
            tank_level_ok: true,
            conversions_taken: salt,
            burst: &[],
        };
        self.now_us += 1_000;
        self.outputs = self.board.tick(self.now_us, &readings);
    }

    /// A greeting to whose answer nobody listens.
    pub fn hello_unheard(&mut self) {
        self.board.receive(&framed(&ToBoard::Hello(Hello { protocol: PROTOCOL_VERSION, session: SESSION })));
    }

    pub fn run(&mut self, ms: u32) {
        for _ in 0..ms {
            self.tick();
        }
    }

    /// Ticks until `so`, the tick that shows it included. Panics when it takes longer than `ms_max`.
    pub fn ms_until(&mut self, ms_max: u32, so: impl Fn(&Bench) -> bool) -> u32 {
        for ms in 1..=ms_max {
            self.tick();
            if so(self) {
                return ms;
            }
        }
        panic!("not within {ms_max} ms; {:?} with {:?}", self.board.state(), self.outputs);
    }

    pub fn send(&mut self, message: &ToBoard) {
        self.board.receive(&framed(message));
        self.listen();
    }

    pub fn hello(&mut self, session: u32) {
        self.send(&ToBoard::Hello(Hello { protocol: PROTOCOL_VERSION, session }));
    }

    pub fn renew(&mut self) {
        let valid_until = self.board.now().plus_ms(250);
        self.send(&ToBoard::Renew(Renew { session: SESSION, valid_until }));
    }

    pub fn command(&mut self, action: Action) -> Command {
        let id = self.next_id;
        self.next_id = id.wrapping_add(1);
        Command { session: SESSION, id, valid_until: self.board.now().plus_ms(250), action }
    }

    /// Asks for something and returns the answer.
    pub fn ask(&mut self, action: Action) -> Result<Reply, Refusal> {
        let command = self.command(action);
        self.ask_as(command)
    }

    pub fn ask_as(&mut self, command: Command) -> Result<Reply, Refusal> {
        let before = self.heard.acks.len();
        self.send(&ToBoard::Command(command));
        assert_eq!(self.heard.acks.len(), before + 1, "one answer to {command:?}");
        let ack = self.heard.acks.last().expect("counted above");
        assert_eq!((ack.session, ack.id), (command.session, command.id));
        ack.result.clone()
    }

    pub fn arm(&mut self, guards: &Guards) -> Result<Reply, Refusal> {
        self.ask(Action::Arm { guards_checksum: guards.checksum() })
    }

    /// The trip that the board has latched.
    pub fn trip(&mut self) -> Option<TripReport> {
        // No more answers are given between two ticks than a line can ask for.
        self.tick();
        match self.ask(Action::ReadTrip) {
            Ok(Reply::Trip(report)) => Some(report),
            Err(Refusal::NothingToRead) => None,
            other => panic!("{other:?}"),
        }
    }

    pub fn cause(&mut self) -> Option<TripCause> {
        self.trip().map(|report| report.cause)
    }

    /// Drive and supply off, dump open: what a staged stop does on its first tick.
    pub fn is_stopping_or_stopped(&self) -> bool {
        self.outputs.drive_rpm == 0 && !self.outputs.supply_on && !self.outputs.dump_closed
    }

    pub fn is_at_rest(&self) -> bool {
        !self.outputs.energised()
    }

    /// The status words heard so far, with their ticks.
    pub fn statuses(&self) -> Vec<(Tick, Status)> {
        let frames = self.heard.frames.iter();
        frames
            .flat_map(|frame| {
                frame.rows.iter().zip(0..).map(|(row, ms)| {
                    let status = Status::from_word(row[Channel::Status.index()]);
                    (frame.first.plus_ms(ms), status.expect("a status word that the protocol knows"))
                })
            })
            .collect()
    }

    /// Takes what the board has to say.
    pub fn listen(&mut self) {
        let mut buffer = [0; 512];
        loop {
            let len = self.board.transmit(&mut buffer);
            if len == 0 {
                return;
            }
            let mut bytes = &buffer[..len];
            while let Some(body) = self.deframer.next_body(&mut bytes) {
                let body = body.expect("the board sends whole frames");
                match decode::<FromBoard<'_>>(body).expect("the board sends what the protocol knows") {
                    FromBoard::Welcome(identity) => self.heard.welcomes.push(identity),
                    FromBoard::WrongVersion { protocol, .. } => self.heard.wrong_versions.push(protocol),
                    FromBoard::Busy { session } => self.heard.busy.push(session),
                    FromBoard::Ack(ack) => self.heard.acks.push(ack),
                    FromBoard::DwellEnded(report) => self.heard.ended.push(report),
                    FromBoard::Tripped(report) => self.heard.trips.push(report),
                    FromBoard::Telemetry(frame) => self.heard.frames.push(Frame {
                        number: frame.number,
                        first: frame.first,
                        first_us: frame.first_us,
                        rows: unpack(frame.packed, frame.ticks).expect("packed by the protocol").to_vec(),
                    }),
                }
            }
        }
    }
}
