//! Sweeps whose answer is plain arithmetic, and recordings that cannot be one.

use crate::common::{Noise, assert_near};
use stepwell_analysis::Unmeasured;
use stepwell_analysis::reason::Signal;
use stepwell_analysis::sweep::{Sweep, SweepPoint, SweepRecord, sweep, sweep_of_points};

fn points(count: usize, output: impl Fn(f64) -> f64) -> Vec<SweepPoint> {
    (0..count)
        .map(|k| {
            let duty = k as f64 / (count - 1) as f64;
            SweepPoint { duty, output: output(duty), standard_uncertainty: 0.0 }
        })
        .collect()
}

/// Terminal-based and independent linearity of `3 x + x^2` are 1/4 and 1/8 of a span of 4: the
/// parabola keeps 1/4 from its chord and half of that from the best parallel. Rounding is all that
/// scatters; the smoothing spline bends as evenly as the curve does.
#[test]
fn a_bend_without_a_loop() {
    let both = points(21, |x| 3.0 * x + x * x);
    let found = sweep_of_points(&both, &both[..20]).unwrap();
    assert_near(found.linearity.value, 0.125 / 4.0, 1e-4);
    assert_near(found.terminal_linearity.value, 0.25 / 4.0, 1e-4);
    assert_near(found.hysteresis.value, 0.0, 1e-4);
    assert_near(found.span.value, 4.0, 1e-3);
}

/// Up `100 x`, down 5 more: 5 over a span that runs from the mean of both ways at the bottom, 2.5, to
/// the end of the way up, 100.
#[test]
fn the_same_difference_everywhere() {
    let up = points(21, |x| 100.0 * x);
    let down = points(21, |x| 100.0 * x + 5.0);
    let found = sweep_of_points(&up, &down[..20]).unwrap();
    assert_near(found.hysteresis.value, 5.0 / 97.5, 1e-4);
    assert_near(found.widest_difference, 5.0, 0.01);
}

/// A triangle over a valve with play: after each reversal it rests for the play, and elsewhere the
/// ways differ by the play times the slope, which is 1.
fn play(samples: usize, noise_sd: f64) -> Result<Sweep, Unmeasured> {
    let mut noise = Noise::seeded(4);
    let (mut duty, mut output, mut time_s) = (Vec::new(), Vec::new(), Vec::new());
    let mut valve: f64 = 0.03;
    for k in 0..=samples {
        let at = 1.0 - (2.0 * k as f64 / samples as f64 - 1.0).abs();
        valve = valve.clamp(at - 0.03, at + 0.03);
        duty.push(0.1 + 0.2 * at);
        output.push(4.0e7 * (valve + noise.normal(noise_sd)));
        time_s.push(0.01 * k as f64);
    }
    sweep(&SweepRecord { time_s: Some(&time_s), duty: &duty, output: &output, signal: Signal::Pressure })
}

#[test]
fn play_is_hysteresis_and_dead_band() {
    let found = play(2_000, 2e-3).unwrap();
    // From the middle of the ways at the bottom, 0.03, to the top of the way up, 0.97.
    let (hysteresis, dead_band) = (found.hysteresis, found.dead_band.unwrap());
    assert_near(hysteresis.value, 0.06 / 0.94, hysteresis.expanded_uncertainty());
    // Of the duty itself, which goes over 0.2.
    assert_near(dead_band.value, 0.2 * 0.06, dead_band.expanded_uncertainty());
    assert!(hysteresis.expanded_uncertainty() < 0.01 && dead_band.expanded_uncertainty() < 0.2 * 0.02);
}

#[test]
fn unusable_recordings_are_refused() {
    let ramp =
        |n: usize| -> Vec<f64> { (0..n).map(|k| 1.0 - (2.0 * k as f64 / n as f64 - 1.0).abs()).collect() };
    let time = |n: usize| -> Vec<f64> { (0..n).map(|k| k as f64).collect() };
    let of = |time_s: Option<&[f64]>, duty: &[f64], output: &[f64]| {
        sweep(&SweepRecord { time_s, duty, output, signal: Signal::Pressure })
    };
    assert_eq!(of(None, &[], &[]), Err(Unmeasured::TooFewSamples { found: 0, needed: 5 }));
    assert_eq!(of(None, &[0.1], &[1.0]), Err(Unmeasured::TooFewSamples { found: 1, needed: 5 }));
    assert!(matches!(of(None, &ramp(50), &ramp(49)), Err(Unmeasured::Unpaired { .. })));
    let mut hole = ramp(50);
    hole[7] = f64::NAN;
    assert_eq!(of(None, &ramp(50), &hole), Err(Unmeasured::NotANumber { index: 7 }));
    assert_eq!(of(None, &hole, &ramp(50)), Err(Unmeasured::NotANumber { index: 7 }));
    let mut back = time(50);
    back[9] = back[8];
    assert!(matches!(of(Some(&back), &ramp(50), &ramp(50)), Err(Unmeasured::OutOfOrder { index: 9 })));
    assert_eq!(of(None, &[0.2; 50], &ramp(50)), Err(Unmeasured::NoStep { signal: Signal::Duty }));
    assert!(matches!(of(None, &ramp(50), &[3.0; 50]), Err(Unmeasured::NoFit { .. })));
    // One way only.
    assert!(matches!(of(None, &time(50), &time(50)), Err(Unmeasured::NoOverlap { .. })));
    // Noise only.
    let mut noise = Noise::seeded(2);
    let only: Vec<f64> = (0..500).map(|_| noise.normal(1.0)).collect();
    assert!(matches!(of(Some(&time(500)), &ramp(500), &only), Err(Unmeasured::NoFit { .. })));
    // Levels that are left before the output has come to rest.
    let stairs = |k: usize| f64::from(u32::try_from(if k < 500 { k / 50 } else { (999 - k) / 50 }).unwrap());
    let duty: Vec<f64> = (0..1_000).map(stairs).collect();
    let mut level = 0.0;
    let lagging: Vec<f64> = duty
        .iter()
        .map(|d| {
            level += (d - level) / 30.0;
            level
        })
        .collect();
    assert!(matches!(of(Some(&time(1_000)), &duty, &lagging), Err(Unmeasured::NotSettled { .. })));
    let lone = [SweepPoint { duty: 0.1, output: 1.0, standard_uncertainty: 0.0 }];
    assert_eq!(sweep_of_points(&lone, &lone), Err(Unmeasured::TooFewSamples { found: 1, needed: 2 }));
}
