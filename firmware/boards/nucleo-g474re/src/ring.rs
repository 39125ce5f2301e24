//! A ring in memory that DMA fills without end, seen from the reader.
//!
//! The transfer's counter says how many entries are left before it starts again at the first one.
//! That is all there is to know where it writes; a reader that comes once per tick must see a ring
//! that holds several ticks.

/// Place of the reader in such a ring. A slot is `width` entries that belong together.
#[derive(Clone, Copy, Debug)]
pub struct Ring {
    slots: u16,
    width: u16,
    read: u16,
}

impl Ring {
    /// A reader at the first of `slots` slots of `width` entries. Both at least 1, and their product
    /// at most 65 535.
    #[must_use]
    pub const fn new(slots: u16, width: u16) -> Ring {
        Ring { slots, width, read: 0 }
    }

    /// Entries in the ring: what the transfer counts down from.
    #[must_use]
    pub const fn entries(&self) -> u16 {
        self.slots * self.width
    }

    /// The slot that is being written, with `left` entries left before the ring starts again.
    #[must_use]
    pub const fn head(&self, left: u16) -> u16 {
        self.entries().saturating_sub(left) / self.width % self.slots
    }

    /// The slot `back` before `slot`.
    #[must_use]
    pub const fn before(&self, slot: u16, back: u16) -> u16 {
        let back = back % self.slots;
        if back > slot { slot + self.slots - back } else { slot - back }
    }

    /// The slot after `slot`.
    #[must_use]
    pub const fn after(&self, slot: u16) -> u16 {
        if slot + 1 >= self.slots { 0 } else { slot + 1 }
    }

    /// Slots from `from` up to `to`, which is not counted.
    #[must_use]
    pub const fn between(&self, from: u16, to: u16) -> u16 {
        if to >= from { to - from } else { to + self.slots - from }
    }

    /// Whole slots written and not yet read. A whole turn looks like none.
    #[must_use]
    pub const fn unread(&self, left: u16) -> u16 {
        self.between(self.read, self.head(left))
    }

    /// The next slot to read.
    #[must_use]
    pub const fn next(&self) -> u16 {
        self.read
    }

    /// Takes `slots` of what is unread as read.
    pub const fn advance(&mut self, slots: u16) {
        self.read = (self.read + slots) % self.slots;
    }
}

#[cfg(test)]
mod tests {
    use super::Ring;

    /// The counter of a transfer that has moved `entries` since start.
    fn left(ring: Ring, entries: u32) -> u16 {
        ring.entries() - (entries % u32::from(ring.entries())) as u16
    }

    #[test]
    fn follows_a_transfer_for_many_turns_and_misses_nothing() {
        let mut ring = Ring::new(80, 5);
        let (mut written, mut read) = (0_u32, 0_u32);
        for step in 0..10_000_u32 {
            written += 83 + step % 37; // at most 119 entries, so at most 24 slots, between two looks
            let new = ring.unread(left(ring, written));
            ring.advance(new);
            read += u32::from(new);
            assert_eq!(read, written / 5);
            assert_eq!(u32::from(ring.next()), read % 80);
        }
    }

    #[test]
    fn half_written_slots_do_not_count() {
        let ring = Ring::new(4, 3);
        assert_eq!(ring.unread(12), 0);
        assert_eq!(ring.unread(10), 0);
        assert_eq!(ring.unread(9), 1);
        assert_eq!(ring.unread(1), 3);
    }

    #[test]
    fn a_counter_seen_at_zero_is_a_counter_about_to_start_again() {
        let ring = Ring::new(4, 3);
        assert_eq!(ring.head(0), 0);
        assert_eq!(ring.head(12), 0);
    }

    #[test]
    fn slots_before_and_after_wrap() {
        let ring = Ring::new(4, 1);
        assert_eq!(
            [ring.before(0, 1), ring.before(3, 3), ring.before(1, 2), ring.before(2, 0)],
            [3, 0, 3, 2]
        );
        assert_eq!([ring.after(0), ring.after(3)], [1, 0]);
        assert_eq!([ring.between(1, 3), ring.between(3, 1), ring.between(2, 2)], [2, 2, 0]);
    }
}
