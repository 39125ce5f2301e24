//! What acts on the rig from outside: the board's outputs and a person's hands.

/// One of the two driver channels, named after the valve it is meant for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum CoilId {
    /// The inlet valve's.
    Inlet,
    /// The pressure valve's.
    Pressure,
}

impl CoilId {
    /// Place in arrays by channel.
    pub(crate) const fn index(self) -> usize {
        self as usize
    }
}

/// What the board tells the rig to do. The default is complete rest with the dump open.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Inputs {
    /// Duty of the inlet channel, 0.01 %, 0..=10000; more is taken as 10000.
    pub inlet_duty_e4: u16,
    /// Duty of the pressure channel, 0.01 %, 0..=10000; more is taken as 10000.
    pub pressure_duty_e4: u16,
    /// Supply output.
    pub supply_on: bool,
    /// Wanted drive speed, rpm; 0 is off.
    pub drive_rpm: u16,
    /// Dump coil energised, which shuts it.
    pub dump_closed: bool,
}

impl Inputs {
    /// Whether nothing but perhaps the dump is energised.
    pub(crate) fn idle(self) -> bool {
        self.inlet_duty_e4 == 0 && self.pressure_duty_e4 == 0 && !self.supply_on && self.drive_rpm == 0
    }
}

/// What a person does at the rig.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Hand {
    /// Cracks the union on top of the rail, over a tray.
    CrackUnion,
    /// Closes the union.
    CloseUnion,
    /// Makes one stroke of the hand primer; strokes asked for during a stroke follow it.
    StrokePrimer,
}
