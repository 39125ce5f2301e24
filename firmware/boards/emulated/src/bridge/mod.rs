//! The bridge: the image in its emulator, beside the model of the rig.

mod machine;

use crate::exchange::{COUNTS_PER_10_INSTRUCTIONS, UpsetKind};
use crate::exchange::{FromImage, LINE_BYTES_PER_TICK, Set, Shown, ToImage};
use hdrhistogram::Histogram;
use machine::Machine;
use std::collections::VecDeque;
use std::io;
use std::path::Path;
use stepwell_core::Outputs;
use stepwell_plant::Truth;
use stepwell_protocol::state::State;
use stepwell_protocol::time::Tick;
use stepwell_virtual::{ModelRig, Setup, SimulatedBench};

/// A start after a fall, from reset to its first word, takes the rig's time too, in ms. Power-up is
/// where the rig's time begins.
const START_MS: u16 = 5;

/// UpsetKind is to befall the processor.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Upset {
    /// UpsetKind.
    pub what: UpsetKind,
    /// At which tick, counted from power-up.
    pub at_tick: u32,
}

impl Upset {
    /// `KIND@SECONDS`, as typed.
    ///
    /// # Errors
    /// In words, when it is none.
    pub fn parse(typed: &str) -> Result<Upset, String> {
        let names = || UpsetKind::ALL.map(|(name, _)| name).join(", ");
        let (name, seconds) = typed
            .split_once('@')
            .ok_or_else(|| format!("“{typed}” has no time; write KIND@SECONDS, KIND one of {}", names()))?;
        let &(_, what) = UpsetKind::ALL
            .iter()
            .find(|(known, _)| *known == name)
            .ok_or_else(|| format!("nothing called “{name}” befalls a processor; there are: {}", names()))?;
        let seconds: f64 = seconds
            .parse()
            .ok()
            .filter(|seconds| (0.001..86_400.0).contains(seconds))
            .ok_or_else(|| format!("“{seconds}” is no time between 0.001 and 86400 seconds"))?;
        Ok(Upset { what, at_tick: (seconds * 1_000.0) as u32 })
    }
}

/// A bench whose board is the image, in an emulator.
#[derive(Debug)]
pub struct EmulatedBench {
    machine: Machine,
    rig: ModelRig,
    serial: u64,
    outputs: Outputs,
    state: State,
    /// Ticks since the image started.
    now: Tick,
    /// Ticks since power-up.
    ticks: u32,
    upset: Option<Upset>,
    upset_at: Option<u32>,
    rest_after_upset_ms: Option<u32>,
    brown_out: bool,
    to_board: VecDeque<u8>,
    from_board: Vec<u8>,
    instructions: Histogram<u64>,
    latest: u64,
}

impl EmulatedBench {
    /// Starts `image` in an emulator, with the rig of `setup` around it.
    ///
    /// # Errors
    /// When the emulator cannot be started, or the image in it does not say that it has started.
    pub fn start(image: &Path, setup: &Setup, upset: Option<Upset>) -> io::Result<EmulatedBench> {
        EmulatedBench::on(Machine::start(image, None)?, setup, upset)
    }

    /// The same, with every single instruction written down in the file `log`: slow, and large.
    ///
    /// # Errors
    /// As [`EmulatedBench::start`].
    pub fn start_logged(image: &Path, setup: &Setup, log: &Path) -> io::Result<EmulatedBench> {
        EmulatedBench::on(Machine::start(image, Some(log))?, setup, None)
    }

    fn on(machine: Machine, setup: &Setup, upset: Option<Upset>) -> io::Result<EmulatedBench> {
        let mut bench = EmulatedBench {
            machine,
            rig: ModelRig::new(setup),
            serial: setup.seed,
            outputs: Outputs::REST,
            state: State::Rest,
            now: Tick(0),
            ticks: 0,
            upset,
            upset_at: None,
            rest_after_upset_ms: None,
            brown_out: false,
            to_board: VecDeque::new(),
            from_board: Vec::new(),
            instructions: histogram(),
            latest: 0,
        };
        bench.until_done()?;
        Ok(bench)
    }

    /// Instructions of every tick so far: taking bytes, reading, the core's tick, writing, giving
    /// bytes.
    #[must_use]
    pub fn instructions(&self) -> &Histogram<u64> {
        &self.instructions
    }

    /// Instructions of the latest tick.
    #[must_use]
    pub fn latest_instructions(&self) -> u64 {
        self.latest
    }

    /// How long after the processor's upset the outputs were at rest, once they are.
    #[must_use]
    pub fn rest_after_upset_ms(&self) -> Option<u32> {
        self.rest_after_upset_ms
    }

    /// Everything at rest, unstaged.
    fn drop_outputs(&mut self) {
        self.outputs = Outputs::REST;
        self.state = State::Rest;
        self.rest_after_upset_ms = self.upset_at.map(|at| self.ticks - at);
    }

    /// Listens until the image is done with a tick, or has started and waits for the next.
    fn until_done(&mut self) -> io::Result<()> {
        loop {
            match self.machine.listen()? {
                FromImage::Started => {
                    if self.ticks > 0 {
                        self.hold(START_MS);
                    }
                    self.now = Tick(0);
                    self.to_board.clear();
                    let brown_out = std::mem::take(&mut self.brown_out);
                    self.machine.say(&ToImage::Start { serial: self.serial, brown_out })?;
                }
                FromImage::Fell { held_ms } => {
                    self.hold(held_ms);
                    self.drop_outputs();
                }
                FromImage::Done { set, state, counts, to_host } => {
                    self.outputs = Set::into(set);
                    self.state = state;
                    if counts > 0 {
                        let instructions = counts * 10 / COUNTS_PER_10_INSTRUCTIONS;
                        self.latest = instructions.into();
                        self.instructions.saturating_record(self.latest);
                    }
                    self.from_board.extend_from_slice(&to_host);
                    return Ok(());
                }
            }
        }
    }

    /// The outputs stand while the processor does nothing.
    fn hold(&mut self, ms: u16) {
        for _ in 0..ms {
            self.rig.advance(&self.outputs);
            self.ticks += 1;
        }
    }

    /// Whatever befalls the processor at this tick. A dip of its supply drops every output at once:
    /// the driver stages have no logic level any more.
    fn befalls(&mut self) -> Option<UpsetKind> {
        let what = self.upset.take_if(|upset| self.ticks >= upset.at_tick)?.what;
        self.upset_at = Some(self.ticks);
        self.brown_out = what == UpsetKind::BrownOut;
        Some(what)
    }
}

impl SimulatedBench for EmulatedBench {
    fn receive(&mut self, bytes: &[u8]) {
        self.to_board.extend(bytes);
    }

    fn tick(&mut self) -> io::Result<()> {
        self.rig.advance(&self.outputs);
        self.ticks += 1;
        let upset = self.befalls();
        let len = self.to_board.len().min(LINE_BYTES_PER_TICK);
        self.machine.say(&ToImage::Tick {
            now_us: self.rig.time_us(),
            shown: Shown::from(self.rig.readings()),
            from_host: self.to_board.drain(..len).collect(),
            upset,
        })?;
        if upset == Some(UpsetKind::BrownOut) {
            self.drop_outputs();
        }
        self.now = self.now.plus_ms(1);
        self.until_done()
    }

    fn transmit(&mut self, out: &mut Vec<u8>) {
        out.append(&mut self.from_board);
    }

    fn outputs(&self) -> Outputs {
        self.outputs
    }

    fn state(&self) -> State {
        self.state
    }

    fn now(&self) -> Tick {
        self.now
    }

    fn truth(&self) -> Truth {
        self.rig.truth()
    }
}

/// Exact: an instruction count up to 60 000 is its own bucket.
#[allow(clippy::expect_used)]
fn histogram() -> Histogram<u64> {
    Histogram::new_with_bounds(1, 10_000_000, 5).expect("constant bounds that hdrhistogram takes")
}
