//! What stands beside the bench: every tick as the rig had it, and every word that went over the wire.

pub mod ear;
pub mod said;
pub(super) mod scale;
pub mod watch;
