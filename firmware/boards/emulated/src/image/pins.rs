//! The pins of the emulated board: lines of the exchange, behind the traits that real pins have.

use core::cell::Cell;
use core::convert::Infallible;
use embedded_hal::{digital, pwm};
use stepwell_core::pins::{AdcFrame, DriveSpeed, Frame, InputPins, OutputPins, PulseCounter};
use stepwell_core::{Outputs, Pulses};
use stepwell_emulated::exchange::{Set, Shown};
use stepwell_protocol::channel::{ANALOG_CHANNELS, Coil};
use stepwell_protocol::dwell::Ramp;
use stepwell_protocol::message::HandWork;
use stepwell_virtual::facts::BURST_PER_TICK;

type Burst = heapless::Vec<u16, BURST_PER_TICK>;

/// All lines of the board.
pub(crate) struct Lines {
    inlet_duty_e4: Cell<u16>,
    pressure_duty_e4: Cell<u16>,
    supply: Cell<bool>,
    drive_permit: Cell<bool>,
    drive_rpm: Cell<u16>,
    dump: Cell<bool>,
    burst_wanted: Cell<Option<Coil>>,
    stop_chain: Cell<bool>,
    guard: Cell<bool>,
    tank_level: Cell<bool>,
    flow: Cell<Pulses>,
    shaft: Cell<Pulses>,
    sums: Cell<[u16; ANALOG_CHANNELS]>,
    conversions_taken: Cell<u16>,
    burst: Cell<Burst>,
}

impl Lines {
    pub(crate) const fn at_rest() -> Lines {
        const NO_PULSES: Pulses = Pulses { count: 0, edge_us: 0 };
        Lines {
            inlet_duty_e4: Cell::new(0),
            pressure_duty_e4: Cell::new(0),
            supply: Cell::new(false),
            drive_permit: Cell::new(false),
            drive_rpm: Cell::new(0),
            dump: Cell::new(false),
            burst_wanted: Cell::new(None),
            stop_chain: Cell::new(false),
            guard: Cell::new(false),
            tank_level: Cell::new(false),
            flow: Cell::new(NO_PULSES),
            shaft: Cell::new(NO_PULSES),
            sums: Cell::new([0; ANALOG_CHANNELS]),
            conversions_taken: Cell::new(0),
            burst: Cell::new(Burst::new()),
        }
    }

    /// What the rig shows from now on.
    pub(crate) fn show(&self, shown: Shown) {
        let pulses = |[count, edge_us]: [u16; 2]| Pulses { count, edge_us };
        let [stop_chain, guard, tank_level] = shown.contacts;
        self.stop_chain.set(stop_chain);
        self.guard.set(guard);
        self.tank_level.set(tank_level);
        self.flow.set(pulses(shown.flow));
        self.shaft.set(pulses(shown.speed));
        self.sums.set(shown.analog);
        self.conversions_taken.set(shown.conversions_taken);
        self.burst.set(shown.burst);
    }

    /// What is set. The drive turns when it is both permitted and told how fast.
    pub(crate) fn set(&self, hand_work: Option<HandWork>) -> Set {
        Set::from(Outputs {
            inlet_duty_e4: self.inlet_duty_e4.get(),
            pressure_duty_e4: self.pressure_duty_e4.get(),
            supply_on: self.supply.get(),
            drive_rpm: if self.drive_permit.get() { self.drive_rpm.get() } else { 0 },
            dump_closed: self.dump.get(),
            burst: self.burst_wanted.get(),
            hand_work,
        })
    }

    pub(crate) fn outputs(&self) -> OutputPins<Duty<'_>, Duty<'_>, Line<'_>, Line<'_>, Speed<'_>, Line<'_>> {
        OutputPins {
            inlet_valve: Duty(&self.inlet_duty_e4),
            pressure_valve: Duty(&self.pressure_duty_e4),
            supply: Line(&self.supply),
            drive_permit: Line(&self.drive_permit),
            drive_speed: Speed(&self.drive_rpm),
            dump: Line(&self.dump),
        }
    }

    pub(crate) fn inputs(
        &self,
    ) -> InputPins<Line<'_>, Line<'_>, Line<'_>, Adc<'_>, Counter<'_>, Counter<'_>> {
        InputPins {
            stop_chain: Line(&self.stop_chain),
            guard: Line(&self.guard),
            tank_level: Line(&self.tank_level),
            adc: Adc { lines: self, burst: Burst::new() },
            flow: Counter(&self.flow),
            shaft: Counter(&self.shaft),
        }
    }
}

/// A line that is high or low.
pub(crate) struct Line<'a>(&'a Cell<bool>);

impl digital::ErrorType for Line<'_> {
    type Error = Infallible;
}

impl digital::OutputPin for Line<'_> {
    fn set_low(&mut self) -> Result<(), Infallible> {
        self.0.set(false);
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        self.0.set(true);
        Ok(())
    }
}

impl digital::InputPin for Line<'_> {
    fn is_high(&mut self) -> Result<bool, Infallible> {
        Ok(self.0.get())
    }

    fn is_low(&mut self) -> Result<bool, Infallible> {
        Ok(!self.0.get())
    }
}

/// A line with a duty, in steps of 0.01 %.
pub(crate) struct Duty<'a>(&'a Cell<u16>);

impl pwm::ErrorType for Duty<'_> {
    type Error = Infallible;
}

impl pwm::SetDutyCycle for Duty<'_> {
    fn max_duty_cycle(&self) -> u16 {
        Ramp::FULL_E4
    }

    fn set_duty_cycle(&mut self, duty_e4: u16) -> Result<(), Infallible> {
        self.0.set(duty_e4);
        Ok(())
    }
}

/// The set-point of the drive.
pub(crate) struct Speed<'a>(&'a Cell<u16>);

impl DriveSpeed for Speed<'_> {
    type Error = Infallible;

    fn set_rpm(&mut self, rpm: u16) -> Result<(), Infallible> {
        self.0.set(rpm);
        Ok(())
    }
}

/// A counter of pulses.
pub(crate) struct Counter<'a>(&'a Cell<Pulses>);

impl PulseCounter for Counter<'_> {
    fn pulses(&mut self) -> Pulses {
        self.0.get()
    }
}

/// The converter.
pub(crate) struct Adc<'a> {
    lines: &'a Lines,
    burst: Burst,
}

impl AdcFrame for Adc<'_> {
    type Error = Infallible;

    fn frame(&mut self) -> Result<Frame<'_>, Infallible> {
        self.burst = self.lines.burst.take();
        Ok(Frame {
            sums: self.lines.sums.get(),
            conversions_taken: self.lines.conversions_taken.get(),
            burst: &self.burst,
        })
    }

    fn select_burst(&mut self, coil: Option<Coil>) {
        self.lines.burst_wanted.set(coil);
    }
}
