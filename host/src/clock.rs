//! The program's clocks: the calendar, read once when a run begins, for its label only, and a stopwatch
//! for questions and screens. No decision of a run depends on either.

use std::time::{Duration, Instant};

/// Local date and time with offset, ISO 8601 to the second.
#[expect(clippy::disallowed_methods, reason = "the one place that reads the calendar")]
pub(crate) fn calendar() -> String {
    let now = std::time::SystemTime::now();
    jiff::Timestamp::try_from(now).map_or_else(
        |_| "unknown".to_owned(),
        |stamp| {
            jiff::Zoned::new(stamp, jiff::tz::TimeZone::system()).strftime("%Y-%m-%dT%H:%M:%S%:z").to_string()
        },
    )
}

/// Time as a person sees it pass.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Stopwatch(Instant);

impl Stopwatch {
    #[expect(clippy::disallowed_methods, reason = "people's time, for keys and for the age of readings")]
    pub(crate) fn start() -> Stopwatch {
        Stopwatch(Instant::now())
    }

    /// Time since the start.
    pub(crate) fn elapsed(&self) -> Duration {
        self.0.elapsed()
    }
}
