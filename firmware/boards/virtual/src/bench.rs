//! Benches in this process, and the built-in one among them.

use crate::facts::facts;
use crate::rig::{ModelRig, Setup};
use std::io;
use stepwell_core::{Board, Outputs};
use stepwell_plant::Truth;
use stepwell_protocol::identity::ResetCause;
use stepwell_protocol::state::State;
use stepwell_protocol::time::Tick;

/// A simulated bench: bytes in, ticks, bytes out, and a look behind the scenes.
pub trait SimulatedBench {
    /// The board takes bytes from the host.
    fn receive(&mut self, bytes: &[u8]);

    /// One millisecond passes.
    ///
    /// # Errors
    /// When the bench is gone.
    fn tick(&mut self) -> io::Result<()>;

    /// Takes what the board has to say and adds it to `out`.
    fn transmit(&mut self, out: &mut Vec<u8>);

    /// What the board drives now.
    fn outputs(&self) -> Outputs;

    /// What the board is doing.
    fn state(&self) -> State;

    /// The board's time.
    fn now(&self) -> Tick;

    /// What is really the case behind the sensors.
    fn truth(&self) -> Truth;
}

/// The built-in bench.
#[derive(Debug)]
pub struct VirtualBench {
    board: Board,
    rig: ModelRig,
    outputs: Outputs,
}

impl VirtualBench {
    /// A bench that has just been switched on: lines empty, everything at rest, time zero.
    #[must_use]
    pub fn new(setup: &Setup) -> VirtualBench {
        VirtualBench::of(ModelRig::new(setup), setup.seed)
    }

    /// The same in front of any rig; `serial` is the number that the board reports.
    #[must_use]
    pub fn of(rig: ModelRig, serial: u64) -> VirtualBench {
        VirtualBench {
            board: Board::new(facts("built-in bench", serial, ResetCause::PowerOn)),
            rig,
            outputs: Outputs::REST,
        }
    }
}

impl SimulatedBench for VirtualBench {
    fn receive(&mut self, bytes: &[u8]) {
        self.board.receive(bytes);
    }

    fn tick(&mut self) -> io::Result<()> {
        self.rig.advance(&self.outputs);
        self.outputs = self.board.tick(self.rig.time_us(), &self.rig.readings());
        Ok(())
    }

    fn transmit(&mut self, out: &mut Vec<u8>) {
        drain(&mut self.board, out);
    }

    fn outputs(&self) -> Outputs {
        self.outputs
    }

    fn state(&self) -> State {
        self.board.state()
    }

    fn now(&self) -> Tick {
        self.board.now()
    }

    fn truth(&self) -> Truth {
        self.rig.truth()
    }
}

/// Adds everything that `board` has to say to `out`.
pub fn drain(board: &mut Board, out: &mut Vec<u8>) {
    let mut buffer = [0; 1024];
    loop {
        let len = board.transmit(&mut buffer);
        if len == 0 {
            return;
        }
        out.extend_from_slice(&buffer[..len]);
    }
}
