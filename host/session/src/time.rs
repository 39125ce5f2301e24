//! Host time: microseconds since the program began, never wrapping, never set back.

/// An instant of the host's monotonic clock, in microseconds since the program began.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct HostTime(pub u64);

impl HostTime {
    /// The instant `ms` milliseconds later.
    #[must_use]
    pub const fn plus_ms(self, ms: u64) -> HostTime {
        HostTime(self.0 + ms * 1_000)
    }

    /// Microseconds since `earlier`; 0 when that lies ahead.
    #[must_use]
    pub const fn us_since(self, earlier: HostTime) -> u64 {
        self.0.saturating_sub(earlier.0)
    }
}
