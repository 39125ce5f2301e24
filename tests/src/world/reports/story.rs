//! What came of a case.

use crate::world::checkers::danger::Episode;
use crate::world::checkers::record::Kept;
use crate::world::played::host::Handed;
use crate::world::witness::watch::Watch;
use sha2::{Digest, Sha256};
use stepwell_procedure::record::Outcome;
use stepwell_protocol::message::TripCause;

/// All that came of a case.
#[derive(Debug)]
pub struct Story {
    /// What each life of the program came to; nothing when it was killed or the board would not talk to it.
    pub outcomes: Vec<Option<Outcome>>,
    /// Everything that must never happen and did.
    pub wrong: Vec<String>,
    /// What would be wrong if the board could have known or helped it ([`crate::world::checkers::excuse`]): left to the rig's relief valve,
    /// gauge and wiring.
    pub beyond: Vec<String>,
    /// How long each dangerous condition went on while something was being worked or the board was armed.
    pub episodes: Vec<Episode>,
    /// What became of each life's record.
    pub kept: Vec<Kept>,
    /// What each life handed to the disk.
    pub handed: Vec<Handed>,
    /// From the beginning of the mishap until nothing was worked any more without being armed anew, ms: of a run that
    /// goes on, until its own end. Nothing when nothing was being worked just before.
    pub at_rest_ms: Option<usize>,
    /// Whether the board tripped.
    pub tripped: bool,
    /// The first cause of each trip.
    pub trips: Vec<TripCause>,
    /// All that the program said of its last run.
    pub told: String,
    /// What stood beside the bench.
    pub watch: Watch,
}

impl Story {
    /// Samples that a disk had confirmed and that are lost.
    #[must_use]
    pub fn lost(&self) -> usize {
        self.kept.iter().map(|kept| kept.lost).sum()
    }

    /// Samples that a disk had confirmed.
    #[must_use]
    pub fn acknowledged(&self) -> usize {
        self.kept.iter().map(|kept| kept.acknowledged).sum()
    }

    /// Everything that makes two stories the same, in one number, which is the same wherever it is worked out: all
    /// outputs, states and pressures of every tick, every sample and entry that was handed to a disk and what became
    /// of them, every outcome.
    #[must_use]
    pub fn fingerprint(&self) -> u64 {
        let mut hasher = Sha256::new();
        for beside in &self.watch.ticks {
            hasher.update(format!("{:?}\n", beside.moment));
        }
        for handed in &self.handed {
            for (tick, sample) in &handed.samples {
                hasher.update(tick.to_le_bytes());
                for word in sample {
                    hasher.update(word.to_le_bytes());
                }
            }
            hasher.update(format!("{:?} {:?}\n", handed.entries, handed.outcome));
        }
        hasher.update(format!("{:?} {:?} {:?}", self.outcomes, self.wrong, self.kept));
        let mut first = [0; 8];
        first.copy_from_slice(&hasher.finalize()[..8]);
        u64::from_be_bytes(first)
    }
}
