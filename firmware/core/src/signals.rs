//! What the board reads and what it sets, once per tick: plain values, no pins.

use stepwell_protocol::channel::{ANALOG_CHANNELS, CHANNELS, Channel, Coil, Sample};
use stepwell_protocol::message::HandWork;
use stepwell_protocol::state::Status;

/// A free-running pulse input.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Pulses {
    /// Pulses since start, low 16 bits.
    pub count: u16,
    /// Board time of the latest pulse in microseconds, low 16 bits.
    pub edge_us: u16,
}

/// Everything the rig shows at one tick.
#[derive(Clone, Copy, Debug)]
pub struct Readings<'a> {
    /// The analogue columns in the order of [`Channel::ALL`]: sums of the conversions since the
    /// tick before.
    pub analog: [u16; ANALOG_CHANNELS],
    /// The return flow meter.
    pub flow: Pulses,
    /// The shaft speed sensor.
    pub speed: Pulses,
    /// Whether the hardware stop chain is closed, that is, healthy.
    pub stop_chain_closed: bool,
    /// Whether the guard over the drive is closed.
    pub guard_closed: bool,
    /// Whether the tank has fluid.
    pub tank_level_ok: bool,
    /// Free-running number of conversions, low 16 bits. It must move from every tick to the next;
    /// an ADC that stands still is known by it.
    pub conversions_taken: u16,
    /// Single conversions, at the burst rate, since the tick before, of the coil that
    /// [`Outputs::burst`] asked for at the tick before; else empty.
    pub burst: &'a [u16],
}

/// Everything the board sets at one tick.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Outputs {
    /// Duty of the inlet valve in 0.01 %, 0 to 10 000.
    pub inlet_duty_e4: u16,
    /// Duty of the pressure valve in 0.01 %, 0 to 10 000.
    pub pressure_duty_e4: u16,
    /// Whether the supply pump is energised.
    pub supply_on: bool,
    /// Speed set-point of the drive in revolutions per minute; 0 takes its permit away.
    pub drive_rpm: u16,
    /// Whether the dump is energised, which shuts it.
    pub dump_closed: bool,
    /// The coil whose current is to be sampled at the burst rate until the next tick.
    pub burst: Option<Coil>,
    /// What a simulated rig's operator does at this tick; never set on a real board.
    pub hand_work: Option<HandWork>,
}

impl Outputs {
    /// Nothing energised: drive off, supply off, both valves at 0 %, dump open.
    pub const REST: Outputs = Outputs {
        inlet_duty_e4: 0,
        pressure_duty_e4: 0,
        supply_on: false,
        drive_rpm: 0,
        dump_closed: false,
        burst: None,
        hand_work: None,
    };

    /// Whether anything at all is energised.
    #[must_use]
    pub const fn energised(&self) -> bool {
        self.inlet_duty_e4 > 0
            || self.pressure_duty_e4 > 0
            || self.supply_on
            || self.drive_rpm > 0
            || self.dump_closed
    }

    /// Duty of one coil, in 0.01 %.
    #[must_use]
    pub const fn duty_e4(&self, coil: Coil) -> u16 {
        match coil {
            Coil::Inlet => self.inlet_duty_e4,
            Coil::Pressure => self.pressure_duty_e4,
        }
    }
}

/// The value of one analogue column; 0 for a column that is not analogue.
pub(crate) fn analog(columns: &[u16; ANALOG_CHANNELS], channel: Channel) -> u16 {
    columns.get(channel.index()).copied().unwrap_or(0)
}

/// One row of telemetry.
pub(crate) fn sample(readings: &Readings<'_>, outputs: &Outputs, status: Status) -> Sample {
    let [rail, feed, inlet, pressure, supply, fluid, body] = readings.analog;
    let row: [u16; CHANNELS] = [
        rail,
        feed,
        inlet,
        pressure,
        supply,
        fluid,
        body,
        readings.flow.count,
        readings.flow.edge_us,
        readings.speed.count,
        readings.speed.edge_us,
        outputs.inlet_duty_e4,
        outputs.pressure_duty_e4,
        status.to_word(),
    ];
    row
}
