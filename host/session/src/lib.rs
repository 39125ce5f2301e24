//! The host's side of the conversation: link, clock mapping and engine as pure structs, and one file
//! that holds the tokio loop.
//!
//! * [`link`]: frames, acknowledgements, retries, the lease, statistics.
//! * [`clock`]: what the board's clock shows now.
//! * [`engine`]: link and run together; what a screen, a recorder and an operator see of them.
//! * [`serve`]: the loop for ports and people; the only file that reads a clock.
//! * [`lockstep`]: the same engine joined to a bench in this process, as fast as it can.
//!
//! What is not here: files, screens, any decision about a pump.

pub mod clock;
pub mod engine;
pub mod link;
pub mod lockstep;
pub mod serve;
pub mod time;
