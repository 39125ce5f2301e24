//! The line to the host: USART2 to the debugger's virtual port (RM0440, USART, from memory).

use super::dma::Channel;
use super::pins;
use core::sync::atomic::{AtomicU8, Ordering};
use embassy_stm32::pac::USART2;
use embassy_stm32::{peripherals, rcc};
use stepwell_core::Board;
use stepwell_nucleo_g474re::clocks::{BAUD_DIVIDER, LINE_BYTES_PER_TICK};
use stepwell_nucleo_g474re::pinmap;
use stepwell_nucleo_g474re::ring::Ring;

/// Bytes that may wait to be read: five ticks. What exceeds that is lost, and frames have checksums.
const WAITING: usize = 512;

static IN: [AtomicU8; WAITING] = [const { AtomicU8::new(0) }; WAITING];
static OUT: [AtomicU8; LINE_BYTES_PER_TICK] = [const { AtomicU8::new(0) }; LINE_BYTES_PER_TICK];

/// Both directions.
#[derive(Debug)]
pub struct Line {
    received: Ring,
}

impl Line {
    /// Opens the line: 8 bits, no parity, one stop bit. Errors on it and bytes that come too fast do
    /// not stop it.
    pub fn start() -> Line {
        rcc::enable_and_reset::<peripherals::USART2>();
        pins::connect(&pinmap::LINE_OUT);
        pins::connect(&pinmap::LINE_IN);
        USART2.brr().write(|w| w.set_brr(BAUD_DIVIDER));
        USART2.cr3().write(|w| {
            w.set_dmar(true);
            w.set_dmat(true);
            w.set_ovrdis(true);
        });
        Channel::LINE_IN.fill(USART2.rdr().as_ptr().cast(), &IN);
        USART2.cr1().write(|w| {
            w.set_te(true);
            w.set_re(true);
            w.set_ue(true);
        });
        Line { received: Ring::new(WAITING as u16, 1) }
    }

    /// Hands the board what has come, at most a tick's worth.
    #[inline(never)]
    pub fn receive(&mut self, board: &mut Board) {
        let len = usize::from(self.received.unread(Channel::LINE_IN.left())).min(LINE_BYTES_PER_TICK);
        let mut bytes = [0; LINE_BYTES_PER_TICK];
        let mut slot = self.received.next();
        for byte in bytes.iter_mut().take(len) {
            *byte = IN.get(usize::from(slot)).map_or(0, |byte| byte.load(Ordering::Relaxed));
            slot = self.received.after(slot);
        }
        self.received.advance(len as u16);
        board.receive(bytes.get(..len).unwrap_or(&[]));
    }

    /// Starts sending what the board has to say, if the line is free. Never waits.
    #[inline(never)]
    pub fn transmit(&mut self, board: &mut Board) {
        if Channel::LINE_OUT.left() > 0 {
            return;
        }
        let mut bytes = [0; LINE_BYTES_PER_TICK];
        let len = board.transmit(&mut bytes);
        if len == 0 {
            return;
        }
        for (place, &byte) in OUT.iter().zip(&bytes) {
            place.store(byte, Ordering::Relaxed);
        }
        Channel::LINE_OUT.send(USART2.tdr().as_ptr().cast(), &OUT, len as u16);
    }
}
