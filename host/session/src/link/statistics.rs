//! What a link has been through.

pub use hdrhistogram::Histogram;

/// What the link has been through.
#[derive(Clone, Debug, PartialEq)]
pub struct LinkStatistics {
    /// Time from a command's first frame to its acknowledgement, in microseconds.
    pub round_trip_us: Histogram<u64>,
    /// Time between telemetry frames on arrival, in microseconds.
    pub frame_interval_us: Histogram<u64>,
    /// Ticks of telemetry that never came.
    pub ticks_missing: u64,
    /// Frames that were no frames: wrong checksum, stuffing or length; and telemetry of ticks that are past.
    pub frames_bad: u64,
    /// Frames received in order.
    pub frames_good: u64,
    /// Commands that had to be sent again.
    pub retries: u64,
}

impl Default for LinkStatistics {
    fn default() -> Self {
        // One microsecond to a minute, to three digits: the bounds are constants, so this cannot
        // fail; growing is allowed so that recording cannot fail either.
        let mut histogram = Histogram::new(3).unwrap_or_else(|_| unreachable!("three digits are allowed"));
        histogram.auto(true);
        LinkStatistics {
            round_trip_us: histogram.clone(),
            frame_interval_us: histogram,
            ticks_missing: 0,
            frames_bad: 0,
            frames_good: 0,
            retries: 0,
        }
    }
}

/// Notes a time in µs, in a histogram of these; less than 1 counts as 1. Recording that saturates would not let it grow:
/// it keeps what is too long as 2.
pub(super) fn note(histogram: &mut Histogram<u64>, us: u64) {
    histogram.record(us.max(1)).unwrap_or_else(|_| unreachable!("it grows"));
}

#[cfg(test)]
mod tests {
    use super::{LinkStatistics, note};

    #[test]
    fn times_are_kept_to_three_digits_however_long_they_are() {
        // A frame of telemetry, a line that delays, an hour without a word.
        for us in [0, 1, 2_047, 2_048, 10_000, 20_000_000, 3_600_000_000] {
            let mut histogram = LinkStatistics::default().frame_interval_us;
            note(&mut histogram, us);
            let (kept, due) = (histogram.max(), us.max(1));
            assert!(kept.abs_diff(due) <= due / 1_000, "{us} us kept as {kept}");
        }
    }
}
