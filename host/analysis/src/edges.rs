//! Where a signal that stays at a level jumps to another one: the edges of a duty or a voltage.
//!
//! Noise is told from jumps by its own size, found from differences of neighbours, which edges are
//! too few to disturb. An edge that takes several samples counts once; its instant lies between the
//! last sample at the old and the first sample at the new level, anywhere (rectangular).

use crate::series::noise_sd;
use crate::stats::extremes;

/// A jump must exceed this many standard deviations of the noise; 1e6 samples of white noise have
/// no difference of two neighbours beyond 5.2 times sqrt 2.
const NOISES_MIN: f64 = 8.0;

/// And this share of the range of the signal, so that no ripple counts beside the jump that is meant.
const RANGE_SHARE_MIN: f64 = 0.2;

/// One jump.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Edge {
    /// Index of the last sample before it.
    pub last_before: usize,
    /// Index of the first sample after it.
    pub first_after: usize,
    /// Change over it, in the unit of the signal.
    pub change: f64,
}

impl Edge {
    /// The instant of the edge, s: the middle between the two samples that enclose it, with the
    /// half-width of where it may lie.
    #[must_use]
    pub fn instant_s(&self, time_s: &[f64]) -> (f64, f64) {
        let (from_s, to_s) = (time_s[self.last_before], time_s[self.first_after]);
        (f64::midpoint(from_s, to_s), 0.5 * (to_s - from_s))
    }
}

/// The edges of a signal, in order. Empty when it stays where it is.
///
/// Every run of neighbours that move the same way by more than noise is one edge, if it moves by
/// enough in all.
#[must_use]
pub fn edges(values: &[f64]) -> Vec<Edge> {
    let (lowest, highest) = extremes(values.iter().copied());
    let noise = noise_sd(values);
    let needed = (NOISES_MIN * noise).max(RANGE_SHARE_MIN * (highest - lowest));
    // A ramp moves less than an edge does from one sample to the next, but more than its noise.
    let moves = (NOISES_MIN / 2.0 * noise).max(0.05 * (highest - lowest));
    let mut found: Vec<Edge> = Vec::new();
    if highest <= lowest {
        return found;
    }
    let mut i = 1;
    while i < values.len() {
        let step = values[i] - values[i - 1];
        if step.abs() <= moves {
            i += 1;
            continue;
        }
        let from = i - 1;
        while i < values.len() && (values[i] - values[i - 1]) * step.signum() > moves {
            i += 1;
        }
        let change = values[i - 1] - values[from];
        if change.abs() > needed {
            found.push(Edge { last_before: from, first_after: i - 1, change });
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::{Edge, edges};

    #[test]
    fn clean_and_slow_edges_count_once_and_flat_signals_have_none() {
        assert_eq!(edges(&[]), []);
        assert_eq!(edges(&[0.15; 50]), []);
        let mut values = vec![0.15; 20];
        values.extend([0.17, 0.19]);
        values.extend([0.20; 20]);
        values.extend([0.15; 5]);
        let found = edges(&values);
        assert_eq!(found.len(), 2);
        let Edge { last_before, first_after, change } = found[0];
        assert_eq!((last_before, first_after), (19, 22));
        assert!((change - 0.05).abs() < 1e-12);
        assert!((found[1].change + 0.05).abs() < 1e-12);
        let time_s: Vec<f64> = (0..values.len()).map(|i| i as f64).collect();
        assert_eq!(found[1].instant_s(&time_s), (41.5, 0.5));
    }

    #[test]
    fn a_ramp_is_no_edge() {
        let values: Vec<f64> = (0..500).map(|i| f64::from(i) * 0.01).collect();
        assert_eq!(edges(&values), []);
    }
}
