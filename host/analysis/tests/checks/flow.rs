//! Flow and speed from pulses, against worked rows and drawn pulse trains.

use crate::common::{Noise, assert_close, assert_covers, assert_covers_at_least, assert_near};
use stepwell_analysis::flow::gate::{gated_flow, gated_volume, repeats};
use stepwell_analysis::flow::meter::{KCurve, k_factor_warmed};
use stepwell_analysis::flow::{
    Meter, PULSES_MIN, flow, flow_by_curve, flow_column, speed, volumetric_efficiency,
};
use stepwell_analysis::reason::Signal;
use stepwell_analysis::{Input, Measured, Unmeasured};

fn train(n: usize, hz: f64) -> Vec<f64> {
    (0..n).map(|k| 3.0 + k as f64 / hz).collect()
}

const METER: Meter = Meter { k_factor_per_m3: Input::exact(8.234e6) };

/// Q = f/K: 137.25 Hz at 8234 pulses per litre is 1.000121448 L/min (ten digits, double
/// precision); pulse times near 3 s hold 1e-15 s, over a gate of 2 s 1e-15 relative.
#[test]
fn k_factor() {
    let found = flow(&train(280, 137.25), &METER).unwrap();
    assert_close(found.rate_m3_per_s.value, 1.000_121_448e-3 / 60.0, 1e-9);
    assert_close(found.gate_s, 279.0 / 137.25, 1e-12);
    assert_eq!(found.pulses, 280);
    assert_near(found.period_spread, 0.0, 1e-9);
}

/// Reciprocal counting: stamped with a 10 MHz clock, whole periods over clock ticks resolve
/// 137.25 Hz to one tick of the gate, 1/(fc Tg); 137 periods take 9 981 785 ticks.
#[test]
fn reciprocal_count() {
    let clock_hz = 1.0e7;
    let stamped = |n: usize| -> Vec<f64> {
        (0..n).map(|k| (k as f64 / 137.25 * clock_hz).round() / clock_hz).collect()
    };
    assert_eq!((stamped(138)[137] * clock_hz).round(), 9_981_785.0);
    let times = stamped(275);
    let hz = flow(&times, &METER).unwrap().rate_m3_per_s.value * 8.234e6;
    assert_near(hz, 137.25, 137.25 / (clock_hz * times[274]));
}

#[test]
fn k_factor_uncertainty_is_relative() {
    let meter = Meter { k_factor_per_m3: Input::relative(1.0e7, 0.005) };
    let found = flow(&train(PULSES_MIN, 24.0), &meter).unwrap().rate_m3_per_s;
    assert_close(found.standard_uncertainty(), 0.005 * found.value, 1e-6);
}

/// A meter with 0.5 % of timing jitter on each pulse, and a flow that wavers slowly (first-order,
/// correlated over ten pulses) by 3 %. With
/// jitter alone a little wavering can never be excluded, and the interval errs to the wide side.
#[test]
fn coverage_of_flow() {
    let repeats = 1000;
    let mut noise = Noise::seeded(8);
    let count = |wavering: f64, noise: &mut Noise| {
        (0..repeats)
            .filter(|_| {
                let waver = noise.correlated(300, wavering, 0.9);
                let mut t = 0.0;
                let times: Vec<f64> = waver
                    .iter()
                    .map(|w| {
                        t += (1.0 + w) / 24.0;
                        t + noise.normal(0.005 / 24.0)
                    })
                    .collect();
                // A drift that wavering gives by chance once in some hundred recordings counts as a miss.
                flow(&times, &METER).is_ok_and(|found| {
                    let rate = found.rate_m3_per_s;
                    (rate.value - 24.0 / 8.234e6).abs() <= rate.expanded_uncertainty()
                })
            })
            .count() as u64
    };
    assert_covers("wavering flow", repeats, count(0.03, &mut noise));
    assert_covers_at_least("jitter only", repeats, count(0.0, &mut noise));
}

#[test]
fn gas_shows_in_the_spread() {
    let mut noise = Noise::seeded(9);
    let mut t = 0.0;
    let times: Vec<f64> = (0..400)
        .map(|_| {
            t += (1.0 + noise.normal(0.2)).max(0.2) / 24.0;
            t
        })
        .collect();
    // The standard error of a standard deviation from 399 periods is 3.5 %; three of them.
    assert_close(flow(&times, &METER).unwrap().period_spread, 0.2, 0.11);
}

/// Pulses whose flow falls by a tenth from first to last are refused as a column of readings is.
#[test]
fn a_flow_that_drifts_is_refused() {
    let mut t = 0.0;
    let times: Vec<f64> = (0..400)
        .map(|k| {
            t += (1.0 + 0.1 * f64::from(k) / 400.0) / 24.0;
            t
        })
        .collect();
    assert!(matches!(flow(&times, &METER), Err(Unmeasured::NotSettled { .. })));
}

/// Teeth 20 % out of place repeat every turn and must not move the speed.
#[test]
fn uneven_teeth_cancel() {
    let times: Vec<f64> =
        (0..60 * 8 + 17).map(|k| (k as f64 + if k % 60 == 20 { 0.2 } else { 0.0 }) / 250.0).collect();
    let found = speed(&times, 60).unwrap();
    assert_close(found.value, 250.0 / 60.0, 1e-12);
    assert_near(found.standard_uncertainty(), 0.0, 1e-12);
}

#[test]
fn coverage_of_speed() {
    let repeats = 1000;
    let mut noise = Noise::seeded(10);
    let covered = (0..repeats)
        .filter(|_| {
            let mut t = 0.0;
            let times: Vec<f64> = noise
                .correlated(20 * 6 + 1, 0.01, 0.5)
                .iter()
                .map(|w| {
                    t += (1.0 + w) / 100.0;
                    t
                })
                .collect();
            let found = speed(&times, 6).unwrap();
            (found.value - 100.0 / 6.0).abs() <= found.expanded_uncertainty()
        })
        .count();
    assert_covers("speed", repeats, covered as u64);
}

/// 2.38 cm3/s at 250 rpm and 0.6 cm3 per revolution is 2.38/2.5 = 0.952.
#[test]
fn efficiency() {
    let q = Measured::new(2.38e-6).with_scatter("steadiness of the flow", 2.38e-8, 9.0);
    let n = Measured::new(250.0 / 60.0).with_scatter("steadiness of the speed", 250.0 / 60.0 * 0.02, 5.0);
    let found = volumetric_efficiency(&q, &n, Input::relative(0.6e-6, 0.02));
    assert_close(found.value, 0.952, 1e-12);
    assert_close(found.standard_uncertainty(), 0.952 * 0.03, 1e-12);
    assert_eq!(found.contributions.len(), 3);
}

#[test]
fn unusable_trains_are_refused() {
    let few = flow(&train(199, 24.0), &METER).unwrap_err();
    assert_eq!(few, Unmeasured::TooFewPulses { signal: Signal::FlowPulses, found: 199, needed: 200 });
    assert_eq!(
        few.to_string(),
        "the flow meter gave 199 pulses where 200 are needed; measure for longer or check the sensor"
    );
    let mut pausing = train(300, 24.0);
    for t in &mut pausing[150..] {
        *t += 1.0;
    }
    assert!(matches!(flow(&pausing, &METER), Err(Unmeasured::Gap { signal: Signal::FlowPulses, .. })));
    let mut repeated = train(300, 24.0);
    repeated[9] = repeated[8];
    assert_eq!(flow(&repeated, &METER), Err(Unmeasured::OutOfOrder { index: 9 }));
    repeated[9] = f64::INFINITY;
    assert_eq!(flow(&repeated, &METER), Err(Unmeasured::NotANumber { index: 9 }));
    let dead = Meter { k_factor_per_m3: Input::exact(0.0) };
    assert!(matches!(flow(&train(300, 24.0), &dead), Err(Unmeasured::Impossible { .. })));
    assert_eq!(
        flow(&[], &METER).unwrap_err(),
        Unmeasured::TooFewPulses { signal: Signal::FlowPulses, found: 0, needed: 200 }
    );
    let slow = speed(&train(240, 100.0), 60).unwrap_err();
    assert_eq!(slow, Unmeasured::TooFewPulses { signal: Signal::SpeedPulses, found: 240, needed: 241 });
    assert!(matches!(speed(&train(240, 100.0), 0), Err(Unmeasured::Impossible { .. })));
}

/// One pulse either way of 137 is 0.73 % (137.25 Hz for 1 s: 0.7286 %, arithmetic), a
/// triangle, so 0.298 % of the volume as standard uncertainty; 22.87 Hz through 8234 pulses per litre
/// is 10 L/h.
#[test]
fn gates_count_to_one_pulse_either_way() {
    let volume = gated_volume(137, &METER).unwrap();
    assert_close(volume.value, 137.0 / 8.234e6, 1e-12);
    assert_close(volume.standard_uncertainty() / volume.value, 1.0 / 137.0 / 6.0_f64.sqrt(), 1e-12);
    let flow = gated_flow(2_287, Input::exact(100.0), &METER).unwrap();
    assert_close(flow.value * 3.6e6, 10.0, 2e-4);
    let found = repeats(&[1.0e-6, 1.2e-6, 1.1e-6], 0.01).unwrap();
    assert_close(found.repeatability, 0.1e-6, 1e-9);
    assert_close(found.mean.value, 1.1e-6, 1e-12);
    assert!(matches!(repeats(&[1.0, 2.0], 0.0), Err(Unmeasured::TooFewSamples { .. })));
    assert!(matches!(gated_flow(5, Input::exact(0.0), &METER), Err(Unmeasured::Impossible { .. })));
}

/// A housing 20 K warmer, 16.5e-6 1/K: K 8234 becomes 8225.856402 (ten digits, double precision).
#[test]
fn a_warm_housing_passes_more_a_pulse() {
    let warmed = k_factor_warmed(Input::exact(8.234e6), 16.5e-6, Input::exact(20.0));
    assert_close(warmed.value, 8.225_856_402e6, 1e-9);
}

/// One curve over f/nu: twice the viscosity at twice the frequency is the same K.
#[test]
fn one_curve_for_all_viscosities() {
    let curve = KCurve::new(&[(4.0e7, 8.1e6), (1.0e7, 8.0e6), (1.6e8, 8.15e6)], 0.002).unwrap();
    let at = |hz: f64, nu: f64| curve.k_factor_per_m3(hz, Input::exact(nu)).unwrap().value;
    assert_close(at(100.0, 2.5e-6), 8.1e6, 1e-12);
    assert_close(at(200.0, 5.0e-6), 8.1e6, 1e-12);
    // Half way over the logarithm between two points.
    assert_close(at(50.0, 2.5e-6), 8.05e6, 1e-12);
    let unsure = curve.k_factor_per_m3(50.0, Input::relative(2.5e-6, 0.1)).unwrap();
    let slope = 0.1e6 / 4.0_f64.ln();
    assert_close(unsure.standard_uncertainty, (0.1 * slope).hypot(0.002 * 8.05e6), 1e-9);
    for hz in [20.0, 500.0] {
        let outside = curve.k_factor_per_m3(hz, Input::exact(2.5e-6));
        assert!(matches!(outside, Err(Unmeasured::Impossible { .. })));
    }
    let times = train(300, 50.0);
    let by_curve = flow_by_curve(&times, &curve, Input::exact(2.5e-6)).unwrap().rate_m3_per_s;
    assert_close(by_curve.value, 50.0 / 8.05e6, 1e-9);
}

#[test]
fn unusable_columns_are_refused() {
    let time_s: Vec<f64> = (0..100).map(f64::from).collect();
    let mut noise = Noise::seeded(3);
    let steady: Vec<f64> = (0..100).map(|_| 1e-6 * (1.0 + noise.normal(0.01))).collect();
    let one = Input::exact(1.0);
    assert!(flow_column(&time_s, &steady, one).is_ok());
    let rising: Vec<f64> = steady.iter().zip(&time_s).map(|(q, t)| q * (1.0 + 0.01 * t)).collect();
    assert!(matches!(flow_column(&time_s, &rising, one), Err(Unmeasured::NotSettled { .. })));
    assert!(matches!(flow_column(&time_s[..9], &steady[..9], one), Err(Unmeasured::TooFewSamples { .. })));
    assert!(matches!(flow_column(&time_s, &steady[..9], one), Err(Unmeasured::Unpaired { .. })));
    let mut gap = time_s.clone();
    gap[50..].iter_mut().for_each(|t| *t += 30.0);
    assert!(matches!(flow_column(&gap, &steady, one), Err(Unmeasured::Gap { .. })));
    assert!(matches!(flow_column(&time_s, &steady, Input::exact(0.0)), Err(Unmeasured::Impossible { .. })));
}

/// A steady 50 Hz with 1 % of jitter on each pulse.
fn jittering(noise: &mut Noise) -> Vec<f64> {
    train(1_000, 50.0).iter().map(|t| t + noise.normal(2e-4)).collect()
}

fn sorted(mut times: Vec<f64>) -> Vec<f64> {
    times.sort_by(f64::total_cmp);
    times
}

/// Whatever share of the pulses bounces, 2 ms or several times after the real one: never a wrong flow.
#[test]
fn bounced_pulses_are_refused() {
    let mut noise = Noise::seeded(80);
    for (every, after_s) in [(20, vec![2e-3]), (2, vec![2e-3]), (1, vec![2e-3]), (5, vec![4e-4, 9e-4])] {
        let clean = jittering(&mut noise);
        let second = clean.iter().step_by(every).flat_map(|t| after_s.iter().map(move |after| t + after));
        let times = sorted(clean.iter().copied().chain(second).collect());
        let found = flow(&times, &METER);
        let Err(Unmeasured::FalsePulses { doubled, missing: 0, .. }) = found else { panic!("{found:?}") };
        assert_eq!(doubled, 1_000_usize.div_ceil(every) * after_s.len());
    }
}

/// Pulses of a disturbance, anywhere between the real ones, and real ones that are lost.
#[test]
fn pulses_of_others_and_lost_pulses_are_refused() {
    let mut noise = Noise::seeded(81);
    let clean = jittering(&mut noise);
    let foreign = clean.windows(2).step_by(15).map(|pair| pair[0] + 0.37 * (pair[1] - pair[0]));
    let times = sorted(clean.iter().copied().chain(foreign).collect());
    assert!(matches!(flow(&times, &METER), Err(Unmeasured::FalsePulses { doubled: 67, missing: 0, .. })));
    let lost: Vec<f64> = clean.iter().enumerate().filter(|(i, _)| i % 17 != 8).map(|(_, t)| *t).collect();
    assert!(matches!(flow(&lost, &METER), Err(Unmeasured::FalsePulses { doubled: 0, missing: 59, .. })));
}

/// A few of either are mended: the interval holds the true flow, 50 Hz over the K-factor, and the count as it came.
#[test]
fn a_few_wrong_pulses_are_mended_and_widen_the_interval() {
    let mut noise = Noise::seeded(82);
    for wrong in [1_usize, 5, 15] {
        let clean = jittering(&mut noise);
        let twice = clean.iter().skip(7).step_by(60).take(wrong).map(|t| t + 1e-3);
        let bounced = sorted(clean.iter().copied().chain(twice).collect());
        let lost: Vec<f64> = clean
            .iter()
            .enumerate()
            .filter(|(i, _)| i % 60 != 7 || i / 60 >= wrong)
            .map(|(_, t)| *t)
            .collect();
        for (times, doubled, missing) in [(bounced, wrong, 0), (lost, 0, wrong)] {
            let found = flow(&times, &METER).unwrap();
            assert_eq!((found.doubled, found.missing, found.pulses), (doubled, missing, 1_000));
            let rate = found.rate_m3_per_s;
            let as_it_came = (times.len() - 1) as f64 / found.gate_s / 8.234e6;
            for truth in [50.0 / 8.234e6, as_it_came] {
                assert!((rate.value - truth).abs() <= rate.expanded_uncertainty(), "{wrong}: {rate:?}");
            }
        }
    }
}

/// What is no wrong pulse: the ripple of a pump, uneven blades, gas, a coarse clock, a flow that changes slowly.
#[test]
fn flows_that_really_vary_are_left_alone() {
    let mut noise = Noise::seeded(83);
    let passing = |periods: Vec<f64>| -> Vec<f64> {
        periods
            .iter()
            .scan(0.0, |t, p| {
                *t += p;
                Some(*t)
            })
            .collect()
    };
    let wave = |period: f64, share: f64| -> Vec<f64> {
        (0..1_000)
            .map(|i| 0.02 * (1.0 + share * (core::f64::consts::TAU * f64::from(i) / period).sin()))
            .collect()
    };
    let blades = [0.7, 1.3, 1.1, 0.9];
    let ticks = |hz: f64| -> Vec<f64> {
        let mut times: Vec<f64> = train(3_000, hz).iter().map(|t| (t * 1e3).round() * 1e-3).collect();
        times.dedup();
        times
    };
    let gas = (0..1_000).map(|_| 0.02 * (1.0 + noise.normal(0.2)).max(0.2)).collect();
    let trains = [
        passing(wave(7.3, 0.3)),
        passing(wave(3.1, 0.2)),
        passing(wave(60.0, 0.4)),
        passing((0..1_000).map(|i| 0.02 * blades[i % 4]).collect()),
        passing(gas),
        ticks(730.0),
        ticks(450.0),
    ];
    for (which, times) in trains.iter().enumerate() {
        let found = flow(times, &METER).unwrap();
        assert_eq!((found.doubled, found.missing), (0, 0), "{which}");
    }
}
