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
