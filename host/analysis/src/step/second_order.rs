//! Second order with dead time, damping free: `b + A g(w (t - onset))` with
//! `g(x) = 1 - e^(-z x) (C + z S)`, C and S being cosh and sinh, or cos and sin, of x sqrt|z^2 - 1|
//! (S over that root). One formula for every damping ratio z, over and under 1, with a series between.

mod search;
mod sums;

use super::shape::Rough;
use super::under::Curve;
pub(super) use search::fit;

/// Damping ratios that are told apart; beyond, one pole is 400 times as fast as the other and the
/// response is one of first order.
const DAMPING: (f64, f64) = (0.01, 10.0);
/// Below this size of (z^2 - 1) x^2 the series is used; its first term left out is 1e-13 there.
const SERIES_BELOW: f64 = 1.0e-3;

/// A second-order response with dead time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct SecondOrder {
    pub(super) before: f64,
    pub(super) change: f64,
    pub(super) onset_s: f64,
    pub(super) natural_per_s: f64,
    pub(super) damping: f64,
}

/// e^-zx times C, times S and times (x C - S)/s with s = z^2 - 1.
fn modes(x: f64, z: f64) -> [f64; 3] {
    let s = z * z - 1.0;
    let square = s * x * x;
    if square.abs() < SERIES_BELOW {
        let e = (-z * x).exp();
        let cosine = 1.0 + square * (0.5 + square * (1.0 / 24.0 + square / 720.0));
        let sine = x * (1.0 + square * (1.0 / 6.0 + square * (1.0 / 120.0 + square / 5040.0)));
        let mixed =
            x * x * x * (1.0 / 3.0 + square * (1.0 / 30.0 + square * (1.0 / 840.0 + square / 45_360.0)));
        return [e * cosine, e * sine, e * mixed];
    }
    let (c, sine) = if s > 0.0 {
        let root = s.sqrt();
        // z - root without its rounding: 1/(z + root).
        let (slow, fast) = ((-x / (z + root)).exp(), (-(z + root) * x).exp());
        (0.5 * (slow + fast), 0.5 * (slow - fast) / root)
    } else {
        let root = (-s).sqrt();
        let e = (-z * x).exp();
        let (sin, cos) = (root * x).sin_cos();
        (e * cos, e * sin / root)
    };
    [c, sine, (x * c - sine) / s]
}

/// Value of the unit response and its derivatives with respect to x and to the damping ratio.
fn unit(x: f64, z: f64) -> (f64, f64, f64) {
    let [c, sine, mixed] = modes(x, z);
    (1.0 - c - z * sine, sine, -mixed)
}

/// The place where the unit response first passes `share` of its way.
fn unit_crossing(share: f64, z: f64) -> f64 {
    // Below the place for one pole that is slow: the response of its time constant alone.
    let (mut low, mut high) = (0.0, 1.0);
    while unit(high, z).0 < share {
        (low, high) = (high, 1.5 * high);
    }
    let mut x = f64::midpoint(low, high);
    for _ in 0..60 {
        let (value, slope, _) = unit(x, z);
        if value < share {
            low = x;
        } else {
            high = x;
        }
        let newton = x - (value - share) / slope;
        let next = if newton > low && newton < high { newton } else { f64::midpoint(low, high) };
        if (next - x).abs() <= 1e-14 * x {
            return next;
        }
        x = next;
    }
    x
}

/// 10-90 % transition of the unit response.
pub(super) fn unit_rise(z: f64) -> f64 {
    unit_crossing(0.9, z) - unit_crossing(0.1, z)
}

/// Overshoot as a share of the change.
pub(super) fn overshoot(z: f64) -> f64 {
    if z >= 1.0 { 0.0 } else { (-core::f64::consts::PI * z / (1.0 - z * z).sqrt()).exp() }
}

impl SecondOrder {
    pub(super) fn at(&self, t_s: f64) -> f64 {
        let x = self.natural_per_s * (t_s - self.onset_s);
        if x <= 0.0 { self.before } else { self.before + self.change * unit(x, self.damping).0 }
    }

    /// Derivatives with respect to level before, change, onset, ln of the natural frequency and damping.
    pub(super) fn slopes(&self, t_s: f64) -> [f64; 5] {
        let x = self.natural_per_s * (t_s - self.onset_s);
        if x <= 0.0 {
            return [1.0, 0.0, 0.0, 0.0, 0.0];
        }
        let (g, by_x, by_z) = unit(x, self.damping);
        let a = self.change;
        [1.0, g, -a * by_x * self.natural_per_s, a * by_x * x, a * by_z]
    }

    /// From the numbers that are searched for: both levels, the centroid of the rise (onset plus a), ln a and
    /// beta, the response being that of 1/(1 + a s + beta a^2 s^2). That is first order for beta of 0 and
    /// smooth there, and the centroid hardly depends on the others, so that few steps are needed.
    fn of(p: &[f64; 5]) -> SecondOrder {
        let [before, change, centroid_s, ln_a, beta] = *p;
        let (a_s, root) = (ln_a.exp(), beta.sqrt());
        let (natural_per_s, damping) = (1.0 / (a_s * root), 0.5 / root);
        SecondOrder { before, change, onset_s: centroid_s - a_s, natural_per_s, damping }
    }

    /// The numbers that are searched for.
    fn searched_for(&self) -> [f64; 5] {
        let a_s = 2.0 * self.damping / self.natural_per_s;
        let beta = 0.25 / (self.damping * self.damping);
        [self.before, self.change, self.onset_s + a_s, a_s.ln(), beta]
    }

    /// A response of this damping through the rough shape's middle, as steep as it.
    fn like(rough: &Rough, damping: f64) -> [f64; 5] {
        let natural_per_s = unit_rise(damping) / (rough.late_s - rough.early_s).max(f64::MIN_POSITIVE);
        let onset_s = rough.middle_s - unit_crossing(0.5, damping) / natural_per_s;
        let (before, change) = (rough.before, rough.change);
        SecondOrder { before, change, onset_s, natural_per_s, damping }.searched_for()
    }
}

impl Curve for SecondOrder {
    const NUMBERS: usize = 5;

    fn value(&self, t_s: f64) -> f64 {
        self.at(t_s)
    }

    fn fill_slopes(&self, t_s: f64, row: &mut [f64]) {
        row.copy_from_slice(&self.slopes(t_s));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Slopes against differences of the value, on both sides of critical damping and in the series.
    #[test]
    fn slopes_are_those_of_the_value() {
        for z in [0.1, 0.7, 0.999_9, 1.0, 1.000_1, 1.4, 6.0] {
            for x in [0.01, 0.4, 2.0, 9.0] {
                let h = 1e-5;
                let (_, by_x, by_z) = unit(x, z);
                let x_diff = (unit(x + h, z).0 - unit(x - h, z).0) / (2.0 * h);
                let z_diff = (unit(x, z + h).0 - unit(x, z - h).0) / (2.0 * h);
                // Third derivatives are of the order of x^2; differences err by h^2/6 of them.
                assert!(
                    (by_x - x_diff).abs() < 1e-8 && (by_z - z_diff).abs() < 1e-8,
                    "{x} {z}: {by_z} {z_diff}"
                );
            }
        }
    }

    /// Rise times of second-order responses, roots found independently (second_order.csv).
    #[test]
    fn rise_times_are_those_of_the_table() {
        for (z, rise) in [(0.1, 1.104_199_033), (0.5, 1.637_573), (0.8, 2.467_493), (1.0, 3.357_909)] {
            assert!((unit_rise(z) - rise).abs() < 1e-6, "{z}: {}", unit_rise(z));
        }
        assert!((overshoot(0.5) - 0.163_033_53).abs() < 1e-8);
    }
}
