//! The stretches in which nothing moves, at all ends of ways: what they make of the curves, and how long
//! the longest of them is.

use super::legs::Ways;
use super::plateau::{Near, Plateau, beyond, plateau};
use super::smooth::Reading;
use crate::uncertainty::Measured;
use core::f64::consts::TAU;

/// Stretches that have nothing to do with each other may be anywhere up to this long.
const ANYWHERE: f64 = 0.6;

/// An end of a way, and how long nothing moves there.
pub(super) struct End {
    is_up: bool,
    is_top: bool,
    plateau: Plateau,
}

/// The ends of ways at which nothing may move: after the reversal at the top, after that at the
/// bottom, and below a threshold on the way down.
pub(super) fn ends(ways: &Ways, readings: &[Reading]) -> Vec<End> {
    let first_up = ways.readings.iter().find(|r| r.is_up).map_or(0, |r| r.way);
    let later_up = ways.readings.iter().any(|r| r.is_up && r.way != first_up);
    [(false, true), (true, false), (false, false)]
        .into_iter()
        .filter_map(|(is_up, is_top)| {
            let way: Vec<Near> = readings
                .iter()
                .zip(&ways.readings)
                // Nobody knows what was before the first way up.
                .filter(|(r, g)| r.is_up == is_up && !(is_up && later_up && g.way == 0))
                .map(|(r, _)| Near {
                    from_end: if is_top { 1.0 - r.at } else { r.at },
                    width: r.width,
                    output: r.output,
                    weight: r.weight,
                })
                .collect();
            Some(End { is_up, is_top, plateau: plateau(&way)? })
        })
        .collect()
}

/// Where the curve of one way has a corner: the end of a stretch in which nothing moves; at the end of the way
/// where none was seen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Corner {
    pub(super) at: f64,
    /// Standard uncertainty of that.
    pub(super) u: f64,
    is_top: bool,
    on_up: bool,
    on_down: bool,
}

impl Corner {
    /// Corners of the curves. Two at the bottom that agree are one, of both ways.
    pub(super) fn of(ends: &[End]) -> Vec<Corner> {
        let corner = |end: &End| {
            let Plateau { length, u, hidden, .. } = end.plateau;
            let at = if end.is_top { 1.0 - length } else { length };
            let u = if length > 0.0 { u } else { hidden };
            Corner { at, u, is_top: end.is_top, on_up: end.is_up, on_down: !end.is_up }
        };
        let (mut corners, bottom): (Vec<Corner>, Vec<Corner>) =
            ends.iter().map(corner).partition(|corner| corner.is_top);
        match bottom[..] {
            [a, b] if a.at > 0.0 && b.at > 0.0 && (a.at - b.at).abs() <= 2.0 * a.u.hypot(b.u) => {
                let (wa, wb) = (a.u.max(1e-6).powi(-2), b.u.max(1e-6).powi(-2));
                let at = (wa * a.at + wb * b.at) / (wa + wb);
                corners.push(Corner { at, u: (wa + wb).sqrt().recip(), on_up: true, on_down: true, ..a });
            }
            _ => corners.extend(bottom),
        }
        corners
    }

    /// The corner one standard uncertainty farther from the end.
    pub(super) fn moved(self) -> Corner {
        Corner { at: if self.is_top { self.at - self.u } else { self.at + self.u }, ..self }
    }

    /// The place on a way that counts where samples spread over an extent of duty: the corner as long as
    /// nothing moves.
    pub(super) fn met(corners: &[Corner], at: f64, width: f64, is_up: bool) -> f64 {
        corners.iter().filter(|corner| if is_up { corner.on_up } else { corner.on_down }).fold(
            at,
            |at, corner| {
                if corner.is_top {
                    corner.at - beyond(-corner.at, -at, width)
                } else {
                    corner.at + beyond(corner.at, at, width)
                }
            },
        )
    }
}

/// The longest of several stretches. Each may be what the longest is or something else; what follows from
/// each number of them that are alike, the longest first, is weighed by its likelihood.
pub(super) fn longest(ends: &[End]) -> Option<Measured> {
    let mut sorted: Vec<Plateau> = ends.iter().map(|end| end.plateau).collect();
    sorted.sort_by(|a, b| b.length.total_cmp(&a.length));
    let u = |plateau: &Plateau| plateau.u.max(1e-6);
    let (mut weights, mut sum, mut squares, mut degrees) = (0.0, 0.0, 0.0, 0.0);
    let (mut ln_likelihood, mut most) = (0.0, f64::NEG_INFINITY);
    let mut alike = Vec::new();
    for plateau in &sorted {
        let weight = u(plateau).powi(-2);
        weights += weight;
        sum += weight * plateau.length;
        squares += weight * plateau.length * plateau.length;
        degrees += plateau.degrees_of_freedom;
        // Up to what all share: one place anywhere for those that are alike, and one for each other.
        ln_likelihood += (ANYWHERE / u(plateau) / TAU.sqrt()).ln();
        let ln = ln_likelihood + 0.5 * (TAU / weights).ln() - 0.5 * (squares - sum * sum / weights);
        let ln = ln - ANYWHERE.ln();
        most = most.max(ln);
        alike.push((ln, sum / weights, 1.0 / weights, degrees));
    }
    let whole: f64 = alike.iter().map(|(ln, ..)| (ln - most).exp()).sum();
    let mean_of = |of: &dyn Fn(f64, f64, f64) -> f64| -> f64 {
        alike
            .iter()
            .map(|(ln, length, variance, degrees)| {
                (ln - most).exp() / whole * of(*length, *variance, *degrees)
            })
            .sum()
    };
    let length = mean_of(&|length, _, _| length);
    let variance = mean_of(&|at, variance, _| variance + (at - length).powi(2));
    (!alike.is_empty()).then(|| {
        Measured::new(length).with_scatter(
            "where the output begins to move",
            variance.sqrt(),
            mean_of(&|_, _, degrees| degrees),
        )
    })
}
