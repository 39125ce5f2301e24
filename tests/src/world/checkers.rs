//! What must hold, each rule with a file of its own; they know the sheets, what was witnessed, and nothing else.

pub mod asked;
pub mod authority;
pub mod danger;
mod empty;
mod ending;
pub mod excuse;
mod full_hold;
mod guards;
pub(super) mod judged;
pub mod latched;
pub mod letting_go;
pub mod log;
mod owed;
pub mod record;
mod right;
pub mod spurious;
pub mod stopped;
