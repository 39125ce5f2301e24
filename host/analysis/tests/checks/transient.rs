//! Coils from recordings of voltage and current: scipy's fit of the same recording, shapes of recordings,
//! and what must be refused.

use crate::common::{Noise, Table, assert_close};
use proptest::prelude::*;
use stepwell_analysis::coil::CoilTemperature;
use stepwell_analysis::coil::transient::{CoilFound, CoilRecord, SAMPLES_MIN, transient};
use stepwell_analysis::{Input, Measured, Unmeasured};

fn record<'a>(time_s: &'a [f64], voltage_v: &'a [f64], current_a: &'a [f64]) -> CoilRecord<'a> {
    CoilRecord {
        time_s,
        voltage_v,
        current_a,
        current_gain: Input::exact(1.0),
        voltage_gain: Input::exact(1.0),
        lead_ohm: Input::exact(0.0),
        temperature: None,
        at_s: None,
    }
}

/// `curve_fit` of scipy 1.17.1 on the same model and recording (tests/reference/coil_fit.py): six digits, the
/// edge share to six digits of one; and the truth of the differential equation inside each interval of 99.9 %.
#[test]
fn scipy_finds_the_same_coil() {
    let data = Table::read("coil_step.csv");
    let [time_s, voltage_v, current_a] = ["time_s", "voltage_v", "current_a"].map(|name| data.column(name));
    let answer = Table::read("coil_step_fit.csv");
    let of = |quantity: &str| {
        let [fitted, truth] =
            ["fitted", "truth"].map(|name| answer.column_where(name, "quantity", quantity)[0]);
        (fitted, truth)
    };
    let at_s = Some(of("step_s").0);
    let found = transient(&CoilRecord { at_s, ..record(&time_s, &voltage_v, &current_a) }).unwrap();
    for (quantity, measured) in [
        ("ohm", &found.resistance),
        ("henry", &found.inductance_h),
        ("tau_s", &found.tau_s),
        ("edge_share", &found.edge_share),
    ] {
        let measured = measured.as_ref().unwrap();
        let (fitted, truth) = of(quantity);
        let digits = if quantity == "edge_share" { 1e-6 / fitted } else { 1e-6 };
        assert_close(measured.value, fitted, digits);
        let reach = measured.coverage_factor(0.999) * measured.standard_uncertainty();
        assert!((measured.value - truth).abs() <= reach, "{quantity}: {measured:?}");
    }
}

/// 3 ohm, 12 mH, 12 V: closed form of a rise from `start_a` at t = 0.
fn rise(t: f64, start_a: f64) -> f64 {
    if t < 0.0 { start_a } else { 4.0 + (start_a - 4.0) * (-t / 4e-3).exp() }
}

fn times(from_s: f64, spacing_s: f64, samples: usize) -> Vec<f64> {
    (0..samples).map(|k| from_s + k as f64 * spacing_s).collect()
}

fn holds(measured: &Result<Measured, Unmeasured>, truth: f64) {
    let measured = measured.as_ref().expect("a sound recording");
    let off = (measured.value - truth).abs();
    // Noise-free recordings leave rounding and the search's stopping rule.
    assert!(off <= measured.expanded_uncertainty() + 1e-6 * truth, "{truth}: {measured:?}");
}

#[test]
fn every_shape_of_recording_gives_the_coil() {
    let mut noise = Noise::seeded(5);
    for spread in [0.0, 1e-3, 2e-2] {
        let mut noisy = |values: Vec<f64>, range: f64| -> Vec<f64> {
            values
                .into_iter()
                .map(|v| v + if spread > 0.0 { noise.normal(spread * range) } else { 0.0 })
                .collect()
        };
        // On, between two samples, with a zero that is off.
        let t = times(-3.33e-3, 20e-6, 1_500);
        let v = noisy(t.iter().map(|t| if *t < 0.0 { 0.0 } else { 12.0 }).collect(), 12.0);
        let i = noisy(t.iter().map(|t| rise(*t, 0.0) + 0.05).collect(), 4.0);
        let found = transient(&record(&t, &v, &i)).unwrap();
        holds(&found.resistance, 3.0);
        holds(&found.inductance_h, 12e-3);
        assert_eq!(found.curve_a.len(), t.len());
        assert!(matches!(found.resistance_20c, Err(Unmeasured::NotGiven { .. })));
        // The middle of a rise.
        let t = times(0.0, 20e-6, 1_500);
        let v = noisy(vec![12.0; 1_500], 12.0);
        let i = noisy(t.iter().map(|t| rise(*t, 1.0)).collect(), 4.0);
        let found = transient(&record(&t, &v, &i)).unwrap();
        holds(&found.resistance, 3.0);
        holds(&found.inductance_h, 12e-3);
        // Direct current: resistance only, and none from readings that never move.
        let i = noisy(vec![4.0; 1_500], 4.0);
        if spread == 0.0 {
            let refused = transient(&record(&t, &v, &i)).unwrap_err();
            assert!(matches!(refused, Unmeasured::NoFit { curve: "resistance", .. }));
            continue;
        }
        let found = transient(&record(&t, &v, &i)).unwrap();
        holds(&found.resistance, 3.0);
        assert!(matches!(found.inductance_h, Err(Unmeasured::NoStep { .. })));
    }
}

/// At 80 degC copper has 1 + 0.00393 x 60 = 1.2358 times its resistance at 20 degC (IEC 60028).
#[test]
fn temperature_leads_and_gains_enter() {
    let t = times(-3.33e-3, 20e-6, 1_500);
    let v: Vec<f64> = t.iter().map(|t| if *t < 0.0 { 0.0 } else { 12.0 }).collect();
    let i: Vec<f64> = t.iter().map(|t| rise(*t, 0.0)).collect();
    let given = CoilRecord {
        current_gain: Input::new(1.01, 0.0101),
        voltage_gain: Input::new(0.98, 0.0),
        lead_ohm: Input::new(0.2, 0.02),
        temperature: Some(CoilTemperature { celsius: Input::new(80.0, 0.0) }),
        // Known only to within a sample, it would leave the inductance to within h/tau.
        at_s: Some(0.0),
        ..record(&t, &v, &i)
    };
    let found = transient(&given).unwrap();
    let loop_ohm = 3.0 * 0.98 / 1.01;
    assert_close(found.resistance.clone().unwrap().value, loop_ohm - 0.2, 1e-6);
    assert_close(found.resistance_20c.clone().unwrap().value, (loop_ohm - 0.2) / 1.2358, 1e-6);
    assert_close(found.inductance_h.clone().unwrap().value, 4e-3 * loop_ohm, 1e-6);
    let by = |name: &str| {
        let ohm = found.resistance.as_ref().unwrap();
        ohm.contributions.iter().find(|part| part.name == name).map(|part| part.standard_uncertainty)
    };
    assert_close(by("current gain").unwrap(), 0.01 * loop_ohm, 1e-6);
    assert_close(by("leads").unwrap(), 0.02, 1e-9);
    assert_eq!(by("voltage gain"), None);
}

/// A winding that takes 48 W into 15 J/K for 5 s warms by 16 K and droops by 6 %: the resistance is that of the
/// first sample.
#[test]
fn warming_is_taken_back_to_the_first_sample() {
    let mut noise = Noise::seeded(9);
    let t = times(0.0, 5e-3, 1_000);
    let i: Vec<f64> =
        t.iter().map(|t| 12.0 / (3.0 * (1.0 + 0.00393 * 48.0 * t / 15.0)) + noise.normal(2e-3)).collect();
    let found = transient(&record(&t, &[12.0; 1_000], &i)).unwrap();
    let ohm = found.resistance.unwrap();
    // A line through what bends by the square of the droop, 0.063^2, is off by a sixth of that at its end
    // (least squares through u^2 on 0 to 1); ten times the noise of a mean is 5e-5 of it.
    assert_close(ohm.value, 3.0, 0.063_f64.powi(2) / 6.0 + 1.6e-4);
}

fn refused(t: &[f64], v: &[f64], i: &[f64]) -> Unmeasured {
    transient(&record(t, v, i)).expect_err("no sound recording")
}

#[test]
fn unusable_recordings_are_refused() {
    let mut noise = Noise::seeded(6);
    let t = times(-3.33e-3, 20e-6, 1_500);
    let v: Vec<f64> = t.iter().map(|t| if *t < 0.0 { 0.0 } else { 12.0 }).collect();
    let i: Vec<f64> = t.iter().map(|t| rise(*t, 0.0) + noise.normal(0.01)).collect();
    assert_eq!(refused(&[], &[], &[]), Unmeasured::TooFewSamples { found: 0, needed: SAMPLES_MIN });
    assert_eq!(
        refused(&t[..1], &v[..1], &i[..1]),
        Unmeasured::TooFewSamples { found: 1, needed: SAMPLES_MIN }
    );
    assert_eq!(refused(&t, &v[1..], &i), Unmeasured::Unpaired { left: 1_500, right: 1_499 });
    let with = |place: usize, value: f64, of: &[f64]| {
        let mut changed = of.to_vec();
        changed[place] = value;
        changed
    };
    assert_eq!(refused(&t, &v, &with(7, f64::NAN, &i)), Unmeasured::NotANumber { index: 7 });
    assert_eq!(refused(&t, &with(8, f64::INFINITY, &v), &i), Unmeasured::NotANumber { index: 8 });
    assert_eq!(refused(&with(9, t[8], &t), &v, &i), Unmeasured::OutOfOrder { index: 9 });
    let late: Vec<f64> = t.iter().enumerate().map(|(k, t)| if k < 700 { *t } else { t + 1e-3 }).collect();
    assert!(matches!(refused(&late, &v, &i), Unmeasured::Gap { .. }));
    let clipped: Vec<f64> = i.iter().map(|i| i.min(3.0)).collect();
    assert!(matches!(refused(&t, &v, &clipped), Unmeasured::Clipped { .. }));
    let open: Vec<f64> = t.iter().map(|_| noise.normal(0.01)).collect();
    assert!(matches!(refused(&t, &v, &open), Unmeasured::NoCurrent { .. }));
    assert!(matches!(refused(&t, &v, &[0.0; 1_500]), Unmeasured::NoCurrent { .. }));
    // A current that answers to something else.
    let other: Vec<f64> = t.iter().map(|t| 2.0 + 2.0 * (t * 900.0).sin() + noise.normal(0.01)).collect();
    assert!(
        matches!(refused(&t, &v, &other), Unmeasured::NoFit { .. }),
        "{:?}",
        transient(&record(&t, &v, &other))
    );
    let beside = transient(&CoilRecord { at_s: Some(0.01), ..record(&t, &v, &i) });
    assert!(matches!(beside, Err(Unmeasured::Impossible { .. })));
}

proptest! {
    /// Whatever is in the columns, there is an answer or a reason, and an answer is a number.
    #[test]
    fn no_recording_makes_it_stumble(
        columns in prop::collection::vec((-1e3..1e3_f64, -1e3..1e3_f64), 0..80),
        levels in 0..4_usize,
    ) {
        let t = times(0.0, 1e-4, columns.len());
        let v: Vec<f64> = columns.iter().map(|c| if levels == 0 { c.0 } else { (c.0 / 1e3 * levels as f64).round() }).collect();
        let i: Vec<f64> = columns.iter().map(|c| c.1).collect();
        let numbers = |found: &CoilFound| {
            [&found.resistance, &found.inductance_h, &found.tau_s]
                .into_iter()
                .flatten()
                .all(|m| m.value.is_finite() && m.standard_uncertainty().is_finite())
        };
        if let Ok(found) = transient(&record(&t, &v, &i)) {
            prop_assert!(numbers(&found));
        }
    }
}

#[test]
fn a_probe_the_wrong_way_round_is_said_to_be_so() {
    let time_s = times(-0.01, 1e-4, 400);
    let voltage_v: Vec<f64> = time_s.iter().map(|t| if *t < 0.0 { 0.0 } else { 12.0 }).collect();
    let mut noise = Noise::seeded(11);
    let backwards: Vec<f64> = time_s.iter().map(|t| noise.normal(0.01) - rise(*t, 0.0)).collect();
    let refused = transient(&record(&time_s, &voltage_v, &backwards)).expect_err("no coil does that");
    assert!(refused.to_string().contains("wrong way round"), "{refused}");
}
