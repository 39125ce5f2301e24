//! The board's whole behaviour: any host and any rig, judged every tick by a witness that never asks the
//! board whether all is well.
//!
//! ```text
//!   script ──► host's bytes, frame by frame ──► board ──► outputs ──► rig ──► readings ──► board
//!                        └──────────────────────► witness ◄────┴──────────────────┘
//! ```

mod rig;
mod script;
mod scripts;
mod witness;

use arbitrary::Unstructured;
use rig::Rig;
use script::Event;
pub use scripts::{Unseen, scripts, unseen, variant};
use stepwell_core::{Board, BoardFacts, Outputs};
use stepwell_protocol::PROTOCOL_VERSION;
use stepwell_protocol::frame::{Deframer, FRAME_MAX, decode, encode};
use stepwell_protocol::guards::Ceilings;
use stepwell_protocol::identity::ResetCause;
use stepwell_protocol::message::{Action, Command, FromBoard, Hello, Renew, ToBoard, TripCause};
use stepwell_protocol::state::State;
use stepwell_protocol::time::Tick;
use witness::Witness;

/// The host's own session; others are counted up from it.
const SESSION: u32 = 7;

/// Ticks of one script; enough for several chains of dwells, a relieving hold and a trapped pressure.
const TICKS_MAX: u32 = 40_000;

const CEILINGS: Ceilings = Ceilings {
    rail_max: 30_000,
    current_max: 20_000,
    duty_max_e4: 9_000,
    drive_rpm_max: 1_500,
    drive_on_ms_max: 10_000,
    drive_rest_ms_min: 1_000,
    dwell_ms_max: 60_000,
};

const RESETS: [ResetCause; 5] =
    [ResetCause::PowerOn, ResetCause::Pin, ResetCause::Watchdog, ResetCause::BrownOut, ResetCause::Fault];

struct Play {
    board: Board,
    rig: Rig,
    outputs: Outputs,
    witness: Witness,
    to_board: Deframer,
    from_board: Deframer,
    next_id: u16,
    last: Option<Command>,
    renewing: bool,
    ticks_left: u32,
    dwelt_ms: u32,
}

/// Plays a script; the first byte says why the board has started.
pub fn check(data: &[u8]) {
    dwelt_ms(data, None);
}

/// For how long dwells ran in a script, in ms: one in which none does shows little. `unseen` is a cause that the board
/// does not trip for.
pub fn dwelt_ms(data: &[u8], unseen: Option<TripCause>) -> u32 {
    let mut input = Unstructured::new(data);
    let reset = RESETS[usize::from(input.arbitrary().unwrap_or(0_u8)) % RESETS.len()];
    let facts = BoardFacts {
        board: "any bench",
        firmware: "0.0.0",
        serial: 7,
        simulated: true,
        reset,
        conversions_per_tick: 10,
        conversion_full_scale: 4_095,
        full_scale_mv: 5_000,
        burst_hz: 25_000,
        pwm_hz: [200, 1_000],
        ceilings: CEILINGS,
    };
    let mut board = Board::new(facts);
    if let Some(unseen) = unseen {
        board.blind(unseen);
    }
    let mut play = Play {
        board,
        rig: Rig::new(),
        outputs: Outputs::REST,
        witness: Witness::new(CEILINGS, reset),
        to_board: Deframer::new(),
        from_board: Deframer::new(),
        next_id: 1,
        last: None,
        renewing: false,
        ticks_left: TICKS_MAX,
        dwelt_ms: 0,
    };
    while !input.is_empty() && play.ticks_left > 0 {
        let Ok(event) = input.arbitrary() else { break };
        play.event(event);
    }
    // Whatever was under way comes to its end.
    play.wait(700);
    play.witness.over();
    play.dwelt_ms
}

impl Play {
    fn event(&mut self, event: Event<'_>) {
        match event {
            Event::Raw(bytes) => self.send(bytes),
            Event::Hello { session, version } => self.say(&ToBoard::Hello(Hello {
                protocol: PROTOCOL_VERSION.wrapping_add(version.into()),
                session: SESSION + u32::from(session % 4),
            })),
            Event::Stop => self.say(&ToBoard::Stop),
            Event::Renew { session, valid } => self.say(&ToBoard::Renew(Renew {
                session: SESSION + u32::from(session % 4),
                valid_until: self.later(valid.into()),
            })),
            Event::Renewing(renewing) => self.renewing = renewing,
            Event::Act { session, number, valid, wish } => {
                let id = self.next_id.wrapping_add(number.into());
                let session = SESSION + u32::from(session % 4);
                let action = wish.action(self.board.now(), &self.witness);
                self.command(Command { session, id, valid_until: self.later(valid.into()), action });
            }
            Event::Wish(wish) => {
                let action = wish.action(self.board.now(), &self.witness);
                self.order(action);
            }
            Event::Repeat => {
                if let Some(command) = self.last {
                    self.say(&ToBoard::Command(command));
                }
            }
            Event::Ready(wish) => self.ready(&wish),
            Event::Break(fault) => self.rig.broken.put(&fault),
            Event::Heal => self.rig.broken = rig::Broken::default(),
            Event::Wait(ms) => self.wait(ms.into()),
            Event::WaitLong(hundreds) => self.wait(100 * u32::from(hundreds)),
        }
    }

    /// What a good host does before it asks for anything.
    fn ready(&mut self, wish: &script::GuardWish) {
        self.say(&ToBoard::Hello(Hello { protocol: PROTOCOL_VERSION, session: SESSION }));
        self.renewing = true;
        self.renew();
        let guards = wish.guards();
        self.order(Action::SetGuards(guards));
        self.wait(5);
        self.order(Action::Arm { guards_checksum: guards.checksum() });
    }

    fn order(&mut self, action: Action) {
        let session = self.witness.session().unwrap_or(SESSION);
        self.command(Command { session, id: self.next_id, valid_until: self.later(400), action });
    }

    fn command(&mut self, command: Command) {
        self.last = Some(command);
        self.say(&ToBoard::Command(command));
        if let Some(due) = self.witness.due() {
            self.next_id = due;
        }
    }

    fn renew(&mut self) {
        let session = self.witness.session().unwrap_or(SESSION);
        self.say(&ToBoard::Renew(Renew { session, valid_until: self.later(250) }));
    }

    fn later(&self, ms: i32) -> Tick {
        Tick(self.board.now().0.wrapping_add_signed(ms))
    }

    fn say(&mut self, message: &ToBoard) {
        let mut frame = [0; FRAME_MAX];
        let len = encode(message, &mut frame).unwrap_or_else(|error| panic!("{message:?}: {error:?}"));
        // What was left half said ends here.
        self.send(&[0]);
        self.send(&frame[..len]);
    }

    /// Frame by frame, so that the witness knows what each one did.
    fn send(&mut self, bytes: &[u8]) {
        for frame in bytes.split_inclusive(|&byte| byte == 0) {
            self.board.receive(frame);
            let mut rest = frame;
            while let Some(body) = self.to_board.next_body(&mut rest) {
                match body.and_then(decode::<ToBoard>) {
                    Ok(message) => self.witness.heard(&message),
                    Err(_) => self.witness.broken(),
                }
            }
            self.listen();
            self.witness.state(self.board.state());
        }
    }

    fn listen(&mut self) {
        let mut bytes = [0; 512];
        loop {
            let len = self.board.transmit(&mut bytes);
            let mut rest = &bytes[..len];
            while let Some(body) = self.from_board.next_body(&mut rest) {
                let body = body.unwrap_or_else(|error| panic!("the board says rubbish: {error:?}"));
                match decode::<FromBoard<'_>>(body) {
                    Ok(message) => self.witness.said(&message),
                    Err(error) => panic!("the board says rubbish: {error:?}"),
                }
            }
            if len < bytes.len() {
                return;
            }
        }
    }

    fn wait(&mut self, ms: u32) {
        for _ in 0..ms.min(self.ticks_left) {
            self.ticks_left -= 1;
            if self.renewing && self.board.now().0.is_multiple_of(100) {
                self.renew();
            }
            let now_us = u64::from(self.board.now().0) * 1_000 + 1_000;
            let readings = self.rig.step(now_us, &self.outputs);
            self.outputs = self.board.tick(now_us, &readings);
            self.witness.tick(&readings, &self.outputs, self.board.state());
            self.listen();
            self.witness.state(self.board.state());
            self.dwelt_ms += u32::from(self.board.state() == State::Dwelling);
        }
    }
}
