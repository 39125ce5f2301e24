//! Sheets, procedures, the run as a state machine, judging, the record. No clock, no files, no
//! threads: facts in, intents out.

pub mod at_rest;
pub mod calibrate;
pub mod causes;
pub mod conformity;
pub mod finding;
pub mod guard;
pub mod procedure;
pub mod quantity;
pub mod read;
pub mod readings;
pub mod recompute;
pub mod record;
pub mod recording;
pub mod round;
pub mod run;
pub mod sheet;
pub mod step;
pub mod words;
