//! Inductance from the ripple under PWM, against a closed form and an integration of another program.

use crate::common::assert_close;
use stepwell_analysis::coil::{Ripple, ripple_inductance};
use stepwell_analysis::{Input, Unmeasured};

const SPACING_S: f64 = 50e-6;

/// 12 V, 0.7 V drop, 3.2 ohm, 14 mH with 60 ohm across it, seen through a low-pass, from rest: exact steps
/// of 0.1 us. The switch turns on `phase_s` after the first sample.
fn burst(period_s: f64, duty: f64, phase_s: f64, lag_s: f64) -> (Vec<f64>, f64) {
    let (r, l, re): (f64, f64, f64) = (3.2, 14e-3, 60.0);
    let step = 0.1e-6_f64;
    let share = re / (r + re);
    let decay = (-step * r * share / l).exp();
    let seen_decay = if lag_s > 0.0 { (-step / lag_s).exp() } else { 0.0 };
    let (mut m, mut seen) = (0.0, 0.0);
    let mut current_a = Vec::new();
    for k in 0..300_000_i64 {
        let t = k as f64 * step;
        let on = (t - phase_s).rem_euclid(period_s) < duty * period_s - 1e-12;
        let v = if on { 12.0 } else { -0.7 };
        m = v / r + (m - v / r) * decay;
        let coil = f64::max(m + (v - r * m) / (r + re), 0.0);
        seen = coil + (seen - coil) * seen_decay;
        if (k + 1) % 500 == 0 {
            current_a.push(seen);
        }
    }
    (current_a, (duty * 12.0 - (1.0 - duty) * 0.7) / r)
}

fn given(current_a: &[f64], period_s: f64, duty: f64, settled_a: f64) -> Ripple<'_> {
    Ripple {
        current_a,
        spacing_s: SPACING_S,
        pwm_period_s: period_s,
        duty,
        settled_a,
        supply_v: 12.0,
        freewheel_drop_v: Input::exact(0.7),
        current_gain: Input::exact(1.0),
        voltage_gain: Input::exact(1.0),
    }
}

/// The edge is known to within three half samples (its interval may be taken for a neighbour), and each sample
/// moves the share that follows at once, and so 1 - share, by h/tau: 1.5 x 50 us / 4.6 ms = 1.6 %. Nothing else
/// is unknown, and the stated interval must hold the truth.
#[test]
fn inductance_of_a_closed_form() {
    for period_s in [1e-3, 5e-3] {
        for lag_s in [0.0, 16e-6] {
            for phase_s in [0.0, 13e-6, 40e-6, 0.6e-3, 0.93e-3] {
                let (current_a, settled_a) = burst(period_s, 0.2, phase_s, lag_s);
                let found = ripple_inductance(&given(&current_a, period_s, 0.2, settled_a)).unwrap();
                let henry = &found.inductance_h;
                assert_close(henry.value, 14e-3, 0.0163);
                assert!((henry.value - 14e-3).abs() <= henry.expanded_uncertainty(), "{phase_s}: {henry:?}");
            }
        }
    }
}

#[test]
fn unusable_bursts_are_refused() {
    let (current_a, settled_a) = burst(1e-3, 0.2, 0.0, 0.0);
    let refused = |ripple: &Ripple<'_>| ripple_inductance(ripple).unwrap_err();
    let good = given(&current_a, 1e-3, 0.2, settled_a);
    assert!(matches!(refused(&Ripple { current_a: &[], ..good }), Unmeasured::TooFewSamples { .. }));
    assert!(matches!(refused(&Ripple { duty: 0.0, ..good }), Unmeasured::Impossible { .. }));
    assert!(matches!(refused(&Ripple { pwm_period_s: 1e-4, ..good }), Unmeasured::TooFewSamples { .. }));
    assert!(matches!(refused(&Ripple { current_a: &[0.0; 600], ..good }), Unmeasured::NoCurrent { .. }));
    let mut broken = current_a.clone();
    broken[590] = 0.0;
    assert!(matches!(refused(&Ripple { current_a: &broken, ..good }), Unmeasured::BrokenCurrent { .. }));
    broken[590] = f64::NAN;
    assert_eq!(refused(&Ripple { current_a: &broken, ..good }), Unmeasured::NotANumber { index: 590 });
}
