//! One column of a run as it was sampled: pieces without a gap, and the gaps between them.

use stepwell_protocol::channel::Channel;
use stepwell_protocol::time::Tick;

/// Consecutive samples, never empty.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Piece {
    /// The tick of the first sample; one sample per tick from there.
    pub first: Tick,
    /// Board time of the first sample in microseconds since the board's start, or nothing when it was
    /// not written down. Each further sample is 1000 µs later.
    pub first_us: Option<u64>,
    /// The samples in counts.
    pub counts: Vec<u16>,
}

impl Piece {
    /// The first tick after the piece.
    #[must_use]
    pub fn end(&self) -> Tick {
        self.first.plus_ms(self.counts.len() as u32)
    }
}

/// Ticks that were not received.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Gap {
    /// The first missing tick.
    pub first: Tick,
    /// How many are missing.
    pub ticks: u32,
}

/// One column of a run.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Column {
    /// Which column.
    pub channel: Channel,
    /// What was sampled, in the order received. A piece ends where ticks are missing, or where ticks
    /// came again that were already there.
    pub pieces: Vec<Piece>,
}

impl Column {
    /// The gaps, in order.
    pub fn gaps(&self) -> impl Iterator<Item = Gap> + '_ {
        self.pieces.windows(2).filter_map(|pair| {
            let [before, after] = pair else { return None };
            let ticks = u32::try_from(after.first.ms_since(before.end())).ok().filter(|&ticks| ticks > 0)?;
            Some(Gap { first: before.end(), ticks })
        })
    }

    /// Number of samples, gaps not counted.
    #[must_use]
    pub fn samples(&self) -> u64 {
        self.pieces.iter().map(|piece| piece.counts.len() as u64).sum()
    }

    /// Adds what a chunk holds, to the last piece when it follows on.
    pub(crate) fn push(&mut self, first: Tick, first_us: Option<u64>, counts: Vec<u16>) {
        match self.pieces.last_mut() {
            Some(last) if last.end() == first => last.counts.extend(counts),
            _ => self.pieces.push(Piece { first, first_us, counts }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::{Channel, Column, Gap, Tick};

    #[test]
    fn chunks_that_follow_on_are_joined_across_the_wrap_and_gaps_are_told() {
        let mut column = Column { channel: Channel::FlowCount, pieces: Vec::new() };
        column.push(Tick(u32::MAX - 1), Some(5), vec![1, 2]);
        column.push(Tick(0), Some(2_005), vec![3]);
        column.push(Tick(4), None, vec![4]);
        column.push(Tick(2), None, vec![5]);
        assert_eq!(column.pieces.len(), 3);
        assert_eq!(column.pieces[0].counts, [1, 2, 3]);
        assert_eq!(column.gaps().collect::<Vec<_>>(), [Gap { first: Tick(1), ticks: 3 }]);
        assert_eq!(column.samples(), 5);
    }
}
