//! How far a curve keeps from a straight line.

/// Largest distance from the line through both ends (terminal-based linearity).
pub(super) fn from_ends(at: &[f64], curve: &[f64]) -> f64 {
    let last = at.len() - 1;
    let slope = (curve[last] - curve[0]) / (at[last] - at[0]);
    at.iter().zip(curve).map(|(x, y)| (y - curve[0] - slope * (x - at[0])).abs()).fold(0.0, f64::max)
}

/// Largest distance from the straight line for which it is least (independent linearity): half the
/// height of the flattest parallel strip that holds the curve. One side of it is an edge of the
/// curve's convex hull. `at` must rise.
pub(super) fn from_best(at: &[f64], curve: &[f64]) -> f64 {
    let upper = hull(at, curve, 1.0);
    let lower = hull(at, curve, -1.0);
    let strip = |edges: &[usize], other: &[usize], side: f64| -> f64 {
        // Slopes of the edges change one way, so the farthest point of the other side moves one way.
        let mut far = if edges.len() < 2 { 0 } else { other.len() - 1 };
        edges
            .windows(2)
            .map(|edge| {
                let (a, b) = (edge[0], edge[1]);
                let slope = (curve[b] - curve[a]) / (at[b] - at[a]);
                let under = |k: usize| side * (curve[a] + slope * (at[other[k]] - at[a]) - curve[other[k]]);
                while far > 0 && under(far - 1) >= under(far) {
                    far -= 1;
                }
                while far + 1 < other.len() && under(far + 1) >= under(far) {
                    far += 1;
                }
                under(far)
            })
            .fold(f64::INFINITY, f64::min)
    };
    0.5 * strip(&upper, &lower, 1.0).min(strip(&lower, &upper, -1.0))
}

/// Corners of the upper (`side` 1) or lower (-1) convex hull.
fn hull(at: &[f64], curve: &[f64], side: f64) -> Vec<usize> {
    let mut corners: Vec<usize> = Vec::new();
    for i in 0..at.len() {
        while let [.., a, b] = corners[..] {
            let turn = (at[b] - at[a]) * (curve[i] - curve[a]) - (at[i] - at[a]) * (curve[b] - curve[a]);
            if side * turn < 0.0 {
                break;
            }
            corners.pop();
        }
        corners.push(i);
    }
    corners
}

#[cfg(test)]
mod tests {
    use super::{from_best, from_ends};

    #[test]
    fn a_parabola_keeps_an_eighth_from_its_best_line_and_twice_that_from_its_ends() {
        let at: Vec<f64> = (0..=100).map(|i| f64::from(i) / 100.0).collect();
        let curve: Vec<f64> = at.iter().map(|x| 3.0 * x + x * x).collect();
        assert!((from_best(&at, &curve) - 0.125).abs() < 1e-12);
        assert!((from_ends(&at, &curve) - 0.25).abs() < 1e-12);
        let line: Vec<f64> = at.iter().map(|x| 2.0 - 5.0 * x).collect();
        assert!(from_best(&at, &line).abs() < 1e-12);
        // Up and down again: the best line is level, the farthest points are three.
        let at = [0.0, 1.0, 2.0, 3.0, 4.0];
        assert!((from_best(&at, &[0.0, 1.0, 2.0, 1.0, 0.0]) - 1.0).abs() < 1e-12);
    }
}
