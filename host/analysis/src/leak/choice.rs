//! What several laws make of one quantity when the recording does not say which of them holds.
//!
//! What is then known of the quantity is a mixture: each law's own distribution, by its share of the
//! evidence. Where laws are far apart for their scatter the mixture is nothing like a normal distribution, and
//! a coverage factor times its standard deviation holds one law and not the other, or more than it says. So
//! the interval is taken from the mixture itself (JCGM 101:2008, 7.7), and the choice of the law
//! contributes what makes the expanded uncertainty come to it.

use crate::uncertainty::{COVERAGE_PROBABILITY, Measured, probability_below};

/// Halvings of the half width: to nine digits.
const HALVINGS: usize = 30;

/// Beyond so many standard deviations there is nothing left of a normal distribution.
const FAR: f64 = 6.0;

/// What one law makes of the quantity.
#[derive(Clone, Copy, Debug)]
pub(super) struct Told {
    /// Share of the evidence.
    pub(super) share: f64,
    pub(super) value: f64,
    /// Standard uncertainty by the scatter of the samples.
    pub(super) scatter_u: f64,
    /// Standard uncertainty by the liquid's stiffening.
    pub(super) stiffening_u: f64,
}

/// What every law makes of it.
#[derive(Clone, Debug)]
pub(super) struct Choice {
    told: Vec<Told>,
    degrees: f64,
}

impl Choice {
    /// Shares need not sum to 1.
    pub(super) fn new(mut told: Vec<Told>, degrees: f64) -> Choice {
        let total: f64 = told.iter().map(|t| t.share).sum();
        for t in &mut told {
            t.share /= total;
        }
        Choice { told, degrees }
    }

    fn mean_of(&self, of: impl Fn(&Told) -> f64) -> f64 {
        self.told.iter().map(|t| t.share * of(t)).sum()
    }

    /// The mean over the laws with what the laws have of uncertainty by themselves.
    pub(super) fn measured(&self) -> Measured {
        Measured::new(self.mean_of(|t| t.value))
            .with_scatter(
                "scatter about the leak-down curve",
                self.mean_of(|t| t.scatter_u.powi(2)).sqrt(),
                self.degrees,
            )
            .with_given("rise of the bulk modulus", 1.0, self.mean_of(|t| t.stiffening_u.powi(2)).sqrt())
    }

    /// The same with the choice of the law, when everything else is in its budget.
    pub(super) fn chosen(&self, measured: Measured) -> Measured {
        let by_law = |t: &Told| t.scatter_u.powi(2) + t.stiffening_u.powi(2);
        let variance = measured.standard_uncertainty().powi(2);
        let others = (variance - self.mean_of(by_law)).max(0.0);
        let sides: Vec<(f64, f64, f64)> =
            self.told.iter().map(|t| (t.share, t.value, (by_law(t) + others).sqrt())).collect();
        let held = |half: f64| -> f64 {
            let below = |limit: f64, value: f64, u: f64| probability_below(limit, value, u, f64::INFINITY);
            let (from, to) = (measured.value - half, measured.value + half);
            sides
                .iter()
                .map(|(share, value, u)| share * (below(to, *value, *u) - below(from, *value, *u)))
                .sum()
        };
        let far = |(_, value, u): &(f64, f64, f64)| (value - measured.value).abs() + FAR * u;
        let (mut low, mut high) = (0.0, sides.iter().map(far).fold(0.0, f64::max));
        for _ in 0..HALVINGS {
            let middle = f64::midpoint(low, high);
            if held(middle) < COVERAGE_PROBABILITY {
                low = middle;
            } else {
                high = middle;
            }
        }
        let normal = Measured::new(0.0).coverage_factor(COVERAGE_PROBABILITY);
        let more = (high / normal).powi(2) - variance;
        measured.with_given("choice of the law", 1.0, more.max(0.0).sqrt())
    }
}

#[cfg(test)]
mod tests {
    use super::{Choice, Told};

    fn told(share: f64, value: f64) -> Told {
        Told { share, value, scatter_u: 1.0e-3, stiffening_u: 0.0 }
    }

    /// Shares 0.7 and 0.3, one apart, each 0.001 wide: the mean is 0.3, the farther law ends the interval, and
    /// 5 % outside are a sixth of that law, which lies beyond 0.967422 of its standard deviations (tables of
    /// the normal distribution).
    #[test]
    fn the_interval_holds_95_per_cent_of_two_laws() {
        let choice = Choice::new(vec![told(0.7, 5.0), told(0.3, 6.0)], 1.0e6);
        let found = choice.chosen(choice.measured());
        assert!((found.value - 5.3).abs() < 1e-12);
        assert!((found.expanded_uncertainty() - (0.7 + 0.967_422e-3)).abs() < 1e-7, "{found:?}");
    }

    /// Where the laws agree there is nothing to choose.
    #[test]
    fn laws_that_agree_add_nothing() {
        let choice = Choice::new(vec![told(0.5, 5.0), told(0.2, 5.0)], 40.0);
        let (alone, found) = (choice.measured(), choice.chosen(choice.measured()));
        assert!((found.expanded_uncertainty() / alone.expanded_uncertainty() - 1.0).abs() < 1e-7);
    }
}
