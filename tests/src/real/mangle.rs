//! What a bad line does to what passes over it: pieces of bytes in, pieces and their delays out, from a
//! seed.

use rand_chacha::ChaCha8Rng;
use rand_core::{Rng, SeedableRng};

/// What can happen to a piece.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Harm {
    /// It never comes.
    Drop,
    /// One bit of it is another.
    Flip,
    /// Its end is missing.
    Truncate,
    /// It comes twice.
    Duplicate,
    /// What follows overtakes it.
    Delay,
    /// Something foreign comes with it.
    Foreign,
}

impl Harm {
    /// Every harm.
    pub const ALL: [Harm; 6] =
        [Harm::Drop, Harm::Flip, Harm::Truncate, Harm::Duplicate, Harm::Delay, Harm::Foreign];
}

/// Longest delay, ms.
const DELAY_MS_MAX: u64 = 300;

/// Most foreign bytes at once.
const FOREIGN_MAX: u64 = 40;

/// A line that harms one piece in so many.
#[derive(Clone, Debug)]
pub struct Mangler {
    random: ChaCha8Rng,
    per_mille: u64,
}

impl Mangler {
    /// A line on which `per_mille` of a thousand pieces come to harm.
    #[must_use]
    pub fn new(seed: u64, per_mille: u16) -> Mangler {
        Mangler { random: ChaCha8Rng::seed_from_u64(seed), per_mille: u64::from(per_mille) }
    }

    fn below(&mut self, bound: u64) -> u64 {
        self.random.next_u64() % bound
    }

    /// One piece passes: what comes out of it, each with its delay in ms.
    pub fn pass(&mut self, piece: Vec<u8>) -> Vec<(u64, Vec<u8>)> {
        if piece.is_empty() || self.below(1000) >= self.per_mille {
            return vec![(0, piece)];
        }
        let harm = Harm::ALL[self.below(Harm::ALL.len() as u64) as usize];
        self.harmed(harm, piece)
    }

    fn harmed(&mut self, harm: Harm, mut piece: Vec<u8>) -> Vec<(u64, Vec<u8>)> {
        let len = piece.len() as u64;
        match harm {
            Harm::Drop => vec![],
            Harm::Flip => {
                let bit = self.below(8 * len) as usize;
                piece[bit / 8] ^= 1 << (bit % 8);
                vec![(0, piece)]
            }
            Harm::Truncate => {
                piece.truncate(self.below(len) as usize);
                vec![(0, piece)]
            }
            Harm::Duplicate => vec![(0, piece.clone()), (self.below(DELAY_MS_MAX), piece)],
            Harm::Delay => vec![(1 + self.below(DELAY_MS_MAX), piece)],
            Harm::Foreign => {
                let mut foreign = vec![0; 1 + self.below(FOREIGN_MAX) as usize];
                self.random.fill_bytes(&mut foreign);
                vec![(0, foreign), (0, piece)]
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::{Harm, Mangler};

    #[test]
    fn a_good_line_changes_nothing_and_a_seed_decides_what_a_bad_one_does() {
        let piece: Vec<u8> = (1..=9).collect();
        let mut good = Mangler::new(1, 0);
        assert!((0..1_000).all(|_| good.pass(piece.clone()) == [(0, piece.clone())]));
        let all = |seed| {
            let mut bad = Mangler::new(seed, 150);
            (0..1_000).map(|_| bad.pass(piece.clone())).collect::<Vec<_>>()
        };
        assert_eq!(all(2), all(2));
        assert_ne!(all(2), all(3));
        // Binomial, 1000 pieces at 0.15: mean 150, six deviations of 11.3 to either side.
        let harmed = all(2).iter().filter(|out| **out != [(0, piece.clone())]).count();
        assert!((82..=218).contains(&harmed), "{harmed}");
    }

    #[test]
    fn every_harm_does_what_its_name_says() {
        let piece = vec![7; 20];
        let mut line = Mangler::new(5, 1_000);
        let mut done = |harm| line.harmed(harm, piece.clone());
        assert!(done(Harm::Drop).is_empty());
        let [(0, flipped)] = &done(Harm::Flip)[..] else { panic!() };
        let bits: u32 = flipped.iter().map(|byte| (byte ^ 7).count_ones()).sum();
        assert_eq!(bits, 1);
        assert!(done(Harm::Truncate)[0].1.len() < piece.len());
        assert_eq!(done(Harm::Duplicate).len(), 2);
        assert!(done(Harm::Delay)[0].0 > 0);
        assert_eq!(done(Harm::Foreign)[1], (0, piece));
    }
}
