//! When what was taken is written down durably. No clock is read: the board's time decides, and silence.
//!
//! What is lost on a line takes its time like what comes, so that a run is on disk up to its last second on a bad line
//! too: half of it is this, the other half is for a line that falls silent, and for the disk.

use stepwell_protocol::time::Tick;

/// Board time between commits when the bench runs in real time, in ms.
pub const COMMIT_EVERY_MS: i32 = 500;

/// Silence after which a [`crate::Recorder`] commits by itself what it has taken, in ms.
pub const SILENCE_MS: u64 = 500;

/// Says when a commit is due.
#[derive(Clone, Copy, Debug)]
pub struct Pace {
    every_ms: i32,
    /// The oldest tick that waits.
    oldest: Option<Tick>,
}

impl Pace {
    /// A commit every `every_ms` of board time, from 1 on.
    #[must_use]
    pub fn new(every_ms: i32) -> Pace {
        Pace { every_ms, oldest: None }
    }

    /// Samples of `ticks` consecutive ticks from `first` on were taken. Whether a commit is due, after which nothing
    /// waits any more.
    pub fn is_due(&mut self, first: Tick, ticks: usize) -> bool {
        let oldest = *self.oldest.get_or_insert(first);
        let due = first.plus_ms(ticks as u32).ms_since(oldest) >= self.every_ms;
        if due {
            self.oldest = None;
        }
        due
    }

    /// All that waited was committed for another reason.
    pub fn committed(&mut self) {
        self.oldest = None;
    }
}

#[cfg(test)]
mod tests {
    use super::{COMMIT_EVERY_MS, Pace, Tick};

    /// Ticks of board time from one commit to the next when of `of` frames of ten ticks the first `come` arrive.
    fn apart_ms(of: u32, come: u32) -> Vec<i32> {
        let mut pace = Pace::new(COMMIT_EVERY_MS);
        let frames = (0..1_000).filter(|frame| frame % of < come).map(|frame| Tick(frame * 10));
        let due: Vec<Tick> = frames.filter(|first| pace.is_due(*first, 10)).collect();
        due.windows(2).map(|pair| pair[1].ms_since(pair[0])).collect()
    }

    #[test]
    fn commits_keep_their_pace_on_a_line_that_loses_frames() {
        assert!(apart_ms(1, 1).iter().all(|ms| *ms == 500));
        // The oldest that waits may come a gap late, and so may the frame after which half a second is over.
        for (of, come) in [(3, 2), (2, 1), (4, 1), (10, 1)] {
            let gap_ms = 10 * (of - come) as i32;
            let apart_ms = apart_ms(of, come);
            assert!(
                apart_ms.iter().all(|ms| (500..=500 + 2 * gap_ms).contains(ms)),
                "{come} of {of}: {apart_ms:?}"
            );
        }
    }

    #[test]
    fn what_waited_and_was_committed_counts_no_more() {
        let mut pace = Pace::new(COMMIT_EVERY_MS);
        assert!(!pace.is_due(Tick(0), 490));
        pace.committed();
        assert!(!pace.is_due(Tick(490), 10));
        assert!(pace.is_due(Tick(500), 490));
    }
}
