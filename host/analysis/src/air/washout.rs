//! How many more purge cycles the air will take, from what was left after those that were done.
//!
//! Each cycle takes the same share of the air that is left: `ln x` falls in a straight line over the
//! cycles (exponential wash-out of a stirred volume).

use crate::reason::Unmeasured;
use crate::series::{check_finite, check_positive};
use crate::uncertainty::Measured;

/// Fewest cycles with a fraction above its own uncertainty.
pub const CYCLES_MIN: usize = 2;

/// A fall that is less sure than this many standard uncertainties says nothing of when it will end.
const FALLS_BY_MIN: f64 = 2.0;

/// What the decay of the air over the cycles tells.
#[derive(Clone, Debug, PartialEq)]
pub struct CyclesNeeded {
    /// Cycles after the last one until the air is at the limit; not rounded, not below 0.
    pub more: Measured,
    /// Share of the air that a cycle leaves, 0 to 1.
    pub left_by_a_cycle: Measured,
}

/// Cycles still needed until the air is down to `limit`. `left` holds the number of each cycle, rising,
/// and the fraction after it; cycles whose air could not be measured are left out.
///
/// Weighted least squares of `ln x`, each weighed by its own standard uncertainty `u(x)/x`; where the
/// points scatter more than that (three or more of them), their scatter is what counts.
///
/// # Errors
/// [`Unmeasured::Impossible`] for a limit that is not above zero, [`Unmeasured::NotANumber`];
/// [`Unmeasured::TooFew`] with fewer than two cycles whose air exceeds its standard
/// uncertainty; [`Unmeasured::NoFit`] when the air does not get less from cycle to cycle.
pub fn cycles_needed(left: &[(u32, Measured)], limit: f64) -> Result<CyclesNeeded, Unmeasured> {
    check_positive("the limit for air", limit)?;
    check_finite(&left.iter().map(|(_, air)| air.value).collect::<Vec<_>>())?;
    let points: Vec<(f64, f64, f64)> = left
        .iter()
        .filter(|(_, air)| air.value > 0.0 && air.value > air.standard_uncertainty())
        .map(|(cycle, air)| {
            // Never taken as exact: a cycle is not repeated to better than a thousandth.
            let relative_u = (air.standard_uncertainty() / air.value).max(1.0e-3);
            (f64::from(*cycle), (air.value / limit).ln(), relative_u.powi(-2))
        })
        .collect();
    if points.len() < CYCLES_MIN {
        return Err(Unmeasured::TooFew {
            what: "cycles that left air which could be measured",
            found: points.len(),
            needed: CYCLES_MIN,
            what_to_do: "run more cycles",
        });
    }
    let sum = |term: &dyn Fn(&(f64, f64, f64)) -> f64| points.iter().map(term).sum::<f64>();
    let weight = sum(&|p| p.2);
    let (middle, level) = (sum(&|p| p.2 * p.0) / weight, sum(&|p| p.2 * p.1) / weight);
    let spread = sum(&|p| p.2 * (p.0 - middle).powi(2));
    let nothing = Unmeasured::NoFit {
        curve: "exponential wash-out",
        why: "the air does not surely get less from cycle to cycle",
    };
    if spread <= 0.0 {
        return Err(nothing);
    }
    let falls_by = -sum(&|p| p.2 * (p.0 - middle) * (p.1 - level)) / spread;
    let misfit = sum(&|p| p.2 * (p.1 - level + falls_by * (p.0 - middle)).powi(2));
    let free = points.len() as f64 - 2.0;
    let (inflated, degrees) =
        if free > 0.0 && misfit > free { (misfit / free, free) } else { (1.0, f64::INFINITY) };
    let u_falls = (inflated / spread).sqrt();
    if falls_by <= FALLS_BY_MIN * u_falls {
        return Err(nothing);
    }
    let last = left.last().map_or(0.0, |(cycle, _)| f64::from(*cycle));
    let to_go = level / falls_by;
    let more = (middle + to_go - last).max(0.0);
    let scatter = "scatter of the cycles";
    let u_more = (inflated / weight / falls_by.powi(2) + (to_go * u_falls / falls_by).powi(2)).sqrt();
    let share = (-falls_by).exp();
    Ok(CyclesNeeded {
        more: Measured::new(more).with_scatter(scatter, u_more, degrees),
        left_by_a_cycle: Measured::new(share).with_scatter(scatter, share * u_falls, degrees),
    })
}
