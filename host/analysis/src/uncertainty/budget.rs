//! The budget of a result: who contributes how much.

use super::{Contribution, Measured, root_sum_square, welch_satterthwaite};

/// One line of a budget.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Share {
    /// What it comes from.
    pub name: &'static str,
    /// Standard uncertainty in the unit of the result.
    pub standard_uncertainty: f64,
    /// Share of the variance of the result, 0 to 1; the shares of a budget sum to 1.
    pub share: f64,
    /// Degrees of freedom; infinite for a quantity that was given.
    pub degrees_of_freedom: f64,
}

impl Measured {
    /// The budget, largest contribution first. Contributions of the same name are one line: added with
    /// their signs where they are of one shared input, in quadrature otherwise, with the degrees of
    /// freedom of Welch and Satterthwaite. Empty for an exact value.
    #[must_use]
    pub fn budget(&self) -> Vec<Share> {
        let independent = self.independent();
        let variance = root_sum_square(&independent).powi(2);
        let mut groups: Vec<(&'static str, Vec<Contribution>)> = Vec::new();
        for contribution in independent.into_iter().filter(|c| c.standard_uncertainty > 0.0) {
            match groups.iter_mut().find(|(name, _)| *name == contribution.name) {
                Some((_, group)) => group.push(contribution),
                None => groups.push((contribution.name, vec![contribution])),
            }
        }
        let mut budget: Vec<Share> = groups
            .into_iter()
            .map(|(name, group)| {
                let standard_uncertainty = root_sum_square(&group);
                Share {
                    name,
                    standard_uncertainty,
                    share: standard_uncertainty.powi(2) / variance,
                    degrees_of_freedom: welch_satterthwaite(&group),
                }
            })
            .collect();
        // Stable: equal ones stay in the order in which they were added.
        budget.sort_by(|a, b| b.standard_uncertainty.total_cmp(&a.standard_uncertainty));
        budget
    }
}
