//! DMA channels, without interrupts. Channel `n` of the first controller is fed by channel `n` of the
//! request multiplexer.

use core::sync::atomic::{Ordering, compiler_fence};
use embassy_stm32::pac::bdma::vals::{Dir, Pl, Size};
use embassy_stm32::pac::{DMA1, DMAMUX1};

/// Who uses which channel, counted from zero, and by which request (RM0440, DMAMUX requests, from
/// memory).
#[derive(Clone, Copy, Debug)]
pub struct Channel {
    number: usize,
    request: u8,
    size: Size,
    priority: Pl,
}

impl Channel {
    pub const FAST_ADC: Channel =
        Channel { number: 0, request: 36, size: Size::BITS16, priority: Pl::VERY_HIGH };
    pub const SLOW_ADC: Channel = Channel { number: 1, request: 5, size: Size::BITS16, priority: Pl::HIGH };
    pub const FLOW: Channel = Channel { number: 2, request: 56, size: Size::BITS32, priority: Pl::MEDIUM };
    pub const SHAFT: Channel = Channel { number: 3, request: 58, size: Size::BITS32, priority: Pl::MEDIUM };
    pub const LINE_IN: Channel = Channel { number: 4, request: 26, size: Size::BITS8, priority: Pl::MEDIUM };
    pub const LINE_OUT: Channel = Channel { number: 5, request: 27, size: Size::BITS8, priority: Pl::LOW };

    /// Fills `entries` entries at `memory` from a register, over and over.
    pub fn fill<T>(self, register: *mut (), memory: &'static [T]) {
        self.prepare(register, memory.as_ptr() as u32, memory.len() as u16, Dir::FROM_PERIPHERAL, true);
    }

    /// Sends the first `entries` entries of `memory` to a register, once.
    pub fn send<T>(self, register: *mut (), memory: &'static [T], entries: u16) {
        self.prepare(register, memory.as_ptr() as u32, entries, Dir::FROM_MEMORY, false);
    }

    fn prepare(self, register: *mut (), memory: u32, entries: u16, direction: Dir, over_and_over: bool) {
        // What was written for the transfer is in memory before it starts.
        compiler_fence(Ordering::SeqCst);
        let channel = DMA1.ch(self.number);
        channel.cr().write(|w| w.set_en(false));
        DMAMUX1.ccr(self.number).write(|w| w.set_dmareq_id(self.request));
        channel.par().write_value(register as u32);
        channel.mar().write_value(memory);
        channel.ndtr().write(|w| w.set_ndt(entries));
        channel.cr().write(|w| {
            w.set_dir(direction);
            w.set_circ(over_and_over);
            w.set_minc(true);
            w.set_psize(self.size);
            w.set_msize(self.size);
            w.set_pl(self.priority);
            w.set_en(true);
        });
    }

    /// Entries left before the transfer ends or starts again.
    pub fn left(self) -> u16 {
        let left = DMA1.ch(self.number).ndtr().read().ndt();
        // What the transfer has written is read after this, not before.
        compiler_fence(Ordering::SeqCst);
        left
    }
}
