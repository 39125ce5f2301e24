//! What image and bridge say to each other, once per tick: blocks of a fixed length, each with one
//! message in postcard at its beginning.

use heapless::Vec;
use serde::{Deserialize, Serialize};
use stepwell_core::{Outputs, Pulses, Readings};
use stepwell_protocol::channel::{ANALOG_CHANNELS, Coil};
use stepwell_protocol::message::HandWork;
use stepwell_protocol::state::State;
use stepwell_virtual::facts::BURST_PER_TICK;

/// What a line at 921 600 baud, ten bits a byte, carries in a tick, rounded up to a block.
pub const LINE_BYTES_PER_TICK: usize = 96;

/// Length of a block, either way, in bytes.
pub const BLOCK: usize = 256;

/// From the image.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum FromImage {
    /// It has started and waits to be told what it is.
    Started,
    /// A tick is done.
    Done {
        /// What is set from now on.
        set: Set,
        /// What the board is doing.
        state: State,
        /// Counts of the processor's timer that the tick took, [`COUNTS_PER_10_INSTRUCTIONS`] for
        /// ten instructions.
        counts: u32,
        /// Bytes for the host.
        to_host: Vec<u8, LINE_BYTES_PER_TICK>,
    },
    /// A handler has caught a fall: everything is at rest now. No answer is expected.
    Fell {
        /// For how long the outputs stood before that, in ms.
        held_ms: u16,
    },
}

/// The timer counts 25 MHz, an instruction lasts 64 ns when the emulator counts them.
pub const COUNTS_PER_10_INSTRUCTIONS: u32 = 16;

/// To the image.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum ToImage {
    /// Start.
    Start {
        /// Number of the board.
        serial: u64,
        /// What the chip's supply supervisor says of this start.
        brown_out: bool,
    },
    /// Do a tick.
    Tick {
        /// Board time in microseconds.
        now_us: u64,
        /// What the rig shows.
        shown: Shown,
        /// Bytes from the host.
        from_host: Vec<u8, LINE_BYTES_PER_TICK>,
        /// What befalls the processor now.
        upset: Option<UpsetKind>,
    },
}

/// What can befall a processor, to see what becomes of the outputs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum UpsetKind {
    /// The main loop hangs.
    Hang,
    /// An access to memory that is not there.
    HardFault,
    /// Calls without an end.
    StackOverflow,
    /// The program gives up.
    Panic,
    /// The supply dips below the level at which the chip resets itself.
    BrownOut,
}

impl UpsetKind {
    /// Each with its name.
    pub const ALL: [(&'static str, UpsetKind); 5] = [
        ("hang", UpsetKind::Hang),
        ("hard-fault", UpsetKind::HardFault),
        ("stack-overflow", UpsetKind::StackOverflow),
        ("panic", UpsetKind::Panic),
        ("brown-out", UpsetKind::BrownOut),
    ];
}

/// [`Outputs`] as they travel.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Set {
    duties_e4: [u16; 2],
    supply_on: bool,
    drive_rpm: u16,
    dump_closed: bool,
    burst: Option<Coil>,
    hand_work: Option<HandWork>,
}

impl From<Outputs> for Set {
    fn from(outputs: Outputs) -> Set {
        let Outputs { inlet_duty_e4, pressure_duty_e4, supply_on, drive_rpm, dump_closed, burst, hand_work } =
            outputs;
        Set {
            duties_e4: [inlet_duty_e4, pressure_duty_e4],
            supply_on,
            drive_rpm,
            dump_closed,
            burst,
            hand_work,
        }
    }
}

impl From<Set> for Outputs {
    fn from(set: Set) -> Outputs {
        let Set { duties_e4: [inlet_duty_e4, pressure_duty_e4], supply_on, drive_rpm, dump_closed, .. } = set;
        let Set { burst, hand_work, .. } = set;
        Outputs { inlet_duty_e4, pressure_duty_e4, supply_on, drive_rpm, dump_closed, burst, hand_work }
    }
}

/// [`Readings`] as they travel.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Shown {
    /// Sums of the conversions.
    pub analog: [u16; ANALOG_CHANNELS],
    /// Flow: pulses and time of the latest.
    pub flow: [u16; 2],
    /// Shaft: pulses and time of the latest.
    pub speed: [u16; 2],
    /// Stop chain, guard, tank level: whether healthy.
    pub contacts: [bool; 3],
    /// Conversions so far.
    pub conversions_taken: u16,
    /// The burst.
    pub burst: Vec<u16, BURST_PER_TICK>,
}

impl From<Readings<'_>> for Shown {
    fn from(readings: Readings<'_>) -> Shown {
        let pulses = |pulses: Pulses| [pulses.count, pulses.edge_us];
        Shown {
            analog: readings.analog,
            flow: pulses(readings.flow),
            speed: pulses(readings.speed),
            contacts: [readings.stop_chain_closed, readings.guard_closed, readings.tank_level_ok],
            conversions_taken: readings.conversions_taken,
            burst: readings.burst.iter().copied().take(BURST_PER_TICK).collect(),
        }
    }
}

/// Writes `message` at the beginning of a block.
///
/// # Errors
/// When it does not fit, which the longest of either side does.
pub fn write<T: Serialize>(message: &T, block: &mut [u8; BLOCK]) -> Result<(), postcard::Error> {
    postcard::to_slice(message, block).map(|_| ())
}

/// Reads the message of a block.
///
/// # Errors
/// When there is none.
pub fn read<'a, T: Deserialize<'a>>(block: &'a [u8; BLOCK]) -> Result<T, postcard::Error> {
    postcard::from_bytes(block)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_longest_messages_fit_a_block() {
        let from = FromImage::Done {
            set: Set {
                duties_e4: [u16::MAX; 2],
                supply_on: true,
                drive_rpm: u16::MAX,
                dump_closed: true,
                burst: Some(Coil::Pressure),
                hand_work: Some(HandWork::PrimerStroke),
            },
            state: State::Tripped,
            counts: u32::MAX,
            to_host: Vec::from_slice(&[0xFF; LINE_BYTES_PER_TICK]).unwrap(),
        };
        let to = ToImage::Tick {
            now_us: u64::MAX,
            shown: Shown {
                analog: [u16::MAX; ANALOG_CHANNELS],
                flow: [u16::MAX; 2],
                speed: [u16::MAX; 2],
                contacts: [true; 3],
                conversions_taken: u16::MAX,
                burst: Vec::from_slice(&[u16::MAX; BURST_PER_TICK]).unwrap(),
            },
            from_host: Vec::from_slice(&[0xFF; LINE_BYTES_PER_TICK]).unwrap(),
            upset: Some(UpsetKind::BrownOut),
        };
        let mut block = [0; BLOCK];
        write(&from, &mut block).unwrap();
        assert_eq!(read::<FromImage>(&block), Ok(from));
        write(&to, &mut block).unwrap();
        assert_eq!(read::<ToImage>(&block), Ok(to));
    }

    #[test]
    fn outputs_arrive_as_they_were_sent() {
        let outputs = Outputs {
            inlet_duty_e4: 1,
            pressure_duty_e4: 2,
            supply_on: true,
            drive_rpm: 3,
            dump_closed: true,
            burst: Some(Coil::Inlet),
            hand_work: Some(HandWork::UnionCracked),
        };
        assert_eq!(Outputs::from(Set::from(outputs)), outputs);
    }
}
