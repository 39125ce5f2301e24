//! What is played around the engine, the board and the store: the line, the computer, the person, the board's
//! machine, and what goes wrong with them.

pub mod case;
pub mod host;
pub(super) mod left;
pub mod line;
pub mod machine;
pub mod mishap;
