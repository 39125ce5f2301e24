//! Pulses of flow meter and shaft sensor.
//!
//! Every rising edge makes the timer note its microsecond count and makes DMA put that count into a
//! ring. So the number of edges is how far the transfer has come, the time of the latest edge is the
//! latest entry, and no instruction is spent on either.

use crate::ring::Ring;
use core::sync::atomic::{AtomicU32, Ordering};
use stepwell_core::Pulses;

/// Edges that a ring holds. In a tick fewer must come: 63 kHz, against 1.5 kHz of a shaft wheel of 60
/// teeth at 1500 rpm.
pub const EDGES: u16 = 64;

/// Memory of one input's ring.
pub type EdgeRing = [AtomicU32; EDGES as usize];

/// The reader of one input's ring.
#[derive(Debug)]
pub struct Edges<'a> {
    memory: &'a EdgeRing,
    ring: Ring,
    pulses: Pulses,
}

impl<'a> Edges<'a> {
    /// A reader of a ring that is about to be filled.
    #[must_use]
    pub const fn new(memory: &'a EdgeRing) -> Edges<'a> {
        Edges { memory, ring: Ring::new(EDGES, 1), pulses: Pulses { count: 0, edge_us: 0 } }
    }

    /// Pulses since start and the time of the latest, given how many entries the transfer has left
    /// before the ring starts again.
    pub fn pulses(&mut self, left: u16) -> Pulses {
        let new = self.ring.unread(left);
        self.ring.advance(new);
        self.pulses.count = self.pulses.count.wrapping_add(new);
        let latest = usize::from(self.ring.before(self.ring.next(), 1));
        if new > 0
            && let Some(edge) = self.memory.get(latest)
        {
            self.pulses.edge_us = edge.load(Ordering::Relaxed) as u16;
        }
        self.pulses
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_and_times_every_edge_over_many_turns() {
        let memory = [const { AtomicU32::new(0) }; EDGES as usize];
        let mut edges = Edges::new(&memory);
        assert_eq!(edges.pulses(EDGES), Pulses::default());
        let (mut moved, mut time_us, mut last) = (0_usize, 60_000_u32, Pulses::default());
        for tick in 0..5_000_usize {
            for _ in 0..tick % 4 * 21 {
                time_us += 13;
                memory[moved % 64].store(time_us, Ordering::Relaxed);
                moved += 1;
            }
            let now = edges.pulses(64 - (moved % 64) as u16);
            assert_eq!(now.count, moved as u16);
            if tick % 4 == 0 {
                assert_eq!(now, last);
            } else {
                assert_eq!(now.edge_us, time_us as u16);
            }
            last = now;
        }
    }
}
