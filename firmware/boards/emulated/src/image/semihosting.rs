//! Semihosting: files of the computer, by a breakpoint that the emulator takes as a call. Operations
//! and their arguments: Arm, "Semihosting for AArch32 and AArch64" (ARM-software/abi-aa), from memory.
//!
//! The plug to the bridge is the emulator's own standard input and output.
#![allow(unsafe_code)]

use core::arch::asm;
use stepwell_emulated::exchange::{self, BLOCK, FromImage, ToImage};

const SYS_OPEN: u32 = 0x01;
const SYS_WRITE: u32 = 0x05;
const SYS_READ: u32 = 0x06;
const SYS_EXIT: u32 = 0x18;

const READ_BYTES: u32 = 1;
const APPEND_BYTES: u32 = 9;
const APPLICATION_EXIT: u32 = 0x2_0026;

/// One call. `argument` is what the operation wants: mostly the address of its arguments.
fn call(operation: u32, argument: u32) -> u32 {
    let result: u32;
    // SAFETY: the emulator reads and writes only what the arguments point at, which every caller
    // below keeps alive and long enough; r0 is the only register that changes.
    unsafe {
        asm!("bkpt #0xAB", inout("r0") operation => result, in("r1") argument, options(nostack));
    }
    result
}

/// Addresses are 32 bits wide on this processor.
fn address<T: ?Sized>(of: *const T) -> u32 {
    of.cast::<u8>() as u32
}

fn call_with<const N: usize>(operation: u32, arguments: [u32; N]) -> u32 {
    call(operation, address(arguments.as_ptr()))
}

fn open(name: &[u8], mode: u32) -> u32 {
    // Without the zero byte at the end, as the operation wants its length.
    let len = name.len().saturating_sub(1) as u32;
    call_with(SYS_OPEN, [address(name.as_ptr()), mode, len])
}

/// The plug to the bridge.
pub(crate) struct Plug {
    input: u32,
    output: u32,
    block: [u8; BLOCK],
}

impl Plug {
    pub(crate) fn open() -> Plug {
        Plug {
            input: open(b"/dev/stdin\0", READ_BYTES),
            output: open(b"/dev/stdout\0", APPEND_BYTES),
            block: [0; BLOCK],
        }
    }

    /// Says `message` and waits for an answer.
    pub(crate) fn exchange(&mut self, message: &FromImage) -> ToImage {
        self.say(message);
        self.listen()
    }

    pub(crate) fn say(&mut self, message: &FromImage) {
        // Every message fits a block; a test in exchange.rs holds that.
        let _ = exchange::write(message, &mut self.block);
        call_with(SYS_WRITE, [self.output, address(self.block.as_ptr()), BLOCK as u32]);
    }

    /// Waits for a message. Without a bridge there is nothing to wait for, and the emulator ends.
    pub(crate) fn listen(&mut self) -> ToImage {
        loop {
            let mut left = BLOCK as u32;
            while left > 0 {
                let at = address(self.block.as_ptr()) + (BLOCK as u32 - left);
                let still_left = call_with(SYS_READ, [self.input, at, left]);
                if still_left == left {
                    call(SYS_EXIT, APPLICATION_EXIT);
                }
                left = still_left;
            }
            if let Ok(message) = exchange::read(&self.block) {
                return message;
            }
        }
    }
}
