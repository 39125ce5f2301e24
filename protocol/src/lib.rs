//! The words host and board share: the only crate that both sides compile.
//!
//! What is here: the messages of the whole conversation ([`message`]), how they become bytes
//! ([`frame`]), how telemetry is packed ([`telemetry`]), and the arithmetic on which both sides
//! must agree ([`time`], [`budget`]). `docs/protocol.md` is the specification, byte tables first;
//! this crate is one implementation of it, held to the page by `tests/golden_bytes.rs`.
//!
//! What is not here: engineering units (raw counts travel, the host converts), any decision about
//! safety (that is the board's core), any port, clock or heap.
#![no_std]

pub mod budget;
pub mod channel;
pub mod dwell;
pub mod frame;
pub mod guards;
pub mod identity;
pub mod message;
pub mod state;
pub mod telemetry;
pub mod time;

/// Version of the conversation. Any change to a byte on the wire raises it; there is no
/// negotiation: unequal versions refuse each other by name.
pub const PROTOCOL_VERSION: u16 = 2;

/// The board begins to stop this long after the last valid lease renewal, in milliseconds. The
/// staged stop needs 50 more to prove a low rail low: half a second after its host is gone nothing but a
/// relieving valve is driven, and that only while the rail is not low or the pump coasts.
pub const LEASE_MS: u32 = 450;

/// The host renews the lease this often, in milliseconds: nine times in a lease. When 28 % of the
/// frames are lost or broken, eight in a row fail once in 24 minutes of renewing; four in a row, all that fail when
/// it is renewed every 100 ms, every 17 seconds.
pub const RENEW_EVERY_MS: u32 = 50;

/// An armed board that is not asked to do anything disarms itself after this time, in milliseconds.
pub const LEFT_ALONE_MS: u32 = 120_000;

/// The longest a staged stop holds a valve where it relieves before everything goes to rest, in
/// milliseconds.
pub const RELIEVE_MS_MAX: u32 = 5_000;
