//! The image: start, and the loop around the board's tick.
//!
//! ```text
//!   every ms:  read ──► receive ──► tick ──► write ──► feed the watchdog
//!   between:   transmit, as soon as the line is free
//! ```
//!
//! No executor and no interrupts: timers, converters, pulse counting and the line run in hardware by
//! DMA, and the loop looks at how far they have come. The only exceptions are the fatal ones, in
//! `fall.rs`.

mod adc;
mod chip;
mod clock;
mod dma;
mod fall;
mod line;
mod mark;
mod pins;
mod pulse_inputs;
mod set_point;
mod valves;
mod watchdog;

use adc::Adc;
use clock::Clock;
use embassy_stm32::gpio::{Input, Output};
use line::Line;
use pulse_inputs::PulseInput;
use set_point::SetPoint;
use stepwell_core::Board;
use stepwell_core::pins::{InputPins, OutputPins, Rig};
use stepwell_nucleo_g474re::facts::{Chip, FULL_SCALE_MV, facts};
use stepwell_nucleo_g474re::reset::Mark;
use stepwell_nucleo_g474re::time::Schedule;
use stepwell_nucleo_g474re::{pinmap, reset};
use valves::{InletValve, PressureValve};

/// All pins of this board.
type Pins = Rig<
    OutputPins<InletValve, PressureValve, Output<'static>, Output<'static>, SetPoint, Output<'static>>,
    InputPins<Input<'static>, Input<'static>, Input<'static>, Adc, PulseInput, PulseInput>,
>;

#[cortex_m_rt::entry]
fn start() -> ! {
    watchdog::start();
    let cause = reset::cause(chip::reset_flags(), mark::take());
    let brown_out_level = chip::start_clocks();

    // Outputs first, so that nothing floats for longer than it must.
    let outputs = OutputPins {
        inlet_valve: InletValve::start(),
        pressure_valve: PressureValve::start(),
        supply: pins::output(&pinmap::SUPPLY),
        drive_permit: pins::output(&pinmap::DRIVE_PERMIT),
        drive_speed: SetPoint::start(),
        dump: pins::output(&pinmap::DUMP),
    };
    let mut clock = Clock::start();
    let (adc, full_scale_mv) = Adc::start();
    let inputs = InputPins {
        stop_chain: pins::input(&pinmap::STOP_CHAIN),
        guard: pins::input(&pinmap::GUARD),
        tank_level: pins::input(&pinmap::TANK_LEVEL),
        adc,
        flow: PulseInput::flow(),
        shaft: PulseInput::shaft(),
    };
    let mut rig = Rig::new(outputs, inputs);
    let mut line = Line::start();
    let board = begin(&Chip {
        uid: embassy_stm32::uid::uid(),
        reset: cause,
        brown_out_level,
        full_scale_mv: full_scale_mv.unwrap_or(FULL_SCALE_MV),
    });

    let mut schedule = Schedule::from(clock.now_us());
    loop {
        let now_us = clock.now_us();
        if schedule.due(now_us) {
            tick(board, &mut rig, &mut line, now_us);
            watchdog::feed();
        } else {
            line.transmit(board);
        }
    }
}

/// The board, in memory of its own.
// Here and wherever else inlining is forbidden: frames of what does not call each other would add up
// in one, and the stack has a budget.
#[inline(never)]
fn begin(chip: &Chip) -> &'static mut Board {
    match cortex_m::singleton!(: Board = Board::new(facts(chip))) {
        Some(board) => board,
        None => fall::fall(), // there is one already, so this is the second start without a reset
    }
}

/// One tick.
#[inline(never)]
fn tick(board: &mut Board, rig: &mut Pins, line: &mut Line, now_us: u64) {
    let readings = rig.read();
    line.receive(board);
    let outputs = board.tick(now_us, &readings);
    let energised = outputs.energised();
    if !energised {
        valves::mend();
    }
    // A failure is told to the board by what it reads next: see `stepwell_core::pins`.
    let _ = rig.write(&outputs);
    mark::set(if energised { Mark::Energised } else { Mark::None });
}
