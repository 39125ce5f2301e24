//! The glue between embedded-hal pins and the core: pins to [`Readings`], [`Outputs`] to pins.
//!
//! A pin that fails never energises anything. An input that cannot be read reads as the fault that
//! it would hide: chain open, guard open, tank low, ADC standing still. When an output cannot be
//! set, all of them are put to rest at once, unstaged; until the board itself asks for rest and gets
//! it, nothing is energised again and the stop chain reads as open, so that the board trips.

use crate::signals::{Outputs, Pulses, Readings};
use embedded_hal::digital::{InputPin, OutputPin, PinState};
use embedded_hal::pwm::SetDutyCycle;
use stepwell_protocol::channel::{ANALOG_CHANNELS, Coil};
use stepwell_protocol::dwell::Ramp;

/// What the ADC has gathered since the tick before.
#[derive(Clone, Copy, Debug)]
pub struct Frame<'a> {
    /// Sums of the conversions, in the order of the analogue columns.
    pub sums: [u16; ANALOG_CHANNELS],
    /// Free-running number of conversions, low 16 bits.
    pub conversions_taken: u16,
    /// Single conversions of the selected coil at the burst rate; empty when none is selected.
    pub burst: &'a [u16],
}

/// An ADC that gathers in the background.
pub trait AdcFrame {
    /// Why it could not deliver.
    type Error;

    /// Takes what was gathered since the latest call.
    ///
    /// # Errors
    /// When the converter or its transfer has stopped.
    fn frame(&mut self) -> Result<Frame<'_>, Self::Error>;

    /// Selects the coil to sample at the burst rate from now on.
    fn select_burst(&mut self, coil: Option<Coil>);
}

/// A free-running counter of edges.
pub trait PulseCounter {
    /// Pulses since start and the time of the latest one.
    fn pulses(&mut self) -> Pulses;
}

/// The set-point of the drive.
pub trait DriveSpeed {
    /// Why it could not be set.
    type Error;

    /// Sets the speed in revolutions per minute; 0 asks for standstill.
    ///
    /// # Errors
    /// When the drive did not take it.
    fn set_rpm(&mut self, rpm: u16) -> Result<(), Self::Error>;
}

/// The pins that the board sets. High energises.
#[derive(Debug)]
pub struct OutputPins<InletValve, PressureValve, Supply, Permit, Speed, Dump> {
    /// PWM of the inlet valve.
    pub inlet_valve: InletValve,
    /// PWM of the pressure valve.
    pub pressure_valve: PressureValve,
    /// Supply pump.
    pub supply: Supply,
    /// Permit of the drive.
    pub drive_permit: Permit,
    /// Set-point of the drive.
    pub drive_speed: Speed,
    /// Dump; energised is shut.
    pub dump: Dump,
}

/// The pins that the board reads. High is healthy: a broken wire reads low.
#[derive(Debug)]
pub struct InputPins<Chain, Guard, Level, Adc, Flow, Shaft> {
    /// Hardware stop chain.
    pub stop_chain: Chain,
    /// Guard over the drive.
    pub guard: Guard,
    /// Tank level.
    pub tank_level: Level,
    /// All analogue inputs.
    pub adc: Adc,
    /// Return flow meter.
    pub flow: Flow,
    /// Shaft speed sensor.
    pub shaft: Shaft,
}

/// An output that could not be set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FailedOutput {
    /// PWM of the inlet valve.
    InletValve,
    /// PWM of the pressure valve.
    PressureValve,
    /// Supply pump.
    Supply,
    /// Permit of the drive.
    DrivePermit,
    /// Set-point of the drive.
    DriveSpeed,
    /// Dump.
    Dump,
}

/// All pins of a rig.
#[derive(Debug)]
pub struct Rig<Out, In> {
    outputs: Out,
    inputs: In,
    failed: Option<FailedOutput>,
    last_sums: [u16; ANALOG_CHANNELS],
    last_conversions: u16,
}

impl<Out, In> Rig<Out, In> {
    /// A rig whose pins stand at rest, as they do after a reset.
    #[must_use]
    pub const fn new(outputs: Out, inputs: In) -> Rig<Out, In> {
        Rig { outputs, inputs, failed: None, last_sums: [0; ANALOG_CHANNELS], last_conversions: 0 }
    }

    /// Gives the pins back.
    #[must_use]
    pub fn release(self) -> (Out, In) {
        (self.outputs, self.inputs)
    }
}

impl<Out, Chain, Guard, Level, Adc, Flow, Shaft> Rig<Out, InputPins<Chain, Guard, Level, Adc, Flow, Shaft>>
where
    Chain: InputPin,
    Guard: InputPin,
    Level: InputPin,
    Adc: AdcFrame,
    Flow: PulseCounter,
    Shaft: PulseCounter,
{
    /// Reads everything. Never fails: see the head of this file.
    pub fn read(&mut self) -> Readings<'_> {
        let pins = &mut self.inputs;
        let mut burst: &[u16] = &[];
        if let Ok(frame) = pins.adc.frame() {
            self.last_sums = frame.sums;
            self.last_conversions = frame.conversions_taken;
            burst = frame.burst;
        }
        Readings {
            analog: self.last_sums,
            flow: pins.flow.pulses(),
            speed: pins.shaft.pulses(),
            stop_chain_closed: pins.stop_chain.is_high().unwrap_or(false) && self.failed.is_none(),
            guard_closed: pins.guard.is_high().unwrap_or(false),
            tank_level_ok: pins.tank_level.is_high().unwrap_or(false),
            conversions_taken: self.last_conversions,
            burst,
        }
    }
}

impl<InletValve, PressureValve, Supply, Permit, Speed, Dump, Chain, Guard, Level, Adc, Flow, Shaft>
    Rig<
        OutputPins<InletValve, PressureValve, Supply, Permit, Speed, Dump>,
        InputPins<Chain, Guard, Level, Adc, Flow, Shaft>,
    >
where
    InletValve: SetDutyCycle,
    PressureValve: SetDutyCycle,
    Supply: OutputPin,
    Permit: OutputPin,
    Speed: DriveSpeed,
    Dump: OutputPin,
    Adc: AdcFrame,
{
    /// Sets everything.
    ///
    /// # Errors
    /// The first output that could not be set. All others are at rest then, and stay there until
    /// outputs that energise nothing have been set without an error.
    pub fn write(&mut self, outputs: &Outputs) -> Result<(), FailedOutput> {
        self.inputs.adc.select_burst(outputs.burst);
        let energises = outputs.energised();
        if let Some(failed) = self.failed
            && energises
        {
            // Every one is tried; that some of them fail is known.
            let _ = self.outputs.set(&Outputs::REST);
            return Err(failed);
        }
        let result = self.outputs.set(outputs);
        if result.is_err() && energises {
            let _ = self.outputs.set(&Outputs::REST);
        }
        self.failed = result.err();
        result
    }
}

impl<InletValve, PressureValve, Supply, Permit, Speed, Dump>
    OutputPins<InletValve, PressureValve, Supply, Permit, Speed, Dump>
where
    InletValve: SetDutyCycle,
    PressureValve: SetDutyCycle,
    Supply: OutputPin,
    Permit: OutputPin,
    Speed: DriveSpeed,
    Dump: OutputPin,
{
    /// Tries every output, the drive first, and returns the first failure.
    fn set(&mut self, outputs: &Outputs) -> Result<(), FailedOutput> {
        let permit = PinState::from(outputs.drive_rpm > 0);
        let supply = PinState::from(outputs.supply_on);
        let dump = PinState::from(outputs.dump_closed);
        [
            self.drive_permit.set_state(permit).map_err(|_| FailedOutput::DrivePermit),
            self.drive_speed.set_rpm(outputs.drive_rpm).map_err(|_| FailedOutput::DriveSpeed),
            self.supply.set_state(supply).map_err(|_| FailedOutput::Supply),
            self.dump.set_state(dump).map_err(|_| FailedOutput::Dump),
            set_duty(&mut self.inlet_valve, outputs.inlet_duty_e4).map_err(|_| FailedOutput::InletValve),
            set_duty(&mut self.pressure_valve, outputs.pressure_duty_e4)
                .map_err(|_| FailedOutput::PressureValve),
        ]
        .into_iter()
        .collect()
    }
}

fn set_duty<P: SetDutyCycle>(pwm: &mut P, duty_e4: u16) -> Result<(), P::Error> {
    pwm.set_duty_cycle_fraction(duty_e4.min(Ramp::FULL_E4), Ramp::FULL_E4)
}
