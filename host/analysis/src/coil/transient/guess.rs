//! Where the search for a curve begins.

use super::model::{G, P, Parameters, SHARE, START, TAU, ZERO};
use super::search::Driven;
use nalgebra::{SMatrix, SVector};

/// Rows of the equation that are solved: enough for a beginning.
const ROWS: usize = 128;

/// Largest share at the beginning.
const SHARE_MAX: f64 = 0.3;

/// The circuit's equation integrated once, `i = i0 + (G int v - int i)/tau + G s (v - v0)`, is linear in what
/// it holds (equation-error method).
pub(super) fn guess(driven: &Driven<'_>, zero_a: f64, has_edge: bool) -> Parameters {
    let (drive, current_a) = (driven.drive, driven.current_a);
    let v0 = drive.voltage_v[0];
    let mut normal = SMatrix::<f64, 4, 4>::zeros();
    let mut right = SVector::<f64, 4>::zeros();
    let (mut charge, mut flux) = (0.0, 0.0);
    let mut jumps = drive.jumps.iter().peekable();
    // Every row of a PWM voltage, whose periods the rows might run with.
    let every = if drive.jumps.len() > 2 { 1 } else { (drive.len() / ROWS).max(1) };
    let mut wait = 0;
    for k in 0..drive.len() {
        let (v, i) = (drive.voltage_v[k], current_a[k] - zero_a);
        if k > 0 {
            let h = drive.time_s[k] - drive.time_s[k - 1];
            let before = drive.voltage_v[k - 1];
            charge += 0.5 * h * (i + current_a[k - 1] - zero_a);
            flux += match jumps.next_if(|jump| jump.at == k) {
                Some(jump) => before * (h - jump.before_s) + v * jump.before_s,
                None => 0.5 * h * (v + before),
            };
        }
        if wait > 0 {
            wait -= 1;
            continue;
        }
        wait = every - 1;
        let row = SVector::from([1.0, charge, flux, if has_edge { v - v0 } else { 0.0 }]);
        normal += row * row.transpose();
        right += row * i;
    }
    if !has_edge {
        normal[(3, 3)] = 1.0;
    }
    let length_s = drive.time_s[drive.len() - 1] - drive.time_s[0];
    let mut p = [0.0; P];
    p[ZERO] = zero_a;
    let solved = normal.lu().solve(&right).unwrap_or_else(SVector::zeros);
    let (rate, by_flux) = (-solved[1], solved[2]);
    if rate * length_s > 0.02 && by_flux > 0.0 {
        p[TAU] = 1.0 / rate;
        p[G] = by_flux / rate;
        p[SHARE] = (solved[3] / p[G]).clamp(0.0, SHARE_MAX);
    } else {
        let most = |values: &mut dyn Iterator<Item = f64>| values.fold(0.0_f64, |m, x| m.max(x.abs()));
        p[TAU] = 0.3 * length_s;
        p[G] = most(&mut current_a.iter().map(|i| i - zero_a))
            / most(&mut drive.voltage_v.iter().copied()).max(f64::MIN_POSITIVE);
    }
    if !has_edge {
        p[START] = (current_a[0] - zero_a) / p[G] - v0;
    }
    p
}
