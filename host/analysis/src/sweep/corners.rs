//! The stretches in which nothing moves, at all ends of ways, and what they make of the curves.

use super::legs::Ways;
use super::plateau::{LONGEST, Near, Plateau, beyond, plateau};
use super::smooth::Reading;

/// An end of a way, and how long nothing moves there.
pub(super) struct End {
    pub(super) is_up: bool,
    pub(super) is_top: bool,
    pub(super) plateau: Plateau,
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
/// where there is none.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Corner {
    pub(super) at: f64,
    is_top: bool,
    is_up: bool,
}

impl Corner {
    /// Corners of the curves where stretches have these lengths.
    pub(super) fn of(ends: &[End], lengths: &[f64]) -> Vec<Corner> {
        ends.iter()
            .zip(lengths)
            .map(|(end, length)| {
                let length = length.clamp(0.0, LONGEST);
                let at = if end.is_top { 1.0 - length } else { length };
                Corner { at, is_top: end.is_top, is_up: end.is_up }
            })
            .collect()
    }

    /// The place on a way that counts where so many samples spread over an extent of duty: the corner as long as
    /// nothing moves.
    pub(super) fn met(corners: &[Corner], at: f64, width: f64, samples: f64, is_up: bool) -> f64 {
        corners.iter().filter(|corner| corner.is_up == is_up).fold(at, |at, corner| {
            if corner.is_top {
                corner.at - beyond(-corner.at, -at, width, samples)
            } else {
                corner.at + beyond(corner.at, at, width, samples)
            }
        })
    }
}
