//! The image: start, then one exchange and one tick after the other.

mod falls;
mod pins;
mod semihosting;
mod watchdog;

use cortex_m::peripheral::SYST;
use cortex_m::peripheral::syst::SystClkSource;
use cortex_m_rt::entry;
use pins::Lines;
use semihosting::Plug;
use stepwell_core::{Board, pins::Rig};
use stepwell_emulated::exchange::{FromImage, LINE_BYTES_PER_TICK, ToImage};
use stepwell_protocol::identity::ResetCause;
use stepwell_virtual::facts::facts;

/// The processor's timer is 24 bits wide.
const TIMER_MASK: u32 = 0x00FF_FFFF;

#[entry]
fn start() -> ! {
    watchdog::start();
    start_timer();
    let mut plug = Plug::open();
    let (serial, reset) = greet(&mut plug);
    let mut board = Board::new(facts("emulated board", serial, reset));
    let lines = Lines::at_rest();
    let mut rig = Rig::new(lines.outputs(), lines.inputs());
    let mut done = FromImage::Done {
        set: lines.set(None),
        state: board.state(),
        counts: 0,
        to_host: heapless::Vec::new(),
    };
    loop {
        let ToImage::Tick { now_us, shown, from_host, upset } = plug.exchange(&done) else { continue };
        watchdog::feed();
        if let Some(upset) = upset {
            falls::provoke(upset);
        }
        lines.show(shown);

        let before = SYST::get_current();
        board.receive(&from_host);
        let outputs = board.tick(now_us, &rig.read());
        // A line that could not be set opens the stop chain; here none can fail.
        let _ = rig.write(&outputs);
        let mut to_host = heapless::Vec::new();
        let _ = to_host.resize(LINE_BYTES_PER_TICK, 0);
        let len = board.transmit(&mut to_host);
        to_host.truncate(len);
        let counts = before.wrapping_sub(SYST::get_current()) & TIMER_MASK;

        done = FromImage::Done { set: lines.set(outputs.hand_work), state: board.state(), counts, to_host };
    }
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
