//! The calendar, read once when a run begins, for its label only. No decision depends on it.

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
