//! The glue from embedded-hal pins, against mocked pins: what is set in which order, and what
//! happens when a pin fails.

use embedded_hal_mock::eh1::MockError;
use embedded_hal_mock::eh1::digital::{
    Mock as Pin, State as Level, State::High, State::Low, Transaction as OnPin,
};
use embedded_hal_mock::eh1::pwm::{Mock as Pwm, Transaction as OnPwm};
use std::io::ErrorKind;
use stepwell_core::pins::{
    AdcFrame, DriveSpeed, FailedOutput, Frame, InputPins, OutputPins, PulseCounter, Rig,
};
use stepwell_core::{Outputs, Pulses};
use stepwell_protocol::channel::Coil;

/// Counts of the timer at 100 % duty.
const MAX_DUTY: u16 = 4_250;

#[derive(Debug)]
struct Adc {
    /// Frames until it stops.
    frames_left: u16,
    conversions: u16,
    selected: Option<Coil>,
    burst: [u16; 3],
}

impl AdcFrame for Adc {
    type Error = ();

    fn frame(&mut self) -> Result<Frame<'_>, ()> {
        self.frames_left = self.frames_left.checked_sub(1).ok_or(())?;
        self.conversions += 10;
        let burst = if self.selected.is_some() { &self.burst[..] } else { &[] };
        Ok(Frame { sums: [1, 2, 3, 4, 5, 6, 7], conversions_taken: self.conversions, burst })
    }

    fn select_burst(&mut self, coil: Option<Coil>) {
        self.selected = coil;
    }
}

#[derive(Debug)]
struct Counter(Pulses);

impl PulseCounter for Counter {
    fn pulses(&mut self) -> Pulses {
        self.0
    }
}

#[derive(Debug, Default)]
struct Speed {
    set: Vec<u16>,
    fails: bool,
}

impl DriveSpeed for Speed {
    type Error = ();

    fn set_rpm(&mut self, rpm: u16) -> Result<(), ()> {
        self.set.push(rpm);
        if self.fails && rpm > 0 { Err(()) } else { Ok(()) }
    }
}

type Out = OutputPins<Pwm, Pwm, Pin, Pin, Speed, Pin>;
type In = InputPins<Pin, Pin, Pin, Adc, Counter, Counter>;

/// What the output pins are expected to be set to, call by call.
#[derive(Default)]
struct Expected {
    inlet: Vec<OnPwm>,
    pressure: Vec<OnPwm>,
    supply: Vec<OnPin>,
    permit: Vec<OnPin>,
    dump: Vec<OnPin>,
}

impl Expected {
    fn set(mut self, duties: [u16; 2], supply: Level, permit: Level, dump: Level) -> Expected {
        for (pwm, duty) in [&mut self.inlet, &mut self.pressure].into_iter().zip(duties) {
            pwm.extend([OnPwm::max_duty_cycle(MAX_DUTY), OnPwm::set_duty_cycle(duty)]);
        }
        self.supply.push(OnPin::set(supply));
        self.permit.push(OnPin::set(permit));
        self.dump.push(OnPin::set(dump));
        self
    }

    /// What [`FULL`] sets. A quarter of 4250 is 1062.5: never more than asked.
    fn full(self) -> Expected {
        self.set([1_062, MAX_DUTY], High, High, High)
    }

    fn rest(self) -> Expected {
        self.set([0, 0], Low, Low, Low)
    }

    fn rig(&self, speed: Speed, chain: &[OnPin], guard: &[OnPin], level: &[OnPin]) -> Rig<Out, In> {
        let outputs = OutputPins {
            inlet_valve: Pwm::new(&self.inlet),
            pressure_valve: Pwm::new(&self.pressure),
            supply: Pin::new(&self.supply),
            drive_permit: Pin::new(&self.permit),
            drive_speed: speed,
            dump: Pin::new(&self.dump),
        };
        let inputs = InputPins {
            stop_chain: Pin::new(chain),
            guard: Pin::new(guard),
            tank_level: Pin::new(level),
            adc: Adc { frames_left: 3, conversions: 0, selected: None, burst: [7, 8, 9] },
            flow: Counter(Pulses { count: 11, edge_us: 12 }),
            shaft: Counter(Pulses { count: 21, edge_us: 22 }),
        };
        Rig::new(outputs, inputs)
    }

    fn outputs_only(&self, speed: Speed) -> Rig<Out, In> {
        self.rig(speed, &[], &[], &[])
    }
}

/// Checks that every expected call was made.
fn done(rig: Rig<Out, In>) -> (Speed, Adc) {
    let (mut out, mut inputs) = rig.release();
    out.inlet_valve.done();
    out.pressure_valve.done();
    for pin in [&mut out.supply, &mut out.drive_permit, &mut out.dump] {
        pin.done();
    }
    for pin in [&mut inputs.stop_chain, &mut inputs.guard, &mut inputs.tank_level] {
        pin.done();
    }
    (out.drive_speed, inputs.adc)
}

const FULL: Outputs = Outputs {
    inlet_duty_e4: 2_500,
    pressure_duty_e4: 10_000,
    supply_on: true,
    drive_rpm: 600,
    dump_closed: true,
    burst: Some(Coil::Inlet),
    hand_work: None,
};

fn broken() -> MockError {
    MockError::Io(ErrorKind::NotConnected)
}

#[test]
fn outputs_reach_their_pins_in_the_units_of_each() {
    let expected = Expected::default().full().rest();
    let mut rig = expected.outputs_only(Speed::default());
    assert_eq!(rig.write(&FULL), Ok(()));
    assert_eq!(rig.write(&Outputs::REST), Ok(()));
    let (speed, adc) = done(rig);
    assert_eq!(speed.set, [600, 0]);
    assert_eq!(adc.selected, None);
}

#[test]
fn a_duty_beyond_full_is_cut_to_full() {
    let expected = Expected::default().set([MAX_DUTY, 0], Low, Low, Low);
    let mut rig = expected.outputs_only(Speed::default());
    assert_eq!(rig.write(&Outputs { inlet_duty_e4: u16::MAX, ..Outputs::REST }), Ok(()));
    done(rig);
}

#[test]
fn readings_come_from_their_pins() {
    let chain = [OnPin::get(High)];
    let guard = [OnPin::get(Low)];
    let level = [OnPin::get(High)];
    let expected = Expected::default().full();
    let mut rig = expected.rig(Speed::default(), &chain, &guard, &level);
    assert_eq!(rig.write(&FULL), Ok(()));
    let readings = rig.read();
    assert_eq!(readings.analog, [1, 2, 3, 4, 5, 6, 7]);
    assert_eq!(readings.conversions_taken, 10);
    assert_eq!(readings.burst, [7, 8, 9]);
    assert_eq!(readings.flow, Pulses { count: 11, edge_us: 12 });
    assert_eq!(readings.speed, Pulses { count: 21, edge_us: 22 });
    assert!(readings.stop_chain_closed && !readings.guard_closed && readings.tank_level_ok);
    done(rig);
}

#[test]
fn an_input_that_cannot_be_read_reads_as_the_fault_it_would_hide() {
    let fails = [OnPin::get(High).with_error(broken())];
    let mut rig = Expected::default().rig(Speed::default(), &fails, &fails, &fails);
    let readings = rig.read();
    assert!(!readings.stop_chain_closed && !readings.guard_closed && !readings.tank_level_ok);
    done(rig);
}

#[test]
fn an_adc_that_has_stopped_stands_still_in_the_readings() {
    let healthy = [(); 5].map(|()| OnPin::get(High));
    let mut rig = Expected::default().rig(Speed::default(), &healthy, &healthy, &healthy);
    let conversions = [(); 5].map(|()| rig.read().conversions_taken);
    assert_eq!(conversions, [10, 20, 30, 30, 30]);
    done(rig);
}

#[test]
fn an_output_that_cannot_be_set_puts_all_of_them_to_rest_until_the_board_is_at_rest() {
    let chain = [OnPin::get(High), OnPin::get(High), OnPin::get(High)];
    // Full, which fails; rest at once; full again, refused with rest; rest by the board; full again,
    // which fails and is followed by rest as before.
    let expected = Expected::default().full().rest().rest().rest().full().rest();
    let mut rig = expected.rig(Speed { fails: true, ..Speed::default() }, &chain, &chain, &chain);
    assert_eq!(rig.write(&FULL), Err(FailedOutput::DriveSpeed));
    assert!(!rig.read().stop_chain_closed, "so that the board trips");
    assert_eq!(rig.write(&FULL), Err(FailedOutput::DriveSpeed));
    assert!(!rig.read().stop_chain_closed);
    assert_eq!(rig.write(&Outputs::REST), Ok(()));
    assert!(rig.read().stop_chain_closed);
    assert_eq!(rig.write(&FULL), Err(FailedOutput::DriveSpeed));
    let (speed, _) = done(rig);
    assert_eq!(speed.set, [600, 0, 0, 0, 600, 0]);
}

#[test]
fn every_output_is_tried_even_when_one_cannot_be_put_to_rest() {
    let mut expected = Expected::default().rest();
    expected.permit = vec![OnPin::set(Low).with_error(broken())];
    let mut rig = expected.outputs_only(Speed::default());
    assert_eq!(rig.write(&Outputs::REST), Err(FailedOutput::DrivePermit));
    done(rig);
}
