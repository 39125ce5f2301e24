//! What the host's messages do. Each is handled when it is received; whatever it changes shows in
//! the outputs of the next tick.

use crate::arming::{check_guards, check_ready};
use crate::board::Board;
use crate::causes::Causes;
use crate::facts::cut;
use crate::lease::Lease;
use crate::session::Order;
use stepwell_protocol::PROTOCOL_VERSION;
use stepwell_protocol::channel::{ANALOG_CHANNELS, Coil};
use stepwell_protocol::dwell::{Dwell, DwellEnd, Ramp, Start};
use stepwell_protocol::guards::Guards;
use stepwell_protocol::message::{
    Ack, Action, Command, FromBoard, HandWork, Hello, Limit, Refusal, Renew, Reply, ToBoard, TripCause,
};
use stepwell_protocol::state::State;
use stepwell_protocol::time::Tick;

impl Board {
    pub(crate) fn handle(&mut self, message: &ToBoard) {
        match message {
            ToBoard::Stop => self.stop(State::Rest, DwellEnd::Stopped, self.next_tick()),
            ToBoard::Renew(renew) => self.renew(*renew),
            ToBoard::Hello(hello) => {
                if self.session.may_answer() {
                    self.hello(*hello);
                }
            }
            ToBoard::Command(command) => {
                if self.session.may_answer() {
                    self.command(command);
                }
            }
        }
    }

    fn hello(&mut self, Hello { protocol, session }: Hello) {
        if protocol != PROTOCOL_VERSION {
            let firmware = cut(self.facts.firmware);
            return self.outbox.send(&FromBoard::WrongVersion { protocol: PROTOCOL_VERSION, firmware });
        }
        if !self.session.is(session) {
            if self.lease.alive() {
                return self.outbox.send(&FromBoard::Busy { session });
            }
            // The one before left things as they are: its lease has run out, so nothing but a
            // staged stop can still be under way.
            self.stop(State::Rest, DwellEnd::Stopped, self.next_tick());
            self.session.open(session);
            self.lease = Lease::NONE;
            self.runner.forget_reports();
        }
        let identity = self.facts.identity(session, self.now, self.budget.left_ms());
        self.outbox.send(&FromBoard::Welcome(identity));
    }

    fn renew(&mut self, Renew { session, valid_until }: Renew) {
        if self.session.is(session) {
            self.lease.renew(self.now, valid_until);
        } else {
            self.foreign(valid_until);
        }
    }

    /// A frame of another session. One that has outlived its time is an echo of the past; a fresh
    /// one is a second host.
    fn foreign(&mut self, valid_until: Tick) {
        self.events.put(TripCause::ForeignSession, !self.now.is_after(valid_until));
    }

    fn command(&mut self, command: &Command) {
        let Command { session, id, valid_until, ref action } = *command;
        if !self.session.is(session) {
            self.foreign(valid_until);
            let result = Err(Refusal::WrongSession);
            return self.outbox.answer(Ack { session, id, at: self.now, result });
        }
        let ack = match self.session.order(id) {
            Order::Again(ack) => ack,
            Order::Out { expected } => {
                Ack { session, id, at: self.now, result: Err(Refusal::OutOfOrder { expected }) }
            }
            Order::Next => {
                let late_ms = self.now.ms_since(valid_until);
                let result = if late_ms > 0 {
                    Err(Refusal::Late { late_ms: late_ms.unsigned_abs() })
                } else {
                    self.asked = self.now;
                    self.act(action)
                };
                let ack = Ack { session, id, at: self.now, result };
                self.session.answered(ack.clone());
                ack
            }
        };
        self.outbox.answer(ack);
    }

    fn act(&mut self, action: &Action) -> Result<Reply, Refusal> {
        match action {
            Action::SetGuards(guards) => self.set_guards(guards),
            Action::Arm { guards_checksum } => self.arm(*guards_checksum),
            Action::Disarm => self.disarm(),
            Action::Dwell(dwell) => self.accept(dwell),
            Action::ClearTrip => self.clear_trip(),
            Action::ReadTrip => self.latch.report().map(Reply::Trip).ok_or(Refusal::NothingToRead),
            Action::ReadDwell { serial } => {
                self.runner.report(*serial).map(Reply::Dwell).ok_or(Refusal::NothingToRead)
            }
            Action::ReadBurst { offset } => {
                self.burst.piece(*offset).map(Reply::Burst).ok_or(Refusal::NothingToRead)
            }
            Action::HandWork { at, work } => self.hand_work(*at, *work),
        }
    }

    fn set_guards(&mut self, guards: &Guards) -> Result<Reply, Refusal> {
        self.must_be(State::Rest)?;
        check_guards(guards, &self.facts.ceilings)?;
        self.budget = self.budget.rated(guards.drive_on_ms_max, guards.drive_rest_ms_min);
        self.guards = Some(*guards);
        Ok(Reply::Done)
    }

    fn arm(&mut self, guards_checksum: u32) -> Result<Reply, Refusal> {
        self.must_be(State::Rest)?;
        let guards = self.guards.as_ref().ok_or(Refusal::GuardsMissing)?;
        if guards.checksum() != guards_checksum {
            return Err(Refusal::GuardsDiffer);
        }
        check_ready(guards, self.present())?;
        self.state = State::Armed;
        Ok(Reply::Done)
    }

    fn disarm(&mut self) -> Result<Reply, Refusal> {
        self.not_tripped()?;
        self.stop(State::Rest, DwellEnd::Stopped, self.next_tick());
        Ok(Reply::Done)
    }

    fn clear_trip(&mut self) -> Result<Reply, Refusal> {
        if self.state != State::Tripped {
            return Err(Refusal::InState(self.state));
        }
        // Later causes count as the first one does: each was found only once.
        if let Some(cause) = self.present().only(self.latch.seen()).first() {
            return Err(Refusal::CauseRemains(cause));
        }
        if self.latch.seen().has(TripCause::PressureTrapped) {
            // It was told once, and is gone now: it must stay away.
            self.interlock.pressure_must_go();
        }
        self.latch.clear();
        self.state = State::Rest;
        Ok(Reply::Done)
    }

    fn hand_work(&mut self, at: Tick, work: HandWork) -> Result<Reply, Refusal> {
        if !self.facts.simulated {
            return Ok(Reply::Done);
        }
        self.not_past(at)?;
        if self.hand_work.add(at, work) { Ok(Reply::Done) } else { Err(Refusal::QueueFull) }
    }

    fn accept(&mut self, dwell: &Dwell) -> Result<Reply, Refusal> {
        if !encodable(dwell) {
            self.events.put(TripCause::BadCommand, true);
            return Err(Refusal::Malformed);
        }
        if self.state != State::Dwelling {
            self.must_be(State::Armed)?;
        }
        self.within_limits(dwell)?;
        self.in_line(dwell.start)?;
        if dwell.drive_rpm > 0 {
            self.within_drive_budget(dwell)?;
        }
        self.runner.queue(*dwell);
        Ok(Reply::Done)
    }

    /// Within guards and ceilings. The guards' duties lie below the ceilings already.
    fn within_limits(&self, dwell: &Dwell) -> Result<(), Refusal> {
        let guards = self.guards.as_ref().ok_or(Refusal::GuardsMissing)?;
        let within = |limit, asked, guard| {
            if asked <= guard { Ok(()) } else { Err(Refusal::BeyondGuard { limit, asked, guard }) }
        };
        for ((coil, ramp), guard) in
            Coil::BOTH.into_iter().zip([dwell.inlet, dwell.pressure]).zip(guards.coils)
        {
            let duty_max_e4 = guard.map_or(0, |guard| guard.duty_max_e4);
            within(Limit::Duty(coil), ramp.max_e4().into(), duty_max_e4.into())?;
        }
        within(Limit::DriveRpm, dwell.drive_rpm.into(), guards.drive_rpm_max.into())?;
        let (asked, ceiling) = (dwell.duration_ms, self.facts.ceilings.dwell_ms_max);
        if asked > ceiling {
            return Err(Refusal::AboveCeiling { limit: Limit::DwellLength, asked, ceiling });
        }
        Ok(())
    }

    /// After the past, after those accepted before, and with room to wait.
    fn in_line(&self, start: Start) -> Result<(), Refusal> {
        match start {
            Start::At(tick) => {
                self.not_past(tick)?;
                let late_ms = self.runner.last_start().map_or(0, |last| last.plus_ms(1).ms_since(tick));
                if late_ms > 0 {
                    return Err(Refusal::Late { late_ms: late_ms.unsigned_abs() });
                }
            }
            Start::AfterPrevious if self.runner.running() || self.runner.waiting() => {}
            Start::AfterPrevious => return Err(Refusal::NothingBefore),
        }
        if self.runner.full() { Err(Refusal::QueueFull) } else { Ok(()) }
    }

    fn within_drive_budget(&self, dwell: &Dwell) -> Result<(), Refusal> {
        let account = self.runner.account_at(dwell.start, self.now, self.budget);
        match account.rest_ms_before(dwell.duration_ms) {
            Some(0) => Ok(()),
            Some(rest_ms) => Err(Refusal::DriveMustRest { rest_ms }),
            None => Err(Refusal::BeyondGuard {
                limit: Limit::DriveOn,
                asked: dwell.duration_ms,
                guard: self.guards.map_or(0, |guards| guards.drive_on_ms_max),
            }),
        }
    }

    fn must_be(&self, state: State) -> Result<(), Refusal> {
        self.not_tripped()?;
        if self.state == state { Ok(()) } else { Err(Refusal::InState(self.state)) }
    }

    fn not_tripped(&self) -> Result<(), Refusal> {
        self.latch.cause().map_or(Ok(()), |cause| Err(Refusal::Tripped(cause)))
    }

    fn not_past(&self, tick: Tick) -> Result<(), Refusal> {
        let late_ms = self.next_tick().ms_since(tick);
        if late_ms > 0 { Err(Refusal::Late { late_ms: late_ms.unsigned_abs() }) } else { Ok(()) }
    }

    /// What is wrong now.
    fn present(&self) -> Causes {
        let mut present = self.guards.as_ref().map_or(Causes::NONE, |guards| self.interlock.present(guards));
        present.put(TripCause::LeaseLost, !self.lease.alive());
        present.put(TripCause::LinkNoise, self.link.noisy());
        #[cfg(feature = "blindable")]
        let present = present.without(self.unseen);
        present
    }
}

/// Whether every field lies in its own range. A host that sends anything else is broken.
fn encodable(dwell: &Dwell) -> bool {
    dwell.duration_ms > 0
        && dwell.inlet.max_e4() <= Ramp::FULL_E4
        && dwell.pressure.max_e4() <= Ramp::FULL_E4
        && dwell.end_when.is_none_or(|end| end.for_ms > 0 && end.channel.index() < ANALOG_CHANNELS)
}
