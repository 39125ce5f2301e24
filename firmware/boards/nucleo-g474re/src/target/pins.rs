//! Pins, as `pinmap` says.
#![allow(unsafe_code)] // pins are taken by number, from the table

use core::mem::forget;
use embassy_stm32::Peri;
use embassy_stm32::gpio::{AfType, AnyPin, Flex, Input, Level, Output, OutputType, Speed};
use stepwell_nucleo_g474re::pinmap::{Pin, Pull, Role};

fn take(pin: &Pin) -> Peri<'static, AnyPin> {
    // SAFETY: the number comes from the table, in which no pin is there twice (a test sees to it),
    // and each row is taken by one module, once.
    unsafe { AnyPin::steal(pin.index()) }
}

const fn pull(pin: &Pin) -> embassy_stm32::gpio::Pull {
    match pin.pull {
        Pull::None => embassy_stm32::gpio::Pull::None,
        Pull::Up => embassy_stm32::gpio::Pull::Up,
        Pull::Down => embassy_stm32::gpio::Pull::Down,
    }
}

/// An output, low.
pub fn output(pin: &Pin) -> Output<'static> {
    Output::new(take(pin), Level::Low, Speed::Low)
}

/// An input.
pub fn input(pin: &Pin) -> Input<'static> {
    Input::new(take(pin), pull(pin))
}

/// Connects a pin to its peripheral, for good.
pub fn connect(pin: &Pin) {
    let mut flex = Flex::new(take(pin));
    match pin.role {
        Role::Alternate(number) => {
            let kind = AfType::output_pull(OutputType::PushPull, Speed::Low, pull(pin));
            flex.set_as_af_unchecked(number, kind);
        }
        Role::Analog | Role::Input | Role::Output => flex.set_as_analog(),
    }
    forget(flex);
}
