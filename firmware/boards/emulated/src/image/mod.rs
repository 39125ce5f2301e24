//! The image: start, then one exchange and one tick after the other.

mod falls;
mod pins;
mod semihosting;
mod stack_guard;
mod watchdog;

use cortex_m::peripheral::SYST;
use cortex_m::peripheral::syst::SystClkSource;
use cortex_m_rt::entry;
use heapless::Vec;
use pins::{Adc, Counter, Duty, Line, Lines, Speed};
use semihosting::Plug;
use stepwell_core::pins::{InputPins, OutputPins, Rig};
use stepwell_core::{Board, Outputs};
use stepwell_emulated::exchange::{FromImage, LINE_BYTES_PER_TICK, ToImage};
use stepwell_protocol::identity::ResetCause;
use stepwell_virtual::facts::facts;

type ToHost = Vec<u8, LINE_BYTES_PER_TICK>;

/// All pins of this board.
type Pins<'a> = Rig<
    OutputPins<Duty<'a>, Duty<'a>, Line<'a>, Line<'a>, Speed<'a>, Line<'a>>,
    InputPins<Line<'a>, Line<'a>, Line<'a>, Adc<'a>, Counter<'a>, Counter<'a>>,
>;

/// The processor's timer is 24 bits wide.
const TIMER_MASK: u32 = 0x00FF_FFFF;

#[entry]
fn start() -> ! {
    stack_guard::raise();
    watchdog::start();
    start_timer();
    let mut plug = Plug::open();
    let board = begin(&mut plug);
    let lines = Lines::at_rest();
    let mut rig = Rig::new(lines.outputs(), lines.inputs());
    let mut done =
        FromImage::Done { set: lines.set(None), state: board.state(), counts: 0, to_host: Vec::new() };
    loop {
        let ToImage::Tick { now_us, shown, from_host, upset } = plug.exchange(&done) else { continue };
        watchdog::feed();
        if let Some(upset) = upset {
            falls::provoke(upset);
        }
        lines.show(shown);

        let before = SYST::get_current();
        let (outputs, to_host) = tick(board, &mut rig, now_us, &from_host);
        let counts = before.wrapping_sub(SYST::get_current()) & TIMER_MASK;

        done = FromImage::Done { set: lines.set(outputs.hand_work), state: board.state(), counts, to_host };
    }
}

/// The board, in memory of its own.
// Here and at `tick`: without this, frames of what does not call each other would add up in one.
#[inline(never)]
fn begin(plug: &mut Plug) -> &'static mut Board {
    let (serial, reset) = greet(plug);
    match cortex_m::singleton!(: Board = Board::new(facts("emulated board", serial, reset))) {
        Some(board) => board,
        None => falls::give_up(), // a second start without a reset
    }
}

/// One tick, from the bytes of the host to those for it.
#[inline(never)]
fn tick(board: &mut Board, rig: &mut Pins<'_>, now_us: u64, from_host: &[u8]) -> (Outputs, ToHost) {
    let mut to_host = ToHost::new();
    let _ = to_host.resize(LINE_BYTES_PER_TICK, 0);
    let len = board.transmit(&mut to_host);
    to_host.truncate(len);
    board.receive(from_host);
    let outputs = board.tick(now_us, &rig.read());
    // A line that cannot be set opens the stop chain; here none can fail.
    let _ = rig.write(&outputs);
    (outputs, to_host)
}

/// Says that the image has started, and learns which board it is and why it started.
fn greet(plug: &mut Plug) -> (u64, ResetCause) {
    let noted = falls::take();
    let mut answer = plug.exchange(&FromImage::Started);
    loop {
        // What was on its way to the image before it fell comes first.
        if let ToImage::Start { serial, brown_out } = answer {
            let supply = if brown_out { ResetCause::BrownOut } else { ResetCause::PowerOn };
            return (serial, noted.unwrap_or(supply));
        }
        answer = plug.listen();
    }
}

fn start_timer() {
    if let Some(mut core) = cortex_m::Peripherals::take() {
        core.SYST.set_clock_source(SystClkSource::Core);
        core.SYST.set_reload(TIMER_MASK);
        core.SYST.clear_current();
        core.SYST.enable_counter();
    }
}
