//! How long a valve rests at the ends of its ways, from what each end tells and from what makes valves rest.
//!
//! A valve with play rests after both reversals, for the same stretch; one with a threshold rests on both
//! ways at the low end, for the same stretch. Each of the two causes may be there or not, and where both are,
//! the stretches differ. The four cases are equally likely beforehand, and weighed by what the recording
//! makes of them.

use super::corners::End;
use super::plateau::LONGEST;
use nalgebra::{DMatrix, DVector};

/// What the stretch at an end is in one of the cases.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Role {
    /// There is none.
    Nothing,
    /// As long as all others of this role.
    Shared,
    /// There or not, of a length of its own.
    Own,
}

/// Lengths of all stretches, as shares of the sweep.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Rests {
    /// What is expected of each, in the order of the ends.
    pub(super) lengths: Vec<f64>,
    /// Columns of the lower root of their covariance: what moves together by one standard uncertainty.
    pub(super) moves: Vec<Vec<f64>>,
    /// The longest, and its standard uncertainty.
    pub(super) longest: (f64, f64),
    pub(super) degrees_of_freedom: f64,
}

/// First and second moments in one case, times how likely the case is.
struct Case {
    likelihood: f64,
    first: DVector<f64>,
    second: DMatrix<f64>,
    longest: (f64, f64),
}

impl Rests {
    /// `None` without an end.
    pub(super) fn of(ends: &[End]) -> Option<Rests> {
        let count = ends.len() as f64;
        let readings = ends.iter().map(|end| end.plateau.readings).max()?;
        let lengths = Lengths::of(ends, readings);
        let play = |end: &End| if end.is_top == end.is_up { Role::Nothing } else { Role::Shared };
        let threshold = |end: &End| if end.is_top { Role::Nothing } else { Role::Shared };
        let roles: [&dyn Fn(&End) -> Role; 4] = [&|_| Role::Nothing, &play, &threshold, &|_| Role::Own];
        let cases: Vec<Case> = roles.iter().map(|role| lengths.case(ends, role)).collect();
        let whole: f64 = cases.iter().map(|case| case.likelihood).sum();
        let first: DVector<f64> = cases.iter().map(|case| &case.first).sum::<DVector<f64>>() / whole;
        let second: DMatrix<f64> = cases.iter().map(|case| &case.second).sum::<DMatrix<f64>>() / whole;
        let longest = cases.iter().map(|case| case.longest.0).sum::<f64>() / whole;
        let square = cases.iter().map(|case| case.longest.1).sum::<f64>() / whole;
        // The size of the noise being integrated out as well, lengths have the variance of a Student's t; what
        // goes with degrees of freedom is its scale (JCGM 101, 6.4.9, from memory).
        let degrees = ends.iter().map(|end| end.plateau.degrees_of_freedom()).sum::<f64>() / count;
        let scale = (degrees - 2.0) / degrees;
        let covariance = scale * (second - &first * first.transpose());
        Some(Rests {
            lengths: first.as_slice().to_vec(),
            moves: roots(covariance),
            longest: (longest, (scale * (square - longest * longest).max(0.0)).sqrt()),
            degrees_of_freedom: degrees,
        })
    }

    /// Lengths moved by one standard uncertainty, one source of it after the other: that of the lengths, and
    /// one of each end's own.
    pub(super) fn moved(&self, own: f64) -> Vec<Vec<f64>> {
        let count = self.lengths.len();
        let moved = |by: &dyn Fn(usize) -> f64| (0..count).map(|k| self.lengths[k] + by(k)).collect();
        let of_own =
            (0..if own > 0.0 { count } else { 0 }).map(|end| moved(&|k| if k == end { own } else { 0.0 }));
        self.moves.iter().map(|column| moved(&|k| column[k])).chain(of_own).collect()
    }
}

/// Columns of the lower triangular root; a direction without variance has none.
fn roots(mut covariance: DMatrix<f64>) -> Vec<Vec<f64>> {
    let n = covariance.nrows();
    let least = 1e-12 * covariance.diagonal().max();
    (0..n)
        .filter_map(|k| {
            let pivot = covariance[(k, k)];
            (pivot > least).then(|| {
                let column = covariance.column(k) / pivot.sqrt();
                covariance -= &column * column.transpose();
                column.as_slice().to_vec()
            })
        })
        .collect()
}

/// Lengths at which likelihoods are added up.
struct Lengths {
    /// Length, and what is likely beforehand around it, if there is a stretch.
    grid: Vec<(f64, f64)>,
    /// Likelihoods over the grid, of each end.
    likelihoods: Vec<Vec<f64>>,
    /// Likelihood of each end that there is nothing.
    of_nothing: Vec<f64>,
}

impl Lengths {
    /// Short stretches are as likely beforehand as long ones, decade for decade, down to what one of so
    /// many readings spans.
    fn of(ends: &[End], readings: usize) -> Lengths {
        let mut at: Vec<f64> =
            ends.iter().flat_map(|end| end.plateau.tried.iter().map(|(at, _)| *at)).collect();
        at.sort_by(f64::total_cmp);
        at.dedup();
        let shortest = (readings as f64).recip();
        // Logarithm of what is likely beforehand up to a length: trapezia in it keep their whole.
        let before = |at: f64| (1.0 + at / shortest).ln() / (1.0 + LONGEST / shortest).ln();
        let last = at.len() - 1;
        let grid: Vec<(f64, f64)> = (0..=last)
            .map(|k| (at[k], 0.5 * (before(at[(k + 1).min(last)]) - before(at[k.saturating_sub(1)]))))
            .collect();
        let of = |end: &End| grid.iter().map(|(at, _)| end.plateau.likelihood(*at)).collect();
        Lengths {
            likelihoods: ends.iter().map(of).collect(),
            of_nothing: ends.iter().map(|end| end.plateau.likelihood(0.0)).collect(),
            grid,
        }
    }

    fn case(&self, ends: &[End], role: &dyn Fn(&End) -> Role) -> Case {
        let roles: Vec<Role> = ends.iter().map(role).collect();
        let of_role = |wanted: Role| (0..ends.len()).filter(|k| roles[*k] == wanted).collect::<Vec<_>>();
        let (shared, own) = (of_role(Role::Shared), of_role(Role::Own));
        let nothing: f64 = of_role(Role::Nothing).iter().map(|k| self.of_nothing[*k]).product();
        let mut likelihood = nothing;
        let mut first = DVector::zeros(ends.len());
        let mut second = DMatrix::zeros(ends.len(), ends.len());
        let mut longest = (0.0, 0.0);
        if !shared.is_empty() {
            let masses: Vec<f64> = (0..self.grid.len())
                .map(|g| self.grid[g].1 * shared.iter().map(|k| self.likelihoods[*k][g]).product::<f64>())
                .collect();
            let (whole, mean, square) = self.moments(&masses, 0.0);
            likelihood *= whole;
            longest = (mean, square);
            for j in &shared {
                first[*j] = mean;
                for k in &shared {
                    second[(*j, *k)] = square;
                }
            }
        }
        // Up to each length, of the longest of those that have one of their own.
        let mut up_to = vec![1.0; self.grid.len()];
        for k in &own {
            let masses: Vec<f64> = self
                .grid
                .iter()
                .zip(&self.likelihoods[*k])
                .map(|((_, before), value)| 0.5 * before * value)
                .collect();
            let of_nothing = 0.5 * self.of_nothing[*k];
            let (whole, mean, square) = self.moments(&masses, of_nothing);
            likelihood *= whole;
            for j in &own {
                second[(*j, *k)] = first[*j] * mean;
                second[(*k, *j)] = first[*j] * mean;
            }
            first[*k] = mean;
            second[(*k, *k)] = square;
            let mut reached = of_nothing;
            for (up_to, mass) in up_to.iter_mut().zip(&masses) {
                reached += mass;
                *up_to *= reached / whole;
            }
        }
        if !own.is_empty() {
            let mut before = 0.0;
            for ((at, _), up_to) in self.grid.iter().zip(&up_to) {
                longest.0 += (up_to - before) * at;
                longest.1 += (up_to - before) * at * at;
                before = *up_to;
            }
        }
        Case {
            likelihood,
            first: likelihood * first,
            second: likelihood * second,
            longest: (likelihood * longest.0, likelihood * longest.1),
        }
    }

    /// Sum of masses over the grid and of one at nothing, mean length and mean square.
    fn moments(&self, masses: &[f64], at_nothing: f64) -> (f64, f64, f64) {
        let sum = |power: i32| {
            self.grid.iter().zip(masses).map(|((at, _), mass)| mass * at.powi(power)).sum::<f64>()
        };
        let whole = at_nothing + sum(0);
        // Where nothing is likely at all, nothing is expected.
        if whole > 0.0 { (whole, sum(1) / whole, sum(2) / whole) } else { (0.0, 0.0, 0.0) }
    }
}
