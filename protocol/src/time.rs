//! Board time: ticks of one millisecond since the board started.
//!
//! A tick counter of 32 bits wraps after 49.7 days, so ticks are compared by signed difference and
//! only here. Comparing two ticks is meaningful while they are less than 24.8 days apart.

use serde::{Deserialize, Serialize};

/// A tick of the board, counted from its start; one tick is one millisecond.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Tick(pub u32);

impl Tick {
    /// The tick `ms` milliseconds later.
    #[must_use]
    pub const fn plus_ms(self, ms: u32) -> Tick {
        Tick(self.0.wrapping_add(ms))
    }

    /// The tick `ms` milliseconds earlier.
    #[must_use]
    pub const fn minus_ms(self, ms: u32) -> Tick {
        Tick(self.0.wrapping_sub(ms))
    }

    /// Milliseconds from `earlier` to `self`; negative when `self` comes first.
    #[must_use]
    pub const fn ms_since(self, earlier: Tick) -> i32 {
        self.0.wrapping_sub(earlier.0) as i32
    }

    /// Whether `self` comes strictly after `other`.
    #[must_use]
    pub const fn is_after(self, other: Tick) -> bool {
        self.ms_since(other) > 0
    }
}

#[cfg(test)]
mod tests {
    use super::Tick;

    #[test]
    fn order_survives_the_wrap() {
        let before = Tick(u32::MAX - 5);
        let after = before.plus_ms(10);
        assert_eq!(after, Tick(4));
        assert!(after.is_after(before));
        assert!(!before.is_after(after));
        assert_eq!(after.ms_since(before), 10);
        assert_eq!(before.ms_since(after), -10);
        assert_eq!(after.minus_ms(10), before);
    }
}
