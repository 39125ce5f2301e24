//! Both converters, started together by one timer, emptied by DMA (RM0440, ADC, from memory).

use super::dma::Channel;
use super::pins;
use core::sync::atomic::AtomicU16;
use embassy_stm32::pac::adc::vals::{Dmacfg, Dmaen, Exten, Ovrmod, SampleTime};
use embassy_stm32::pac::adccommon::vals::Ckmode;
use embassy_stm32::pac::timer::vals::Mms;
use embassy_stm32::pac::{ADC1, ADC2, ADC12_COMMON, TIM6, VREFINTCAL, adc};
use embassy_stm32::{peripherals, rcc};
use stepwell_core::pins::{AdcFrame, Frame};
use stepwell_nucleo_g474re::clocks::{CORE_HZ, Period, SAMPLE_HZ};
use stepwell_nucleo_g474re::facts::full_scale_mv;
use stepwell_nucleo_g474re::pinmap::{self, Pin};
use stepwell_nucleo_g474re::samples::{FAST, FastRing, SLOTS, SLOW, Samples, SlowRing, Stopped};
use stepwell_protocol::channel::Coil;

const TRIGGER: Period = Period::of(CORE_HZ, SAMPLE_HZ);

/// Number of TIM6's trigger among those of these two converters.
const TIM6_TRIGGER: u8 = 13;

/// Channel of the internal reference on the first converter.
const REFERENCE: u8 = 18;

/// In the order of [`SLOW`].
const SLOW_PINS: [Pin; SLOW.len()] = [
    pinmap::RAIL_PRESSURE,
    pinmap::FEED_PRESSURE,
    pinmap::SUPPLY_VOLTAGE,
    pinmap::FLUID_TEMPERATURE,
    pinmap::BODY_TEMPERATURE,
];

/// In the order of [`FAST`].
const FAST_PINS: [Pin; FAST.len()] = [pinmap::INLET_CURRENT, pinmap::PRESSURE_CURRENT];

/// The slow converter adds this power of two conversions and shifts the sum back to 12 bits. Five
/// channels, four times, at 47.5 + 12.5 cycles of 42.5 MHz take 28 µs of the 50 there are.
const OVERSAMPLING: u8 = 2;

static SLOW_RING: SlowRing = [const { AtomicU16::new(0) }; SLOTS as usize * SLOW.len()];
static FAST_RING: FastRing = [const { AtomicU16::new(0) }; SLOTS as usize * FAST.len()];

/// Both converters.
#[derive(Debug)]
pub struct Adc {
    samples: Samples<'static>,
}

impl Adc {
    /// Calibrates both converters, measures full scale by the internal reference, and starts them.
    /// When full scale is not what it should be, they are left standing and it is `None`: the board
    /// finds its ADC frozen and does not arm.
    #[inline(never)]
    pub fn start() -> (Adc, Option<u16>) {
        rcc::enable_and_reset::<peripherals::ADC1>();
        rcc::enable_and_reset::<peripherals::TIM6>();
        ADC12_COMMON.ccr().write(|w| {
            w.set_ckmode(Ckmode::SYNC_DIV4);
            w.set_vrefen(true);
        });
        for pin in SLOW_PINS.iter().chain(&FAST_PINS) {
            pins::connect(pin);
        }
        power_up(ADC1);
        power_up(ADC2);

        let full_scale_mv = full_scale_mv(VREFINTCAL.data().read(), reference());
        if full_scale_mv.is_some() {
            ADC1.cfgr2().write(|w| {
                w.set_rovse(true);
                w.set_ovsr(OVERSAMPLING - 1);
                w.set_ovss(OVERSAMPLING);
            });
            sequence(ADC1, &SLOW_PINS.map(|pin| pin.channel()), SampleTime::CYCLES47_5);
            sequence(ADC2, &FAST_PINS.map(|pin| pin.channel()), SampleTime::CYCLES47_5);
            run(ADC1, Channel::SLOW_ADC, &SLOW_RING);
            run(ADC2, Channel::FAST_ADC, &FAST_RING);
            start_trigger();
        }
        (Adc { samples: Samples::new(&SLOW_RING, &FAST_RING) }, full_scale_mv)
    }
}

impl AdcFrame for Adc {
    type Error = Stopped;

    fn frame(&mut self) -> Result<Frame<'_>, Stopped> {
        self.samples.frame(Channel::SLOW_ADC.left(), Channel::FAST_ADC.left())
    }

    fn select_burst(&mut self, coil: Option<Coil>) {
        self.samples.select_burst(coil, Channel::FAST_ADC.left());
    }
}

/// Wakes a converter, calibrates it and switches it on.
fn power_up(converter: adc::Adc) {
    converter.cr().write(|w| w.set_deeppwd(false));
    converter.cr().modify(|w| w.set_advregen(true));
    cortex_m::asm::delay(CORE_HZ / 1_000_000 * 20); // its regulator
    converter.cr().modify(|w| w.set_adcal(true));
    while converter.cr().read().adcal() {}
    cortex_m::asm::delay(CORE_HZ / 1_000_000); // at least four of its cycles
    converter.isr().write(|w| w.set_adrdy(true));
    converter.cr().modify(|w| w.set_aden(true));
    while !converter.isr().read().adrdy() {}
}

/// Which channels to convert after each trigger, in which order.
fn sequence(converter: adc::Adc, channels: &[u8], time: SampleTime) {
    converter.sqr1().write(|w| {
        w.set_l(channels.len() as u8 - 1);
        for (place, &channel) in channels.iter().take(4).enumerate() {
            w.set_sq(place, channel);
        }
    });
    converter.sqr2().write(|w| {
        for (place, &channel) in channels.iter().skip(4).enumerate() {
            w.set_sq(place, channel);
        }
    });
    for &channel in channels {
        if let Some(beyond) = channel.checked_sub(10) {
            converter.smpr2().modify(|w| w.set_smp(beyond.into(), time));
        } else {
            converter.smpr().modify(|w| w.set_smp(channel.into(), time));
        }
    }
}

/// One conversion of the internal reference.
fn reference() -> u16 {
    sequence(ADC1, &[REFERENCE], SampleTime::CYCLES640_5);
    ADC1.cr().modify(|w| w.set_adstart(true));
    while ADC1.cr().read().adstart() {}
    ADC1.dr().read().0 as u16
}

/// Lets a converter follow the trigger and DMA follow the converter.
fn run(converter: adc::Adc, channel: Channel, ring: &'static [AtomicU16]) {
    channel.fill(converter.dr().as_ptr().cast(), ring);
    converter.cfgr().write(|w| {
        w.set_dmaen(Dmaen::ENABLE);
        w.set_dmacfg(Dmacfg::CIRCULAR);
        w.set_ovrmod(Ovrmod::PRESERVE); // after an overrun it stands still, and that is noticed
        w.set_extsel(TIM6_TRIGGER);
        w.set_exten(Exten::RISING_EDGE);
        w.set_jqdis(true);
    });
    converter.cr().modify(|w| w.set_adstart(true));
}

fn start_trigger() {
    TIM6.psc().write_value(TRIGGER.psc());
    TIM6.arr().write(|w| w.set_arr(TRIGGER.arr()));
    TIM6.cr2().write(|w| w.set_mms(Mms::UPDATE));
    TIM6.cr1().write(|w| w.set_cen(true));
}
