//! What came of cases, and what is claimed of each thing that can go wrong.

pub(super) mod at_rest;
pub mod claims;
pub mod founded;
pub(super) mod story;
pub mod tally;
