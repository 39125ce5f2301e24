//! The built-in bench: the board's core joined to the model of the rig on a virtual clock.
//!
//! Bytes in, ticks, bytes out: the same conversation as over a wire. It has no clock of its own:
//! whoever holds it decides whether ten milliseconds pass in ten milliseconds or at once, and the
//! results are the same to the bit. Everything that comes from it is marked as simulated by the
//! identity that it reports.

use stepwell_core::{Board, BoardFacts, Outputs, Pulses, Readings};
use stepwell_plant::{CoilId, Fault, Hand, Inputs, Plant, PumpFacts, Rig, Truth};
use stepwell_protocol::channel::{ANALOG_CHANNELS, Coil};
use stepwell_protocol::guards::Ceilings;
use stepwell_protocol::identity::ResetCause;
use stepwell_protocol::message::HandWork;
use stepwell_protocol::state::State;
use stepwell_protocol::time::Tick;

/// Conversions of every analogue input in one tick.
const CONVERSIONS_PER_TICK: u8 = 10;

/// Count of one 12-bit conversion at full scale.
const CONVERSION_FULL_SCALE: u16 = 4_095;

/// Input voltage at full scale in millivolts.
const FULL_SCALE_MV: u16 = 5_000;

/// Burst samples in one tick: two per step of the model.
const BURST_PER_TICK: usize = 2 * CONVERSIONS_PER_TICK as usize;

/// Counts of one tick at `mv` millivolts.
const fn counts(mv: u32) -> u16 {
    (mv * CONVERSIONS_PER_TICK as u32 * CONVERSION_FULL_SCALE as u32 / FULL_SCALE_MV as u32) as u16
}

/// Limits compiled into this board. The rail sensor gives 0.5 V to 4.5 V over 200 MPa, the current
/// channels 1 V/A.
const CEILINGS: Ceilings = Ceilings {
    rail_max: counts(500 + 4_000 * 160 / 200),
    current_max: counts(4_800),
    duty_max_e4: 10_000,
    drive_rpm_max: 1_500,
    drive_on_ms_max: 30_000,
    drive_rest_ms_min: 20_000,
    dwell_ms_max: 60_000,
};

/// What stands on the built-in bench.
#[derive(Clone, Debug)]
pub struct Setup {
    /// The pump.
    pub pump: PumpFacts,
    /// Seed of everything random.
    pub seed: u64,
    /// Faults to come.
    pub faults: Vec<Fault>,
}

/// The built-in bench.
#[derive(Debug)]
pub struct VirtualBench {
    board: Board,
    plant: Plant,
    outputs: Outputs,
    conversions_taken: u16,
    burst: Vec<u16>,
}

impl VirtualBench {
    /// A bench that has just been switched on: lines empty, everything at rest, time zero.
    #[must_use]
    pub fn new(setup: &Setup) -> VirtualBench {
        let rig = Rig::for_pump(&setup.pump);
        let pwm_hz = [rig.inlet_channel.pwm_hz as u16, rig.pressure_channel.pwm_hz as u16];
        let mut plant = Plant::new(rig, setup.seed);
        for fault in &setup.faults {
            plant.inject(*fault);
        }
        VirtualBench {
            board: Board::new(BoardFacts {
                board: "built-in bench",
                firmware: env!("CARGO_PKG_VERSION"),
                serial: setup.seed,
                simulated: true,
                reset: ResetCause::PowerOn,
                conversions_per_tick: CONVERSIONS_PER_TICK,
                conversion_full_scale: CONVERSION_FULL_SCALE,
                full_scale_mv: FULL_SCALE_MV,
                burst_hz: 1_000 * BURST_PER_TICK as u32,
                pwm_hz,
                ceilings: CEILINGS,
            }),
            plant,
            outputs: Outputs::REST,
            conversions_taken: 0,
            burst: Vec::with_capacity(BURST_PER_TICK),
        }
    }

    /// The board takes bytes from the host.
    pub fn receive(&mut self, bytes: &[u8]) {
        self.board.receive(bytes);
    }

    /// Takes what the board has to say and adds it to `out`.
    pub fn transmit(&mut self, out: &mut Vec<u8>) {
        let mut buffer = [0; 1024];
        loop {
            let len = self.board.transmit(&mut buffer);
            if len == 0 {
                return;
            }
            out.extend_from_slice(&buffer[..len]);
        }
    }

    /// One millisecond passes.
    pub fn tick(&mut self) {
        let inputs = Inputs {
            inlet_duty_e4: self.outputs.inlet_duty_e4,
            pressure_duty_e4: self.outputs.pressure_duty_e4,
            supply_on: self.outputs.supply_on,
            drive_rpm: self.outputs.drive_rpm,
            dump_closed: self.outputs.dump_closed,
        };
        let burst = self.outputs.burst.map(|coil| match coil {
            Coil::Inlet => CoilId::Inlet,
            Coil::Pressure => CoilId::Pressure,
        });
        let mut analog = [0_u16; ANALOG_CHANNELS];
        self.burst.clear();
        for _ in 0..CONVERSIONS_PER_TICK {
            self.plant.step(&inputs);
            for (sum, conversion) in analog.iter_mut().zip(self.plant.conversions()) {
                *sum += conversion;
            }
            if let Some(coil) = burst {
                let mut pair = [0; 2];
                self.plant.coil_conversions(coil, &mut pair);
                self.burst.extend_from_slice(&pair);
            }
        }
        self.conversions_taken = self.conversions_taken.wrapping_add(u16::from(CONVERSIONS_PER_TICK));
        let contacts = self.plant.contacts();
        let readings = Readings {
            analog,
            flow: pulses(self.plant.flow_pulses()),
            speed: pulses(self.plant.speed_pulses()),
            stop_chain_closed: contacts.stop_chain_closed,
            guard_closed: contacts.guard_closed,
            tank_level_ok: contacts.tank_level_ok,
            conversions_taken: self.conversions_taken,
            burst: &self.burst,
        };
        self.outputs = self.board.tick(self.plant.time_us(), &readings);
        if let Some(work) = self.outputs.hand_work {
            self.plant.hand(match work {
                HandWork::UnionCracked => Hand::CrackUnion,
                HandWork::UnionClosed => Hand::CloseUnion,
                HandWork::PrimerStroke => Hand::StrokePrimer,
            });
        }
    }

    /// What the board drives now.
    #[must_use]
    pub fn outputs(&self) -> Outputs {
        self.outputs
    }

    /// What the board is doing.
    #[must_use]
    pub fn state(&self) -> State {
        self.board.state()
    }

    /// The board's time.
    #[must_use]
    pub fn now(&self) -> Tick {
        self.board.now()
    }

    /// What is really the case behind the sensors.
    #[must_use]
    pub fn truth(&self) -> Truth {
        self.plant.truth()
    }
}

fn pulses(pulses: stepwell_plant::Pulses) -> Pulses {
    Pulses { count: pulses.count as u16, edge_us: pulses.last_edge_us as u16 }
}
