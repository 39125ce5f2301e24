//! The drive's set-point: the first DAC (RM0440, DAC, from memory).

use super::pins;
use embassy_stm32::pac::DAC1;
use embassy_stm32::pac::dac::vals::Mode;
use embassy_stm32::{peripherals, rcc};
use stepwell_core::pins::DriveSpeed;
use stepwell_nucleo_g474re::{drive, pinmap};

/// DAC_MCR.HFSEL for a bus above 160 MHz.
const FASTEST_BUS: u8 = 2;

/// The output does not stand at what was set.
#[derive(Clone, Copy, Debug)]
pub struct Astray;

/// The set-point.
#[derive(Debug)]
pub struct SetPoint {
    code: u16,
}

impl SetPoint {
    /// Starts it at 0 V. Its own buffer does not reach 0 V and so stays off.
    pub fn start() -> SetPoint {
        rcc::enable_and_reset::<peripherals::DAC1>();
        pins::connect(&pinmap::DRIVE_SPEED);
        DAC1.mcr().write(|w| {
            w.set_hfsel(FASTEST_BUS);
            w.set_mode(0, Mode::NORMAL_EXT_BUFDIS);
        });
        DAC1.cr().write(|w| w.set_en(0, true));
        SetPoint { code: 0 }
    }
}

impl DriveSpeed for SetPoint {
    type Error = Astray;

    fn set_rpm(&mut self, rpm: u16) -> Result<(), Astray> {
        let stands = DAC1.dor(0).read().dor() == self.code;
        self.code = drive::code(rpm);
        DAC1.dhr12r(0).write(|w| w.set_dhr(self.code));
        if stands { Ok(()) } else { Err(Astray) }
    }
}
