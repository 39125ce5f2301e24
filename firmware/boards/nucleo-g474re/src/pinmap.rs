//! Which signal is on which pin. The image takes its pins from here; a test compares every row with
//! `hardware/wiring/nucleo-g474re.toml`, which adds connectors and meaning for people.

/// What a resistor inside the chip pulls a pin to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pull {
    /// Neither.
    None,
    /// High.
    Up,
    /// Low.
    Down,
}

/// What a pin is used as.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// Input or output of a converter; the pin's own logic is off.
    Analog,
    /// Alternate function of this number.
    Alternate(u8),
    /// Read by software.
    Input,
    /// Set by software; low after a reset.
    Output,
}

/// One pin.
#[derive(Clone, Copy, Debug)]
pub struct Pin {
    /// What it carries.
    pub signal: &'static str,
    /// Port, `A` to `G`.
    pub port: char,
    /// Number within the port, 0 to 15.
    pub number: u8,
    /// What it is used as.
    pub role: Role,
    /// The peripheral's name for it, or `GPIO`.
    pub function: &'static str,
    /// Resistor inside the chip.
    pub pull: Pull,
}

impl Pin {
    /// Port times sixteen plus number.
    #[must_use]
    pub const fn index(&self) -> u8 {
        (self.port as u8 - b'A') * 16 + self.number
    }

    /// Channel number at the end of a converter's name for the pin; 0 if there is none.
    #[must_use]
    pub const fn channel(&self) -> u8 {
        let mut channel = 0;
        let mut rest = self.function.as_bytes();
        while let [byte, more @ ..] = rest {
            channel = match *byte {
                digit @ b'0'..=b'9' => channel * 10 + (digit - b'0'),
                _ => 0,
            };
            rest = more;
        }
        channel
    }
}

macro_rules! pins {
    ($($name:ident: $signal:literal, $port:literal $number:literal, $role:expr, $function:literal, $pull:ident;)*) => {
        $(
            #[doc = concat!("Pin of: ", $signal, ".")]
            pub const $name: Pin = Pin {
                signal: $signal,
                port: $port,
                number: $number,
                role: $role,
                function: $function,
                pull: Pull::$pull,
            };
        )*
        /// All pins.
        pub const ALL: &[Pin] = &[$($name),*];
    };
}

pins! {
    RAIL_PRESSURE: "rail pressure", 'C' 0, Role::Analog, "ADC1_IN6", None;
    FEED_PRESSURE: "feed pressure", 'C' 1, Role::Analog, "ADC1_IN7", None;
    SUPPLY_VOLTAGE: "supply voltage", 'C' 2, Role::Analog, "ADC1_IN8", None;
    FLUID_TEMPERATURE: "fluid temperature", 'C' 3, Role::Analog, "ADC1_IN9", None;
    BODY_TEMPERATURE: "body temperature", 'A' 1, Role::Analog, "ADC1_IN2", None;
    INLET_CURRENT: "inlet valve current", 'A' 7, Role::Analog, "ADC2_IN4", None;
    PRESSURE_CURRENT: "pressure valve current", 'C' 4, Role::Analog, "ADC2_IN5", None;
    FLOW: "flow pulses", 'A' 0, Role::Alternate(1), "TIM2_CH1", Down;
    SHAFT: "shaft pulses", 'B' 10, Role::Alternate(1), "TIM2_CH3", Down;
    STOP_CHAIN: "stop chain closed", 'B' 13, Role::Input, "GPIO", Down;
    GUARD: "guard closed", 'B' 14, Role::Input, "GPIO", Down;
    TANK_LEVEL: "tank level good", 'B' 15, Role::Input, "GPIO", Down;
    INLET_VALVE: "inlet valve PWM", 'A' 8, Role::Alternate(6), "TIM1_CH1", Down;
    INLET_BREAK: "inlet valve over-current", 'B' 12, Role::Alternate(6), "TIM1_BKIN", Up;
    PRESSURE_VALVE: "pressure valve PWM", 'C' 6, Role::Alternate(4), "TIM8_CH1", Down;
    PRESSURE_BREAK: "pressure valve over-current", 'B' 7, Role::Alternate(5), "TIM8_BKIN", Up;
    SUPPLY: "supply relay", 'C' 10, Role::Output, "GPIO", None;
    DRIVE_PERMIT: "drive permit relay", 'C' 11, Role::Output, "GPIO", None;
    DUMP: "dump relay", 'C' 12, Role::Output, "GPIO", None;
    DRIVE_SPEED: "drive set-point", 'A' 4, Role::Analog, "DAC1_OUT1", None;
    LINE_OUT: "line to the host", 'A' 2, Role::Alternate(7), "USART2_TX", None;
    LINE_IN: "line from the host", 'A' 3, Role::Alternate(7), "USART2_RX", Up;
}

/// Bits of port C that switch relays, all of which are there: see the test.
pub const RELAYS_ON_PORT_C: u16 = 1 << SUPPLY.number | 1 << DRIVE_PERMIT.number | 1 << DUMP.number;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_pin_and_no_signal_is_there_twice() {
        for (place, pin) in ALL.iter().enumerate() {
            for other in &ALL[..place] {
                assert_ne!(pin.index(), other.index(), "{} and {}", pin.signal, other.signal);
                assert_ne!(pin.signal, other.signal);
                assert!(pin.function == "GPIO" || pin.function != other.function);
            }
        }
    }

    #[test]
    fn every_output_but_the_line_rests_low_and_every_relay_is_on_port_c() {
        let relays: u16 = ALL
            .iter()
            .filter(|pin| pin.role == Role::Output)
            .map(|pin| {
                assert_eq!(pin.port, 'C');
                1 << pin.number
            })
            .sum();
        assert_eq!(relays, RELAYS_ON_PORT_C);
    }

    #[test]
    fn a_broken_wire_reads_as_the_fault_it_would_hide() {
        for healthy_high in [STOP_CHAIN, GUARD, TANK_LEVEL] {
            assert_eq!(healthy_high.pull, Pull::Down);
        }
        for breaks_high in [INLET_BREAK, PRESSURE_BREAK] {
            assert_eq!(breaks_high.pull, Pull::Up);
        }
    }

    #[test]
    fn the_debuggers_pins_and_the_boot_pin_stay_free() {
        for (port, number) in [('A', 13), ('A', 14), ('B', 3), ('B', 8), ('G', 10), ('F', 0), ('F', 1)] {
            assert!(ALL.iter().all(|pin| (pin.port, pin.number) != (port, number)), "P{port}{number}");
        }
    }

    #[test]
    fn channels_are_read_off_the_functions() {
        assert_eq!(RAIL_PRESSURE.channel(), 6);
        assert_eq!(Pin { function: "ADC2_IN13", ..RAIL_PRESSURE }.channel(), 13);
        assert_eq!(SUPPLY.channel(), 0);
    }
}
