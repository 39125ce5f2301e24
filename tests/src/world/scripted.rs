//! A host that says what it is told to, straight to the board: for what no program would ever say.

use super::played::line::framed;
use super::played::machine::Machine;
use super::played::mishap::Mishap;
use super::witness::watch::Watch;
use super::{Judged, judged};
use stepwell_procedure::calibrate::Calibration;
use stepwell_procedure::guard;
use stepwell_procedure::run::Plan;
use stepwell_protocol::PROTOCOL_VERSION;
use stepwell_protocol::frame::{Deframer, decode};
use stepwell_protocol::guards::Guards;
use stepwell_protocol::identity::Identity;
use stepwell_protocol::message::{Action, Command, FromBoard, Hello, Refusal, Renew, Reply, ToBoard};
use stepwell_virtual::SimulatedBench;

/// Number of its session.
pub const SESSION: u32 = 7;

/// What it says counts for so long, in ms.
const VALID_MS: u32 = 250;

/// It renews its lease so often, in ms.
const RENEW_EVERY_MS: u64 = 50;

/// The host, and the board that it speaks to.
#[derive(Debug)]
pub struct Scripted {
    plan: Plan,
    /// Board and rig.
    pub machine: Machine,
    /// What stands beside them.
    pub watch: Watch,
    /// Whether the lease is renewed.
    pub renews: bool,
    begun: Option<Mishap>,
    identity: Option<Identity>,
    id: u16,
    from_board: Deframer,
    answer: Option<(u16, Result<Reply, Refusal>)>,
}

impl Scripted {
    /// A host that has opened a session on a board that has just been switched on.
    #[must_use]
    pub fn new(plan: &Plan, machine: Machine) -> Scripted {
        let mut host = Scripted {
            plan: plan.clone(),
            machine,
            watch: Watch::new(),
            renews: true,
            begun: None,
            identity: None,
            id: 0,
            from_board: Deframer::new(),
            answer: None,
        };
        host.pass(10);
        host.say(&ToBoard::Hello(Hello { protocol: PROTOCOL_VERSION, session: SESSION }));
        host.pass(100);
        host
    }

    /// Something of the rig or the board begins to go wrong.
    pub fn befall(&mut self, mishap: Mishap) {
        self.machine.befall(mishap);
        self.begun = Some(mishap);
    }

    /// Says this between two ticks.
    pub fn say(&mut self, message: &ToBoard) {
        let bytes = framed(message);
        self.watch.heard(&bytes);
        self.machine.receive(&bytes);
    }

    /// Time passes.
    pub fn pass(&mut self, ms: u64) {
        for _ in 0..ms {
            if self.renews && self.machine.ms().is_multiple_of(RENEW_EVERY_MS) {
                let valid_until = self.machine.now().plus_ms(VALID_MS);
                self.say(&ToBoard::Renew(Renew { session: SESSION, valid_until }));
            }
            // A board in this process is never gone.
            let _ = self.machine.tick();
            self.watch.ticked(&self.machine);
            let mut said = Vec::new();
            self.machine.transmit(&mut said);
            self.watch.spoke(&said);
            self.listen(&said);
        }
    }

    fn listen(&mut self, bytes: &[u8]) {
        let mut rest = bytes;
        while let Some(body) = self.from_board.next_body(&mut rest) {
            match body.and_then(decode::<FromBoard<'_>>) {
                Ok(FromBoard::Welcome(identity)) => self.identity = Some(identity),
                Ok(FromBoard::Ack(ack)) => self.answer = Some((ack.id, ack.result)),
                _ => {}
            }
        }
    }

    /// Asks for something and returns the answer, which comes at the next tick.
    ///
    /// # Errors
    /// What the board refuses.
    ///
    /// # Panics
    /// When it does not answer.
    pub fn ask(&mut self, action: Action) -> Result<Reply, Refusal> {
        self.id += 1;
        let valid_until = self.machine.now().plus_ms(VALID_MS);
        self.say(&ToBoard::Command(Command { session: SESSION, id: self.id, valid_until, action }));
        self.pass(1);
        match self.answer.take() {
            Some((id, result)) if id == self.id => result,
            other => panic!("asked {action:?}, answered {other:?}"),
        }
    }

    /// The guards of the sheets, with the sheets' own zeroes.
    ///
    /// # Panics
    /// When the board has not answered the greeting.
    #[must_use]
    pub fn guards(&self) -> Guards {
        let identity = self.identity.as_ref().expect("the board has answered the greeting");
        let bench = &self.plan.bench;
        let supply_v = f64::midpoint(bench.supply_v.0, bench.supply_v.1);
        guard::guards(&self.plan.pump, &Calibration::nominal(bench, identity), supply_v)
    }

    /// Sets those guards and arms with them.
    ///
    /// # Panics
    /// When the board refuses.
    pub fn arm(&mut self) {
        let guards = self.guards();
        self.ask(Action::SetGuards(guards)).expect("guards of the sheets are taken");
        self.ask(Action::Arm { guards_checksum: guards.checksum() }).expect("a sound rig can be armed");
    }

    /// What everybody beside the bench makes of it.
    #[must_use]
    pub fn over(mut self) -> (Watch, Judged) {
        self.watch.over();
        let judged = judged(&self.plan, &self.watch, self.begun);
        (self.watch, judged)
    }
}
