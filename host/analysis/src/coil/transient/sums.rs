//! Sum of squares, normal equations and gradient of a curve: what one step of a search is made of.
//!
//! Between two jumps of a voltage that stays where it is, samples being evenly spaced, everything is made of
//! three functions of the sample's place k: 1, E^k and k E^k, where E is the decay from one sample to the
//! next. Their products' sums need no samples, the residuals' need one pass with a few products a sample.
//! Any other voltage is followed from sample to sample.

use super::model::{Drive, EDGE, G, HEAT, Interval, Lagging, P, Parameters, SHARE, START, TAU, ZERO};
use super::search::{Free, Square};
use nalgebra::SVector;

/// The parameters before [`START`], which most recordings need no more than.
const COMMON: usize = START;

/// Beyond this many time constants nothing is left of a decay, 1e-26.
const LAGS_MAX: f64 = 60.0;

/// Sums that go on side by side, so that none waits for another.
const LANES: usize = 4;

/// Sums of a curve's residuals and slopes.
pub(super) struct Sums {
    pub(super) squares: f64,
    pub(super) normal: Square,
    pub(super) gradient: SVector<f64, P>,
}

/// The sums at `p`. Rows of parameters that are not `free` may be left out.
pub(super) fn sums(drive: &Drive, current_a: &[f64], p: &Parameters, free: Free) -> Sums {
    if let Some(spacing_s) = drive.even_s.filter(|_| drive.is_level && !free[HEAT] && p[HEAT] == 0.0) {
        return by_stretches(drive, spacing_s, current_a, p);
    }
    // Columns of parameters that are seldom free cost as much as others: they are summed when asked for.
    if free[START] || free[HEAT] {
        by_samples::<P>(drive, current_a, p)
    } else {
        by_samples::<COMMON>(drive, current_a, p)
    }
}

fn by_samples<const N: usize>(drive: &Drive, current_a: &[f64], p: &Parameters) -> Sums {
    let mut sums = [[0.0; N]; N];
    let mut gradient = [0.0; N];
    let mut squares = 0.0;
    drive.each(p, |k, value, slopes| {
        let residual = current_a[k] - value;
        squares += residual * residual;
        for q in 0..N {
            gradient[q] += slopes[q] * residual;
            for r in 0..=q {
                sums[q][r] += slopes[q] * slopes[r];
            }
        }
    });
    let at = |q: usize, r: usize| sums.get(q.max(r)).and_then(|row| row.get(q.min(r))).copied();
    Sums {
        squares,
        normal: Square::from_fn(|q, r| at(q, r).unwrap_or(0.0)),
        gradient: SVector::from_fn(|q, _| gradient.get(q).copied().unwrap_or(0.0)),
    }
}

fn by_stretches(drive: &Drive, spacing_s: f64, current_a: &[f64], p: &Parameters) -> Sums {
    let (slow, g) = (1.0 - p[SHARE], p[G]);
    let even = Interval::straight(spacing_s, p[TAU]);
    let lags = spacing_s / p[TAU];
    let v = &drive.voltage_v;
    let mut lagging = Lagging::first(v[0], p);
    let mut sums = Sums { squares: 0.0, normal: Square::zeros(), gradient: SVector::zeros() };
    let mut from = 0;
    for next in 0..=drive.jumps.len() {
        let to = drive.jumps.get(next).map_or(v.len(), |jump| jump.at);
        if from > 0 {
            let step = drive.interval(from, drive.jumps.get(next - 1), None, p);
            lagging.pass(&step, v[from - 1], v[from]);
        }
        let (count, level) = (to - from, v[from]);
        let off = lagging.x - level;
        // Each slope is one of 1, one of E^k and one of k E^k.
        let gs = g * slow;
        let mut parts = [[0.0; 3]; P];
        parts[G] = [level, slow * off, 0.0];
        parts[TAU] = [0.0, gs * lagging.by_tau, gs * off * lags / p[TAU]];
        parts[SHARE] = [0.0, -g * off, 0.0];
        parts[EDGE] = [0.0, gs * lagging.by_edge, 0.0];
        parts[ZERO] = [1.0, 0.0, 0.0];
        parts[START] = [0.0, gs * lagging.by_start, 0.0];
        let curve = [p[ZERO] + g * level, gs * off];
        let left = residuals(&current_a[from..to], curve, even.decay, lags);
        sums.squares += left.squares;
        let products = Products::of(count, even.decay);
        for q in 0..P {
            let [a, b, c] = parts[q];
            sums.gradient[q] += a * left.sums[0] + b * left.sums[1] + c * left.sums[2];
            let row = products.times([a, b, c]);
            for (r, part) in parts[..=q].iter().enumerate() {
                sums.normal[(q, r)] += row[0] * part[0] + row[1] * part[1] + row[2] * part[2];
            }
        }
        // To the last sample of the stretch.
        let last = (count - 1) as f64;
        let decay = (-lags * last).exp();
        lagging = Lagging {
            x: level + off * decay,
            by_tau: decay * (lagging.by_tau + last * off * lags / p[TAU]),
            by_edge: decay * lagging.by_edge,
            by_start: decay * lagging.by_start,
        };
        from = to;
    }
    sums.normal.fill_upper_triangle_with_lower_triangle();
    sums
}

/// What the residuals of a stretch come to.
struct Residuals {
    squares: f64,
    /// With 1, E^k and k E^k.
    sums: [f64; 3],
}

/// Of the curve `a + b E^k`.
fn residuals(current_a: &[f64], [a, b]: [f64; 2], decay: f64, lags: f64) -> Residuals {
    let alive = if b == 0.0 { 0 } else { ((LAGS_MAX / lags).min(current_a.len() as f64)) as usize };
    let (moving, level) = current_a.split_at(alive - alive % LANES);
    let (mut squares, mut plain) = ([0.0; LANES], [0.0; LANES]);
    let (mut decayed, mut placed) = ([0.0; LANES], [0.0; LANES]);
    let mut e = [1.0, decay, decay * decay, decay * decay * decay];
    let mut place = [0.0, 1.0, 2.0, 3.0];
    let on = decay.powi(LANES as i32);
    for four in moving.as_chunks::<LANES>().0 {
        for lane in 0..LANES {
            let residual = four[lane] - a - b * e[lane];
            let with_e = residual * e[lane];
            squares[lane] += residual * residual;
            plain[lane] += residual;
            decayed[lane] += with_e;
            placed[lane] += with_e * place[lane];
            e[lane] *= on;
            place[lane] += LANES as f64;
        }
    }
    let mut found = Residuals {
        squares: squares.iter().sum(),
        sums: [plain.iter().sum(), decayed.iter().sum(), placed.iter().sum()],
    };
    let (few, level) = level.split_at((alive % LANES).min(level.len()));
    for (lane, ampere) in few.iter().enumerate() {
        let residual = ampere - a - b * e[lane];
        found.squares += residual * residual;
        found.sums[0] += residual;
        found.sums[1] += residual * e[lane];
        found.sums[2] += residual * e[lane] * place[lane];
    }
    let (mut squares, mut plain) = ([0.0; LANES], [0.0; LANES]);
    let (fours, rest) = level.as_chunks::<LANES>();
    for four in fours {
        for lane in 0..LANES {
            let residual = four[lane] - a;
            squares[lane] += residual * residual;
            plain[lane] += residual;
        }
    }
    for ampere in rest {
        squares[0] += (ampere - a).powi(2);
        plain[0] += ampere - a;
    }
    found.squares += squares.iter().sum::<f64>();
    found.sums[0] += plain.iter().sum::<f64>();
    found
}

/// Sums over a stretch of the products of 1, E^k and k E^k.
struct Products {
    count: f64,
    /// Of E^k, k E^k and k² E^k.
    once: [f64; 3],
    /// The same of E^2k.
    twice: [f64; 3],
}

impl Products {
    fn of(count: usize, decay: f64) -> Products {
        Products { count: count as f64, once: moments(count, decay), twice: moments(count, decay * decay) }
    }

    fn times(&self, [a, b, c]: [f64; 3]) -> [f64; 3] {
        let ([e, ke, _], [ee, kee, kkee]) = (self.once, self.twice);
        [a * self.count + b * e + c * ke, a * e + b * ee + c * kee, a * ke + b * kee + c * kkee]
    }
}

/// Sums of `q^k`, `k q^k` and `k² q^k` over k = 0 to `count - 1`, by doubling: the second half is the first
/// times `q^half`, each place being `half` further. All terms are positive, so no digits are lost.
fn moments(count: usize, q: f64) -> [f64; 3] {
    let mut sums = [0.0; 3];
    let (mut have, mut power) = (0.0, 1.0);
    for bit in (0..usize::BITS - count.leading_zeros()).rev() {
        let [s, ks, kks] = sums;
        sums = [
            s + power * s,
            ks + power * (ks + have * s),
            kks + power * (kks + 2.0 * have * ks + have * have * s),
        ];
        have *= 2.0;
        power *= power;
        if count >> bit & 1 == 1 {
            sums[0] += power;
            sums[1] += power * have;
            sums[2] += power * have * have;
            have += 1.0;
            power *= q;
        }
    }
    sums
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::coil::transient::model::Jump;

    #[test]
    fn moments_are_those_of_a_plain_sum() {
        for q in [0.0, 0.3, 0.97, 1.0 - 1e-12] {
            for count in [0, 1, 2, 3, 7, 64, 1_000] {
                let plain = (0..count).fold([0.0; 3], |[s, ks, kks], k| {
                    let (k, e) = (k as f64, f64::powi(q, k));
                    [s + e, ks + k * e, kks + k * k * e]
                });
                for (found, plain) in moments(count as usize, q).into_iter().zip(plain) {
                    assert!((found - plain).abs() <= 1e-12 * plain, "{q} {count}: {found} {plain}");
                }
            }
        }
    }

    /// Rounding apart, stretches give what samples give, whatever the parameters.
    #[test]
    fn stretches_give_what_samples_give() {
        let jump = |at: usize, before_s: f64| Jump { at, before_s, u_s: 0.0 };
        let spacing_s = 1e-4;
        let time_s: Vec<f64> = (0..997).map(|k| k as f64 * spacing_s).collect();
        let levels = [(0, 0.0), (101, 12.0), (400, -0.7), (403, 12.0), (404, 3.0)];
        let voltage_v: Vec<f64> =
            (0..997).map(|k| levels.iter().rev().find(|(from, _)| *from <= k).unwrap().1).collect();
        let current_a: Vec<f64> = (0..997).map(|k| 2.0 + f64::sin(k as f64 * 0.1)).collect();
        let jumps = vec![jump(101, 2e-5), jump(400, 9e-5), jump(403, 0.0), jump(404, 5e-5)];
        let drive = Drive::new(time_s, voltage_v, jumps, Some(spacing_s));
        assert!(drive.is_level);
        for tau_s in [2e-5, 3e-4, 5e-3, 10.0] {
            let p = [0.3, tau_s, 0.07, 1e-5, 0.02, -3.0, 0.0];
            let stretches = by_stretches(&drive, spacing_s, &current_a, &p);
            let samples = by_samples::<P>(&drive, &current_a, &p);
            assert!((stretches.squares / samples.squares - 1.0).abs() < 1e-12);
            let size = |q: usize| samples.normal[(q, q)].sqrt().max(1e-300);
            for q in 0..HEAT {
                let off = stretches.gradient[q] - samples.gradient[q];
                assert!(off.abs() <= 1e-12 * size(q) * samples.squares.sqrt(), "{tau_s} {q}");
                for r in 0..HEAT {
                    let off = stretches.normal[(q, r)] - samples.normal[(q, r)];
                    assert!(off.abs() <= 1e-11 * size(q) * size(r), "{tau_s} {q} {r}: {off}");
                }
            }
        }
    }
}
