//! Link and run together: facts from the board and the operator go in, bytes and things to show or
//! write down come out.
//!
//! The engine is a pure struct: it is told the time, it never waits. The loop that serves it is in
//! [`crate::serve`] for ports and people, in [`crate::lockstep`] for a bench in this process.
//!
//! The lease is renewed only while the operator's side is alive: a screen that has not drawn for a
//! quarter of a second loses it, and the board goes to rest.

use crate::link::{Heard, Link, LinkStatistics, Unwelcome};
use crate::time::{HostTime, Onward};
use std::collections::VecDeque;
use stepwell_procedure::calibrate::Calibration;
use stepwell_procedure::finding::Finding;
use stepwell_procedure::record::{Entry, Outcome};
use stepwell_procedure::run::{Input, Intent, Progress, Prompt, Run};
use stepwell_protocol::channel::{Channel, Coil, Sample};
use stepwell_protocol::identity::Identity;
use stepwell_protocol::state::{State, Status};
use stepwell_protocol::time::Tick;

/// The operator's side counts as alive this long after it was last seen, in ms.
const OPERATOR_MS_MAX: u64 = 250;

/// A stop is sent again this often until the board is seen without energy, in ms.
const STOP_EVERY_MS: u64 = 50;

/// However soon the board is seen at rest, a stop is repeated for this long, in ms: what is seen may
/// be older than the stop.
const STOP_MS_MIN: u64 = 200;

/// A reading older than this is stale and shown as absent, in ms.
pub const STALE_MS: u64 = 500;

/// What the engine wants done outside.
#[derive(Clone, Debug, PartialEq)]
pub enum Output {
    /// The board has opened the session.
    Board(Box<Identity>),
    /// Ask the operator.
    Ask(Prompt),
    /// Write this down.
    Write(Entry),
    /// Write these samples down.
    Samples {
        /// The first tick.
        first: Tick,
        /// Board time of the first tick in microseconds.
        first_us: u64,
        /// The samples.
        samples: Vec<Sample>,
    },
    /// The run is over: what it came to, and what the link went through.
    Finished(Outcome, Box<LinkStatistics>),
    /// The board will not talk to us.
    Unwelcome(Unwelcome),
    /// The link is lost: why, in words.
    Lost(String),
    /// Something answers again after that: what, and what comes of it, in words.
    Back(String),
}

/// What the operator can say.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Operator {
    /// The operator's side is alive.
    Alive,
    /// An answer to a question.
    Answer {
        /// [`Prompt::number`] of the question.
        prompt: u32,
        /// Done, or no.
        yes: bool,
    },
    /// Nobody is left to answer a question; that counts as a no.
    Nobody {
        /// [`Prompt::number`] of the question.
        prompt: u32,
    },
    /// Stop everything.
    Stop,
}

/// Live values in engineering units; `None` where there is no fresh or no credible reading.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Live {
    /// Rail pressure above atmosphere in Pa.
    pub rail_pa: Option<f64>,
    /// Feed pressure above atmosphere in Pa.
    pub feed_pa: Option<f64>,
    /// Coil currents in A, inlet first.
    pub current_a: [Option<f64>; 2],
    /// Duties, 0 to 1, inlet first.
    pub duty: [Option<f64>; 2],
    /// Supply voltage in V.
    pub supply_v: Option<f64>,
    /// Fluid temperature in °C.
    pub fluid_celsius: Option<f64>,
    /// Temperature of the pump's body in °C.
    pub body_celsius: Option<f64>,
    /// Flow in m³/s over the latest second.
    pub flow_m3_per_s: Option<f64>,
    /// Speed in revolutions per second over the latest second.
    pub speed_rev_per_s: Option<f64>,
}

/// Everything a screen shows, at one instant.
#[derive(Clone, Debug)]
pub struct View {
    /// The board, once it has answered.
    pub board: Option<Identity>,
    /// The latest status.
    pub status: Option<Status>,
    /// How old the latest reading is, in ms.
    pub age_ms: u64,
    /// Live values.
    pub live: Live,
    /// How far the run is.
    pub progress: Progress,
    /// The question that waits for an answer.
    pub prompt: Option<Prompt>,
    /// The findings so far.
    pub findings: Vec<Finding>,
    /// What the run came to, when it is over.
    pub outcome: Option<Outcome>,
    /// Why the link was lost, once it was. Status and live values after that are those of a board that
    /// is only watched.
    pub lost: Option<String>,
}

/// Link and run together.
#[derive(Debug)]
pub struct Engine {
    time: Onward,
    link: Link,
    run: Run,
    board: Option<Identity>,
    outputs: VecDeque<Output>,
    operator_seen: HostTime,
    stop_again: Option<HostTime>,
    latest: VecDeque<Sample>,
    /// The tick that comes after the latest sample.
    next_tick: Option<Tick>,
    /// A stop is repeated at least until then.
    stop_until: HostTime,
    outcome: Option<Outcome>,
    lost: Option<String>,
    heard: Vec<Heard>,
}

/// Live flow and speed are means over this many ticks.
const LIVE_TICKS: usize = 1_000;

impl Engine {
    /// An engine that is about to greet the board and then carry out `run`. `session` should be
    /// random.
    #[must_use]
    pub fn new(run: Run, session: u32, now: HostTime) -> Engine {
        Engine {
            time: Onward::from(now),
            link: Link::new(session, now),
            run,
            board: None,
            outputs: VecDeque::new(),
            operator_seen: now,
            stop_again: None,
            latest: VecDeque::with_capacity(LIVE_TICKS),
            next_tick: None,
            stop_until: now,
            outcome: None,
            lost: None,
            heard: Vec::new(),
        }
    }

    /// Bytes have come from the board.
    pub fn receive(&mut self, now: HostTime, bytes: &[u8]) {
        let now = self.time.at(now);
        let mut heard = std::mem::take(&mut self.heard);
        self.link.receive(now, bytes, &mut heard);
        for fact in heard.drain(..) {
            self.fact(fact);
        }
        self.heard = heard;
        self.drain_run();
    }

    /// The operator has said something.
    pub fn operator(&mut self, clock: HostTime, said: Operator) {
        let now = self.time.at(clock);
        self.operator_seen = now;
        match said {
            Operator::Alive => {}
            Operator::Answer { prompt, yes } => self.run.handle(Input::Answer { prompt, yes }),
            Operator::Nobody { prompt } => self.run.handle(Input::Nobody { prompt }),
            Operator::Stop => {
                // On the wire before anything thinks about it.
                self.stop();
                self.run.handle(Input::Stop);
                if self.board.is_none() {
                    // Nobody waits for a board that has not answered: nothing of the run was sent to it.
                    self.run.handle(Input::LinkLost("stopped before the board had answered".to_owned()));
                }
            }
        }
        self.drain_run();
        // Intents that came from this are sent by the next tick, which is due at once.
        self.tick(clock);
    }

    /// The port is gone.
    pub fn port_lost(&mut self, why: &str) {
        let mut heard = Vec::new();
        self.link.lose(why, &mut heard);
        for fact in heard {
            self.fact(fact);
        }
        self.drain_run();
    }

    /// The port is open again. The run stays as it ended; the board is watched and nothing else.
    pub fn port_reopened(&mut self, now: HostTime) {
        let now = self.time.at(now);
        self.link.reopened(now);
    }

    /// Time has passed.
    pub fn tick(&mut self, now: HostTime) {
        let now = self.time.at(now);
        if self.stop_again.is_some_and(|again| now >= again) {
            let energised =
                self.status().is_none_or(|status| !matches!(status.state, State::Rest | State::Tripped));
            if energised || now < self.stop_until {
                self.link.stop_again();
                self.stop_again = Some(now.plus_ms(STOP_EVERY_MS));
            } else {
                self.stop_again = None;
            }
        }
        let operator_alive = now.us_since(self.operator_seen) <= OPERATOR_MS_MAX * 1_000;
        let mut heard = std::mem::take(&mut self.heard);
        self.link.tick(now, operator_alive && self.outcome.is_none(), &mut heard);
        for fact in heard.drain(..) {
            self.fact(fact);
        }
        self.heard = heard;
        self.drain_run();
    }

    /// When [`Self::tick`] is next due, at the latest.
    #[must_use]
    pub fn tick_at(&self) -> HostTime {
        let link = self.link.tick_at();
        self.time.clock(self.stop_again.map_or(link, |again| link.min(again)))
    }

    /// Bytes for the board; taken once.
    pub fn take_bytes(&mut self) -> Vec<u8> {
        self.link.take_bytes()
    }

    /// The next thing to be done outside.
    pub fn poll(&mut self) -> Option<Output> {
        self.outputs.pop_front()
    }

    /// What the link has been through.
    #[must_use]
    pub fn statistics(&self) -> &LinkStatistics {
        self.link.statistics()
    }

    /// The run.
    #[must_use]
    pub fn run(&self) -> &Run {
        &self.run
    }

    /// Whether the rig behind the board is a model; a board that has not answered is taken as real.
    #[must_use]
    pub fn simulated(&self) -> bool {
        self.board.as_ref().is_some_and(|board| board.simulated)
    }

    /// What the run came to, once it is over.
    #[must_use]
    pub fn outcome(&self) -> Option<&Outcome> {
        self.outcome.as_ref()
    }

    fn status(&self) -> Option<Status> {
        Status::from_word(self.latest.back()?[Channel::Status.index()])
    }

    fn fact(&mut self, fact: Heard) {
        match fact {
            Heard::Welcome(identity) => {
                self.run.handle(Input::Welcome(&identity));
                self.board = Some((*identity).clone());
                self.outputs.push_back(Output::Board(identity));
            }
            Heard::Refused(why) => {
                self.lost = Some(why.to_string());
                self.outputs.push_back(Output::Unwelcome(why));
            }
            Heard::Answered { at, result } => self.run.handle(Input::Answered { at, result }),
            Heard::Telemetry { first, first_us, samples } => {
                if self.next_tick.replace(first.plus_ms(samples.len() as u32)) != Some(first) {
                    // Live means never bridge a gap.
                    self.latest.clear();
                }
                self.remember(&samples);
                self.run.handle(Input::Telemetry { first, first_us, samples: &samples });
                self.outputs.push_back(Output::Samples { first, first_us, samples });
            }
            Heard::DwellEnded(report) => self.run.handle(Input::DwellEnded(report)),
            Heard::Tripped(report) => self.run.handle(Input::Tripped(report)),
            Heard::Lost(why) => {
                self.latest.clear();
                self.lost = Some(why.clone());
                self.outputs.push_back(Output::Lost(why.clone()));
                self.run.handle(Input::LinkLost(why));
            }
            Heard::Back(identity) => {
                let ours = self
                    .board
                    .as_ref()
                    .is_some_and(|board| (&board.board, board.serial) == (&identity.board, identity.serial));
                self.latest.clear();
                self.outputs.push_back(Output::Back(if ours {
                    "the board answers again; it is watched, and nothing will be energised".to_owned()
                } else {
                    // Its readings would be shown with a calibration that is not its own.
                    self.link.close();
                    format!(
                        "another board answers ({} {}); it is left alone",
                        identity.board, identity.serial
                    )
                }));
            }
            Heard::Watched { samples } => self.remember(&samples),
        }
    }

    /// Keeps the latest samples for live values.
    fn remember(&mut self, samples: &[Sample]) {
        for sample in samples {
            if self.latest.len() == LIVE_TICKS {
                self.latest.pop_front();
            }
            self.latest.push_back(*sample);
        }
    }

    fn drain_run(&mut self) {
        while let Some(intent) = self.run.poll() {
            match intent {
                Intent::Command(action) => self.link.command(action),
                Intent::Stop => self.stop(),
                Intent::Ask(prompt) => self.outputs.push_back(Output::Ask(prompt)),
                Intent::Write(entry) => self.outputs.push_back(Output::Write(entry)),
                Intent::Finished(outcome) => {
                    self.outcome = Some(outcome.clone());
                    let link = Box::new(self.link.statistics().clone());
                    self.outputs.push_back(Output::Finished(outcome, link));
                }
            }
        }
    }

    /// Says stop, and goes on saying so until the board is seen without energy.
    fn stop(&mut self) {
        let now = self.time.latest();
        self.stop_until = now.plus_ms(STOP_MS_MIN);
        self.link.stop();
        self.stop_again = Some(now.plus_ms(STOP_EVERY_MS));
    }

    /// Everything a screen shows, at `now`.
    #[must_use]
    pub fn view(&self, now: HostTime) -> View {
        let age_ms = self.link.silence_us(self.time.peek(now)) / 1_000;
        let fresh = age_ms <= STALE_MS && !self.latest.is_empty();
        let calibration = self.run.calibration();
        let live = match (fresh, calibration) {
            (true, Some(calibration)) => self.live(calibration),
            _ => Live::default(),
        };
        View {
            board: self.board.clone(),
            status: fresh.then(|| self.status()).flatten(),
            age_ms,
            live,
            progress: self.run.progress(),
            prompt: self.run.prompt().cloned(),
            findings: self.run.findings().to_vec(),
            outcome: self.outcome.clone(),
            lost: self.lost.clone(),
        }
    }

    fn live(&self, calibration: &Calibration) -> Live {
        // The mean of the latest ticks steadies the digits.
        let steady = |channel: Channel| {
            let latest = self.latest.iter().rev().take(STEADY_TICKS);
            let count = latest.len() as f64;
            latest.map(|sample| f64::from(sample[channel.index()])).sum::<f64>() / count
        };
        let span = calibration.bench().rail_pressure;
        let rail_counts = steady(Channel::RailPressure);
        let rail_live = rail_counts > f64::from(calibration.counts_of_volts(span.zero_v / 2.0))
            && rail_counts < f64::from(calibration.counts_of_volts(span.span_v + span.zero_v / 2.0));
        let pulses = |channel: Channel| {
            let (first, last) = (self.latest.front()?, self.latest.back()?);
            let pulses = last[channel.index()].wrapping_sub(first[channel.index()]);
            let seconds = (self.latest.len().max(2) - 1) as f64 * 1e-3;
            Some(f64::from(pulses) / seconds)
        };
        let bench = calibration.bench();
        let duty = |coil: Coil| self.latest.back().map(|s| f64::from(s[coil.duty().index()]) * 1e-4);
        Live {
            rail_pa: rail_live.then(|| calibration.rail_pa(rail_counts)),
            feed_pa: calibration.feed_pa(steady(Channel::FeedPressure)),
            current_a: Coil::BOTH.map(|coil| Some(calibration.current_a(coil, steady(coil.current())))),
            duty: Coil::BOTH.map(duty),
            supply_v: Some(calibration.supply_v(steady(Channel::SupplyVoltage))),
            fluid_celsius: calibration.fluid_celsius(steady(Channel::FluidTemperature)),
            body_celsius: calibration.body_celsius(steady(Channel::BodyTemperature)),
            flow_m3_per_s: pulses(Channel::FlowCount).map(|hz| hz / bench.flow_meter.k_factor_per_m3.value),
            speed_rev_per_s: pulses(Channel::SpeedCount).map(|hz| hz / bench.speed_pulses_per_rev),
        }
    }
}

/// Live analogue values are means over this many ticks.
const STEADY_TICKS: usize = 50;
