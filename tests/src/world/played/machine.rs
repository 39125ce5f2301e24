//! The board in front of the model of the rig, with what can befall a board.

use super::mishap::{BoardMishap, Mishap, What};
use std::io;
use stepwell_core::{Board, Outputs};
use stepwell_plant::{Fault, Truth};
use stepwell_protocol::channel::ANALOG_CHANNELS;
use stepwell_protocol::identity::ResetCause;
use stepwell_protocol::message::TripCause;
use stepwell_protocol::state::State;
use stepwell_protocol::time::Tick;
use stepwell_virtual::facts::facts;
use stepwell_virtual::{ModelRig, SimulatedBench, drain};

/// A hung loop is noticed by the watchdog after this long, in ms: what the image of a real board asks for.
pub(crate) const WATCHDOG_MS: u64 = 50;

/// A dip of the supply keeps the board off for this long, in ms.
const DIP_MS: u64 = 20;

/// Board and rig.
#[derive(Debug)]
pub struct Machine {
    board: Board,
    rig: ModelRig,
    outputs: Outputs,
    serial: u64,
    unseen: Vec<TripCause>,
    mishap: Option<(BoardMishap, Mishap)>,
    /// Readings of a converter that stands still.
    stuck: Option<([u16; ANALOG_CHANNELS], u16)>,
    ms: u64,
    restarted: bool,
    forgot: bool,
    running: bool,
    trips: Vec<TripCause>,
}

impl Machine {
    /// A board in front of `rig` that has just been switched on. `unseen` are causes that it does not trip for.
    #[must_use]
    pub fn new(rig: ModelRig, serial: u64, unseen: impl IntoIterator<Item = TripCause>) -> Machine {
        let unseen: Vec<TripCause> = unseen.into_iter().collect();
        Machine {
            board: started(serial, ResetCause::PowerOn, &unseen),
            rig,
            outputs: Outputs::REST,
            serial,
            unseen,
            mishap: None,
            stuck: None,
            ms: 0,
            restarted: false,
            forgot: false,
            running: true,
            trips: Vec::new(),
        }
    }

    /// Something begins to go wrong; what is neither the board's nor the rig's is none of its business.
    pub fn befall(&mut self, mishap: Mishap) {
        let Mishap { what, onset_ms, for_ms, severity, .. } = mishap;
        match what {
            What::Board(kind) => self.mishap = Some((kind, mishap)),
            What::Rig(kind) => {
                let end_us = Some((onset_ms + for_ms) * 1_000);
                self.rig.inject(Fault { kind, severity, onset_us: onset_ms * 1_000, end_us });
            }
            _ => {}
        }
    }

    /// Milliseconds since the rig was switched on.
    #[must_use]
    pub fn ms(&self) -> u64 {
        self.ms
    }

    /// Whether the board started anew at the latest tick.
    #[must_use]
    pub fn restarted(&self) -> bool {
        self.restarted
    }

    /// Whether that was no start but a loss of all it knew: its time goes on.
    #[must_use]
    pub fn forgot(&self) -> bool {
        self.forgot
    }

    /// Whether the board's loop ran at the latest tick: it was neither hung nor without power.
    #[must_use]
    pub fn running(&self) -> bool {
        self.running
    }

    /// The first cause of each trip, in order.
    #[must_use]
    pub fn trips(&self) -> &[TripCause] {
        &self.trips
    }

    /// Whether the converter stands still.
    #[must_use]
    pub fn converter_stands(&self) -> bool {
        self.stuck.is_some()
    }

    /// The rig.
    #[must_use]
    pub fn rig(&self) -> &ModelRig {
        &self.rig
    }

    /// Whether the board's loop runs at `ms`; restarts it when its time has come.
    fn runs(&mut self) -> bool {
        let Some((kind, mishap)) = self.mishap else { return true };
        let since = match self.ms.checked_sub(mishap.onset_ms) {
            Some(since) if since <= mishap.for_ms.max(WATCHDOG_MS) => since,
            _ => return true,
        };
        match kind {
            BoardMishap::StuckAdc => {
                if mishap.begins_at(self.ms) {
                    let readings = self.rig.readings();
                    self.stuck = Some((readings.analog, readings.conversions_taken));
                }
                true
            }
            BoardMishap::Forgets => {
                if mishap.begins_at(self.ms) {
                    self.board.forget();
                    (self.restarted, self.forgot) = (true, true);
                }
                true
            }
            BoardMishap::Reset => self.off_until(since, 0, ResetCause::Pin),
            BoardMishap::Fault => self.off_until(since, 0, ResetCause::Fault),
            BoardMishap::BrownOut => self.off_until(since, DIP_MS, ResetCause::BrownOut),
            BoardMishap::PowerLost => self.off_until(since, mishap.for_ms, ResetCause::PowerOn),
            // Outputs stay as they are.
            BoardMishap::HungLoop if since < WATCHDOG_MS => false,
            BoardMishap::HungLoop => self.off_until(since - WATCHDOG_MS, 0, ResetCause::Watchdog),
        }
    }

    /// Off from the first millisecond on, and started `off_ms` later. Without power nothing is driven: pull-downs
    /// hold the gates.
    fn off_until(&mut self, since: u64, off_ms: u64, cause: ResetCause) -> bool {
        if since <= off_ms {
            self.outputs = Outputs::REST;
        }
        if since == off_ms {
            self.board = started(self.serial, cause, &self.unseen);
            self.restarted = true;
        }
        since >= off_ms
    }
}

fn started(serial: u64, cause: ResetCause, unseen: &[TripCause]) -> Board {
    let mut board = Board::new(facts("bench of checks", serial, cause));
    for &unseen in unseen {
        board.blind(unseen);
    }
    board
}

impl SimulatedBench for Machine {
    fn receive(&mut self, bytes: &[u8]) {
        // Nobody takes the bytes while the loop does not run.
        if self.running {
            self.board.receive(bytes);
        }
    }

    fn tick(&mut self) -> io::Result<()> {
        self.ms += 1;
        (self.restarted, self.forgot) = (false, false);
        self.rig.advance(&self.outputs);
        self.running = self.runs();
        if self.running {
            let mut readings = self.rig.readings();
            if let Some((analog, conversions_taken)) = self.stuck {
                (readings.analog, readings.conversions_taken) = (analog, conversions_taken);
            }
            let before = self.board.latched();
            self.outputs = self.board.tick(self.rig.time_us(), &readings);
            if before.is_none() {
                self.trips.extend(self.board.latched());
            }
        }
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

#[cfg(test)]
mod tests {
    use super::WATCHDOG_MS;

    #[test]
    fn the_watchdog_bites_when_that_of_a_real_board_does() {
        let image = include_str!("../../../../firmware/boards/nucleo-g474re/src/clocks.rs");
        assert!(image.contains(&format!("pub const WATCHDOG_MS: u32 = {WATCHDOG_MS};")));
        assert!(image.contains("it may be off by some 10 %"));
    }
}
