//! Hysteresis and linearity of sweeps whose answer is plain arithmetic.

use crate::common::{Noise, assert_close, assert_covers, assert_near};
use stepwell_analysis::Unmeasured;
use stepwell_analysis::sweep::{SweepPoint, hysteresis};

fn sweep(points: &[(f64, f64)], u_pa: f64) -> Vec<SweepPoint> {
    points
        .iter()
        .map(|(duty, pressure_pa)| SweepPoint {
            duty: *duty,
            pressure_pa: *pressure_pa,
            standard_uncertainty_pa: u_pa,
        })
        .collect()
}

/// Up 5, 13, 24, 38 and down 5, 15, 26.4, 38 MPa at 15 to 30 %: widest at 25 %, 2.4 of a span of 33.
#[test]
fn widest_difference_over_the_span() {
    let up = sweep(&[(0.15, 5.0e6), (0.20, 13.0e6), (0.25, 24.0e6), (0.30, 38.0e6)], 0.03e6);
    let down = sweep(&[(0.30, 38.0e6), (0.25, 26.4e6), (0.20, 15.0e6), (0.15, 5.0e6)], 0.04e6);
    let found = hysteresis(&up, &down).unwrap();
    assert_close(found.difference_pa.value, 2.4e6, 1e-12);
    assert_close(found.difference_pa.standard_uncertainty(), 0.05e6, 1e-12);
    assert_close(found.share_of_span.value, 2.4 / 33.0, 1e-12);
    assert_eq!(found.at_duty, 0.25);
    assert_close(found.span_pa, 33.0e6, 1e-12);
    // Averages 5, 14, 25.2, 38 against the line 5, 16, 27, 38.
    assert_close(found.linearity_share_of_span, 2.0 / 33.0, 1e-12);
}

/// Downward points lie between the upward ones on a straight line 1 MPa higher.
#[test]
fn unequal_duties_are_joined_straight() {
    let up = sweep(&[(0.1, 1.0e6), (0.2, 2.0e6), (0.3, 3.0e6)], 0.0);
    let down = sweep(&[(0.35, 4.5e6), (0.25, 3.5e6), (0.15, 2.5e6), (0.05, 1.5e6)], 0.0);
    let found = hysteresis(&up, &down).unwrap();
    assert_close(found.difference_pa.value, 1.0e6, 1e-12);
    assert_near(found.linearity_share_of_span, 0.0, 1e-12);
}

/// A loop with one clearly widest place, so that picking the largest does not favour noise.
#[test]
fn coverage_of_the_difference() {
    let repeats = 1000;
    let mut noise = Noise::seeded(31);
    let covered = (0..repeats)
        .filter(|_| {
            let mut draw = |points: &[(f64, f64)]| {
                let noisy: Vec<(f64, f64)> =
                    points.iter().map(|(d, p)| (*d, p + noise.normal(0.05e6))).collect();
                sweep(&noisy, 0.05e6)
            };
            let up = draw(&[(0.15, 5.0e6), (0.20, 13.0e6), (0.25, 24.0e6), (0.30, 38.0e6)]);
            let down = draw(&[(0.15, 5.0e6), (0.20, 14.0e6), (0.25, 26.4e6), (0.30, 38.0e6)]);
            let found = hysteresis(&up, &down).unwrap().share_of_span;
            (found.value - 2.4 / 33.0).abs() <= found.expanded_uncertainty()
        })
        .count();
    assert_covers("hysteresis", repeats, covered as u64);
}

#[test]
fn unusable_sweeps_are_refused() {
    let up = sweep(&[(0.1, 1.0e6), (0.2, 2.0e6), (0.3, 3.0e6)], 0.0);
    let apart = sweep(&[(0.4, 1.0e6), (0.5, 2.0e6), (0.6, 3.0e6)], 0.0);
    assert_eq!(hysteresis(&up, &apart), Err(Unmeasured::NoOverlap { found: 0, needed: 3 }));
    assert_eq!(hysteresis(&up[..2], &up), Err(Unmeasured::TooFewSamples { found: 2, needed: 3 }));
    let flat = sweep(&[(0.1, 1.0e6), (0.2, 1.0e6), (0.3, 1.0e6)], 0.0);
    assert!(matches!(hysteresis(&flat, &flat), Err(Unmeasured::NoFit { .. })));
    let mut hole = up.clone();
    hole[1].pressure_pa = f64::NAN;
    assert_eq!(hysteresis(&hole, &up), Err(Unmeasured::NotANumber { index: 1 }));
}
