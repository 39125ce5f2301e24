//! The model of the rig as a board sees it: outputs in, readings out, a millisecond at a time.

use crate::facts::{BURST_PER_TICK, CONVERSIONS_PER_TICK};
use stepwell_core::{Outputs, Pulses, Readings};
use stepwell_plant::{CoilId, Contacts, Fault, Hand, Inputs, Plant, PumpFacts, Rig, Truth};
use stepwell_protocol::channel::{ANALOG_CHANNELS, Coil};
use stepwell_protocol::message::HandWork;

/// What stands on a simulated bench.
#[derive(Clone, Debug)]
pub struct Setup {
    /// The pump.
    pub pump: PumpFacts,
    /// Seed of everything random.
    pub seed: u64,
    /// Faults to come.
    pub faults: Vec<Fault>,
}

/// The model behind the board's converters, counters and contacts.
#[derive(Debug)]
pub struct ModelRig {
    plant: Plant,
    analog: [u16; ANALOG_CHANNELS],
    conversions_taken: u16,
    burst: Vec<u16>,
}

impl ModelRig {
    /// A rig with lines empty and everything at rest, at time zero.
    #[must_use]
    pub fn new(setup: &Setup) -> ModelRig {
        let mut model = ModelRig::of(Rig::for_pump(&setup.pump), setup.seed);
        for fault in &setup.faults {
            model.inject(*fault);
        }
        model
    }

    /// Lets a fault come.
    pub fn inject(&mut self, fault: Fault) {
        self.plant.inject(fault);
    }

    /// A rig with parameters of its own, at rest at time zero.
    #[must_use]
    pub fn of(rig: Rig, seed: u64) -> ModelRig {
        ModelRig {
            plant: Plant::new(rig, seed),
            analog: [0; ANALOG_CHANNELS],
            conversions_taken: 0,
            burst: Vec::with_capacity(BURST_PER_TICK),
        }
    }

    /// One millisecond passes with these outputs.
    pub fn advance(&mut self, outputs: &Outputs) {
        if let Some(work) = outputs.hand_work {
            self.plant.hand(match work {
                HandWork::UnionCracked => Hand::CrackUnion,
                HandWork::UnionClosed => Hand::CloseUnion,
                HandWork::PrimerStroke => Hand::StrokePrimer,
            });
        }
        let inputs = Inputs {
            inlet_duty_e4: outputs.inlet_duty_e4,
            pressure_duty_e4: outputs.pressure_duty_e4,
            supply_on: outputs.supply_on,
            drive_rpm: outputs.drive_rpm,
            dump_closed: outputs.dump_closed,
        };
        let burst = outputs.burst.map(|coil| match coil {
            Coil::Inlet => CoilId::Inlet,
            Coil::Pressure => CoilId::Pressure,
        });
        self.analog = [0; ANALOG_CHANNELS];
        self.burst.clear();
        for _ in 0..CONVERSIONS_PER_TICK {
            self.plant.step(&inputs);
            for (sum, conversion) in self.analog.iter_mut().zip(self.plant.conversions()) {
                *sum += conversion;
            }
            if let Some(coil) = burst {
                let mut pair = [0; 2];
                self.plant.coil_conversions(coil, &mut pair);
                self.burst.extend_from_slice(&pair);
            }
        }
        self.conversions_taken = self.conversions_taken.wrapping_add(u16::from(CONVERSIONS_PER_TICK));
    }

    /// What a board reads at the end of that millisecond.
    #[must_use]
    pub fn readings(&self) -> Readings<'_> {
        let contacts: Contacts = self.plant.contacts();
        Readings {
            analog: self.analog,
            flow: pulses(self.plant.flow_pulses()),
            speed: pulses(self.plant.speed_pulses()),
            stop_chain_closed: contacts.stop_chain_closed,
            guard_closed: contacts.guard_closed,
            tank_level_ok: contacts.tank_level_ok,
            conversions_taken: self.conversions_taken,
            burst: &self.burst,
        }
    }

    /// Time since the rig was switched on, in microseconds.
    #[must_use]
    pub fn time_us(&self) -> u64 {
        self.plant.time_us()
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
