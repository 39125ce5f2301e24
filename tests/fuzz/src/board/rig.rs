//! A rig of a few lines: it answers the outputs roughly as a real one does, and any part of it can break.

use super::script::Fault;
use stepwell_core::{Outputs, Pulses, Readings};
use stepwell_protocol::channel::{ANALOG_CHANNELS, Channel, Coil};

const RAIL_ZERO: u16 = 4_095;
const CURRENT_ZERO: u16 = 400;

/// What is broken.
#[derive(Debug, Default)]
pub(super) struct Broken {
    /// Columns that read this whatever happens.
    stuck: [Option<u16>; ANALOG_CHANNELS],
    /// Columns that read this for one tick.
    jumps: [Option<u16>; ANALOG_CHANNELS],
    stop_chain_open: bool,
    guard_open: bool,
    tank_low: bool,
    adc_frozen: bool,
    coil_open: [bool; 2],
    current_added: [u16; 2],
    no_flow: bool,
    shaft_turns_on: bool,
    pressure_trapped: bool,
    rail_target: Option<u16>,
}

impl Broken {
    pub(super) fn put(&mut self, fault: &Fault) {
        let analog = |channel: u8| usize::from(channel) % ANALOG_CHANNELS;
        match *fault {
            Fault::Reads { channel, counts } => self.stuck[analog(channel)] = Some(counts),
            Fault::Jumps { channel, counts } => self.jumps[analog(channel)] = Some(counts),
            Fault::Heals { channel } => self.stuck[analog(channel)] = None,
            Fault::Inputs(bits) => {
                self.stop_chain_open = bits & 1 != 0;
                self.guard_open = bits & 2 != 0;
                self.tank_low = bits & 4 != 0;
            }
            Fault::AdcFrozen(frozen) => self.adc_frozen = frozen,
            Fault::CoilOpen(coil) => self.coil_open[usize::from(coil)] = true,
            Fault::CurrentAdded { coil, counts } => self.current_added[usize::from(coil)] = counts,
            Fault::NoFlow(no_flow) => self.no_flow = no_flow,
            Fault::ShaftTurnsOn(turns) => self.shaft_turns_on = turns,
            Fault::PressureTrapped(trapped) => self.pressure_trapped = trapped,
            Fault::Rail(counts) => self.rail_target = Some(counts),
        }
    }
}

#[derive(Debug)]
pub(super) struct Rig {
    pub(super) broken: Broken,
    rail: u16,
    noise: u16,
    conversions: u16,
    frozen: [u16; ANALOG_CHANNELS],
    flow: Pulses,
    speed: Pulses,
    burst: [u16; 25],
}

impl Rig {
    pub(super) fn new() -> Rig {
        Rig {
            broken: Broken::default(),
            rail: RAIL_ZERO,
            noise: 0,
            conversions: 0,
            frozen: [0; ANALOG_CHANNELS],
            flow: Pulses::default(),
            speed: Pulses::default(),
            burst: [0; 25],
        }
    }

    /// One millisecond with these outputs.
    pub(super) fn step(&mut self, now_us: u64, outputs: &Outputs) -> Readings<'_> {
        let turning = outputs.drive_rpm > 0 || self.broken.shaft_turns_on;
        let target = match self.broken.rail_target {
            Some(target) if turning => target,
            _ if outputs.drive_rpm > 0 && outputs.dump_closed => 12_000,
            _ => RAIL_ZERO,
        };
        if !self.broken.pressure_trapped {
            // A first-order rig with a time constant of 20 ms.
            let step = (i32::from(target) - i32::from(self.rail)) / 20;
            self.rail = self.rail.saturating_add_signed(step as i16);
        }
        if turning && now_us.is_multiple_of(5_000) {
            self.speed = Pulses { count: self.speed.count.wrapping_add(1), edge_us: now_us as u16 };
        }
        if outputs.drive_rpm > 0 && !self.broken.no_flow && now_us.is_multiple_of(20_000) {
            self.flow = Pulses { count: self.flow.count.wrapping_add(1), edge_us: now_us as u16 };
        }
        // Noise that never stands still.
        self.noise = (self.noise + 5) % 13;
        let mut analog = [10_000_u16.saturating_add(self.noise); ANALOG_CHANNELS];
        analog[Channel::RailPressure.index()] = self.rail.saturating_add(self.noise);
        analog[Channel::SupplyVoltage.index()] = 20_000 + self.noise;
        for coil in Coil::BOTH {
            analog[coil.current().index()] = self.current(coil, outputs).saturating_add(self.noise);
        }
        for (column, (stuck, jump)) in
            analog.iter_mut().zip(self.broken.stuck.iter().zip(&mut self.broken.jumps))
        {
            *column = jump.take().or(*stuck).unwrap_or(*column);
        }
        if self.broken.adc_frozen {
            analog = self.frozen;
        } else {
            self.frozen = analog;
            self.conversions = self.conversions.wrapping_add(10);
        }
        let mut burst = [].as_slice();
        if let Some(coil) = outputs.burst {
            self.burst = [self.current(coil, outputs) / 10; 25];
            burst = &self.burst;
        }
        Readings {
            analog,
            flow: self.flow,
            speed: self.speed,
            stop_chain_closed: !self.broken.stop_chain_open,
            guard_closed: !self.broken.guard_open,
            tank_level_ok: !self.broken.tank_low,
            conversions_taken: self.conversions,
            burst,
        }
    }

    fn current(&self, coil: Coil, outputs: &Outputs) -> u16 {
        let open = self.broken.coil_open[coil.index()];
        let drawn = if open { 0 } else { outputs.duty_e4(coil) };
        CURRENT_ZERO.saturating_add(drawn).saturating_add(self.broken.current_added[coil.index()])
    }
}
