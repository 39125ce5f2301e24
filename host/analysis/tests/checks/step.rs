//! Pressure steps: closed forms, sample vectors, other programs' answers, drawn records and refusals.

use crate::common::{Noise, Table, assert_close, assert_covers, assert_covers_at_least, assert_near};
use core::f64::consts::TAU;
use proptest::prelude::*;
use stepwell_analysis::step::{Shape, StepRecord, StepResponse, find_step, fit_first_order, step_response};
use stepwell_analysis::{Input, Measured, Unmeasured};

fn record<'a>(time_s: &'a [f64], pressure_pa: &'a [f64]) -> StepRecord<'a> {
    let instant_s = Some(Input::exact(0.0));
    StepRecord { time_s, pressure_pa, instant_s, ripple_period_s: None, gain: Input::exact(1.0) }
}

fn value(finding: &Result<Measured, Unmeasured>) -> f64 {
    finding.as_ref().expect("a value").value
}

/// A step of one of the vectors, made at 0.5 s.
fn vector(column: &str) -> StepResponse {
    let table = Table::read("step_vectors.csv");
    let instant_s = Some(Input::exact(0.5));
    let (time_s, values) = (table.column("t_s"), table.column(column));
    step_response(&StepRecord { instant_s, ..record(&time_s, &values) }).expect("a step")
}

/// Second order, damping 0.5 at 2 Hz, sampled at 500 Hz, rounded to 1e-6 of an amplitude of 4. Continuous
/// truth (closed form): 10-90 % in 130.313915 ms, overshoot 16.303353 %, no dead time. Rounding of 3e-7
/// root mean square on hundreds of samples of a slope of some 30 per s moves nothing by 1e-7.
#[test]
fn second_order_vector() {
    let found = vector("y2");
    assert_eq!(found.shape, Shape::SecondOrder);
    assert_near(value(&found.pressure_rise), 4.0, 1e-6);
    assert_near(found.before_pa, 1.0, 1e-6);
    assert_near(value(&found.rise_time_10_90), 0.130_313_915, 1e-7);
    assert_near(value(&found.dead_time), 0.0, 1e-7);
    assert_near(value(&found.overshoot), 0.163_033_53, 1e-6);
    assert!(matches!(found.time_constant, Err(Unmeasured::NoTimeConstant { .. })));
}

/// First order, 0.1 s: 10-90 % in ln 9 of it.
#[test]
fn first_order_vector() {
    let found = vector("y1");
    assert_eq!(found.shape, Shape::FirstOrder);
    assert_near(value(&found.time_constant), 0.1, 1e-7);
    assert_near(value(&found.rise_time_10_90), 0.219_722_457_7, 1e-7);
    assert_near(value(&found.dead_time), 0.0, 1e-7);
    assert_eq!(value(&found.overshoot), 0.0);
}

/// The second-order vector with noise of 0.5 % of the step: within the stated uncertainty of the
/// truth (one record, one seed: three standard uncertainties).
#[test]
fn noisy_vector() {
    let found = vector("y2n");
    for (measured, truth) in
        [(&found.pressure_rise, 4.0), (&found.rise_time_10_90, 0.130_314), (&found.overshoot, 0.163_03)]
    {
        let measured = measured.as_ref().unwrap();
        assert_near(measured.value, truth, 3.0 * measured.standard_uncertainty());
        assert!(measured.standard_uncertainty() < 0.03 * truth, "{measured:?}");
    }
}

/// Rise time and overshoot for all damping ratios, against root-found closed forms of nine digits.
#[test]
fn second_order_table() {
    let table = Table::read("second_order.csv");
    let (zetas, rises, shoots) = (table.column("zeta"), table.column("tr"), table.column("os_pct"));
    for k in 0..zetas.len() {
        let wn = 50.0;
        let (time_s, clean) = sampled(1.5, |t| second_order(zetas[k], wn * t));
        let found = step_response(&record(&time_s, &clean)).unwrap();
        assert_close(value(&found.rise_time_10_90), rises[k] / wn, 1e-6);
        assert_near(value(&found.overshoot), shoots[k] / 100.0, 1e-6);
    }
    assert!(zetas.len() >= 10);
}

/// Least squares answers of scipy 1.17.1 (curve_fit, best of many starts) on recordings made by
/// tests/reference/step_fit.py: the same to six digits, the onset to 1e-6 of a time constant.
#[test]
fn answers_of_scipy() {
    let (samples, answers) = (Table::read("step_fit.csv"), Table::read("step_fit_answers.csv"));
    let time_s = samples.column("t_s");
    for column in ["a", "b", "c"] {
        let fit = fit_first_order(&time_s, &samples.column(column)).unwrap().curve;
        let of = |name: &str| answers.column_where(name, "column", column)[0];
        assert_close(fit.before, of("before"), 1e-6);
        assert_close(fit.change, of("change"), 1e-6);
        assert_close(fit.tau_s, of("tau_s"), 1e-6);
        assert_near(fit.onset_s, of("onset_s"), 1e-6 * fit.tau_s);
    }
}

/// The published data set. scipy's four-parameter answer on it (curve_fit, level before unknown): rise
/// 1.99909238, tau 1.49658831, dead time 0.40431867, level 0.00142595, with standard deviations 0.00182526,
/// 0.0040665, 0.00279542, 0.00167666. curve_fit stops at the kink nearest to its start: onsets may differ
/// by one spacing of 0.01 s, and tau with it by its correlation with the onset (below 1).
#[test]
fn first_order_data_set() {
    let table = Table::read("fopdt_step.csv");
    let (time_s, values) = (table.column("t_s"), table.column("y_noisy"));
    let fit = fit_first_order(&time_s, &values).unwrap();
    // scipy's standard deviations, to the two per cent of a residual sd that differs by the kink it stopped at.
    for (k, u) in [0.001_676_66, 0.001_825_26, 0.002_795_42, 0.004_066_5].into_iter().enumerate() {
        assert_close(fit.numbers.standard_uncertainty(k), u, 0.02);
    }
    let fit = fit.curve;
    assert_near(fit.change, 1.999_092_38, 0.001_825_26);
    assert_near(fit.tau_s, 1.496_588_31, 0.004_066_5);
    assert_near(fit.onset_s - 1.0, 0.404_318_67, 0.002_795_42);
    let instant_s = Some(Input::exact(1.0));
    let found = step_response(&StepRecord { instant_s, ..record(&time_s, &values) }).unwrap();
    assert_eq!(found.shape, Shape::FirstOrder);
    let tau = found.time_constant.unwrap();
    assert_close(tau.value, fit.tau_s, 1e-9);
    // Two printed digits of the standard deviation, and a residual sd that chance moves by 2 %.
    // scipy's is scatter alone: what doubt of the shape adds is a contribution of its own.
    let scatter = tau.contributions.iter().find(|c| c.name == "scatter about the curve").unwrap();
    assert_close(scatter.standard_uncertainty, 0.004_066_5, 0.02);
    for (finding, truth) in [(found.pressure_rise, 2.0), (found.dead_time, 0.4)] {
        let finding = finding.unwrap();
        assert_near(finding.value, truth, 3.0 * finding.standard_uncertainty());
    }
}

/// Cross checks on the clean data set: two points (Smith; exact constants) and areas (Astrom and
/// Hagglund; from memory, recomputed) tell the same time constant and dead time.
#[test]
fn two_points_and_areas_agree() {
    let table = Table::read("fopdt_step.csv");
    let (time_s, values) = (table.column("t_s"), table.column("y_clean"));
    let fit = fit_first_order(&time_s, &values).unwrap().curve;
    let at = |share: f64| {
        stepwell_analysis::levels::crossing_s(&time_s, &values, share * 2.0).unwrap().expect("a crossing")
            - 1.0
    };
    let (t28, t63) = (at(0.283), at(0.632));
    // Straight lines between samples 0.01 s apart: h^2/(8 tau) = 8e-6 s late at most.
    assert_near(fit.tau_s, (t63 - t28) / 0.666_992_902, 3e-5);
    assert_near(fit.onset_s - 1.0, t63 - 0.999_672_341 * fit.tau_s, 3e-5);
    // A0 = K (tau + theta), by trapezes: h^2/(12) times the slope at the onset, 1e-5 of it.
    let area: f64 = (0..values.len() - 1)
        .filter(|i| time_s[*i] >= 1.0)
        .map(|i| (fit.change - 0.5 * (values[i] + values[i + 1])) * (time_s[i + 1] - time_s[i]))
        .sum();
    let length_s = time_s[time_s.len() - 1] - 1.0;
    let beyond = fit.change * fit.tau_s * (-(length_s - 0.4) / fit.tau_s).exp();
    assert_near((area + beyond) / fit.change, fit.tau_s + fit.onset_s - 1.0, 3e-5);
}

fn second_order(zeta: f64, t: f64) -> f64 {
    if t <= 0.0 {
        return 0.0;
    }
    let decay = (-zeta * t).exp();
    if zeta >= 1.0 {
        return 1.0 - decay * (1.0 + t);
    }
    let wd = (1.0 - zeta * zeta).sqrt();
    1.0 - decay * ((wd * t).cos() + zeta / wd * (wd * t).sin())
}

/// 1 kHz samples from 0.5 s before the edge.
fn sampled(length_s: f64, way: impl Fn(f64) -> f64) -> (Vec<f64>, Vec<f64>) {
    let n = ((length_s + 0.5) * 1000.0) as usize;
    let time_s: Vec<f64> = (0..n).map(|i| -0.5 + (i as f64 + 0.37) * 1.0e-3).collect();
    let pressure_pa = time_s.iter().map(|t| way(*t)).collect();
    (time_s, pressure_pa)
}

/// What a rail does: dead time 6 ms, filled at a constant rate for most of the way, rounded off at
/// the end as the valve opens again. Straight up to 80 %, then an exponential to the end.
const DEAD_S: f64 = 0.006;
const FILL_S: f64 = 0.0625;
fn ramp(t: f64) -> f64 {
    let way = ((t - DEAD_S) / FILL_S).max(0.0);
    if way < 0.8 { way } else { 1.0 - 0.2 * (-(way - 0.8) / 0.2).exp() }
}
/// 10 to 80 % straight, then 0.2 e^-x falls to 0.1.
fn ramp_rise_s() -> f64 {
    FILL_S * (0.7 + 0.2 * 2.0_f64.ln())
}

/// The dead time of a straight rise is exact; windows of +-5 ms stay clear of the corner 6.25 ms
/// before the 10 % crossing and of the bend 8.7 ms before the 90 % crossing.
#[test]
fn dead_time_of_a_straight_rise() {
    let (time_s, clean) = sampled(1.0, |t| 5.0e6 + 8.0e6 * ramp(t));
    let found = step_response(&record(&time_s, &clean)).unwrap();
    assert_eq!(found.shape, Shape::Other);
    assert_close(value(&found.pressure_rise), 8.0e6, 1e-9);
    assert_near(value(&found.dead_time), DEAD_S, 1e-6);
    // Fourth-order term of e^-x over the window of +-5 ms (0.4 of its time constant) at the end, what is
    // left of it in the middle of a cubic: 0.1 (0.4)^4/24 3/35 = 1e-5 of the step, 1 us there.
    assert_near(value(&found.rise_time_10_90), ramp_rise_s(), 1e-5);
    // Nothing but rounding.
    assert_near(value(&found.overshoot), 0.0, 1e-12);
    assert!(matches!(found.time_constant, Err(Unmeasured::NoTimeConstant { .. })));
}

/// Falling steps are rising ones turned over, to the last bit but for signs.
#[test]
fn a_fall_is_a_rise_turned_over() {
    let (time_s, up) = sampled(1.0, |t| 5.0e6 + 8.0e6 * second_order(0.5, 60.0 * t));
    let down: Vec<f64> = up.iter().map(|p| 20.0e6 - p).collect();
    let rising = step_response(&record(&time_s, &up)).unwrap();
    let falling = step_response(&record(&time_s, &down)).unwrap();
    assert_close(value(&falling.pressure_rise), -value(&rising.pressure_rise), 1e-9);
    assert_close(value(&falling.rise_time_10_90), value(&rising.rise_time_10_90), 1e-8);
    assert_near(value(&falling.dead_time), value(&rising.dead_time), 1e-10);
    assert_close(value(&falling.overshoot), value(&rising.overshoot), 1e-8);
}

/// Plunger ripple of known period, not a whole number of samples or of windows, leaves no trace in
/// the levels. Its second harmonic is fitted along; the clean record has no other error.
#[test]
fn ripple_leaves_the_levels_alone() {
    let ripple = |t: f64| 0.08e6 * (TAU * t / 0.0803 + 1.0).sin() + 0.03e6 * (2.0 * TAU * t / 0.0803).cos();
    let (time_s, rippled) = sampled(1.0, |t| 5.0e6 + 8.0e6 * ramp(t) + ripple(t));
    let known = StepRecord { ripple_period_s: Some(0.0803), ..record(&time_s, &rippled) };
    let found = step_response(&known).unwrap();
    // The flat part begins three rise times after the 90 % crossing: 0.2 e^-13 of the step is left there.
    assert_close(value(&found.pressure_rise), 8.0e6, 1e-5);
    assert_close(found.before_pa, 5.0e6, 1e-5);
    assert!(value(&found.overshoot) < 0.002, "{:?}", found.overshoot);
    assert_near(value(&found.rise_time_10_90), ramp_rise_s(), 1.0e-4);
    // The shaft's period, of which the ripple is the third harmonic, does as well.
    let shaft = StepRecord { ripple_period_s: Some(3.0 * 0.0803), ..record(&time_s, &rippled) };
    assert_close(value(&step_response(&shaft).unwrap().pressure_rise), 8.0e6, 1e-5);
    // Not told, it finds the period: half a line of a spectrum over 0.5 s is 1 Hz of 12.5 Hz; sharpening
    // leaves a tenth of that.
    let blind = step_response(&record(&time_s, &rippled)).unwrap();
    assert_close(blind.ripple_period_s.expect("a ripple"), 0.0803, 0.01);
    assert_close(value(&blind.pressure_rise), 8.0e6, 1e-3);
}

/// Sensor noise of 0.1 MPa on a step of 8 MPa, gain and noise drawn anew each time.
#[test]
fn coverage_of_a_step() {
    let repeats = 200;
    let mut noise = Noise::seeded(51);
    let (time_s, clean) = sampled(0.6, |t| 5.0e6 + 8.0e6 * ramp(t));
    let mut covered = [0; 4];
    for _ in 0..repeats {
        let gain = 1.0 + noise.normal(0.01);
        let noisy: Vec<f64> = clean.iter().map(|p| (p + noise.normal(0.1e6)) / gain).collect();
        let found =
            step_response(&StepRecord { gain: Input::new(1.0, 0.01), ..record(&time_s, &noisy) }).unwrap();
        let count = |finding: &Result<Measured, Unmeasured>, truth: f64| {
            let measured = finding.as_ref().unwrap();
            u64::from((measured.value - truth).abs() <= measured.expanded_uncertainty())
        };
        covered[0] += count(&found.pressure_rise, 8.0e6);
        covered[1] += count(&found.rise_time_10_90, ramp_rise_s());
        covered[2] += count(&found.dead_time, DEAD_S);
        covered[3] += count(&found.overshoot, 0.0);
    }
    assert_covers("rise", repeats, covered[0]);
    assert_covers_at_least("rise time", repeats, covered[1]);
    // How a start may be bent is in the uncertainty of a dead time, and this one is straight.
    assert_covers_at_least("dead time", repeats, covered[2]);
    // No overshoot is there: the highest of many noisy places must not be reported as one.
    assert_covers_at_least("overshoot", repeats, covered[3]);
}

/// In noise of 1 % nobody can tell a steady base line from one that drifts by a few tenths of a per cent of the
/// step, which would move the rise by more than the scatter of one that is read without a drift: it is in the
/// budget of the rise, and of nothing else.
#[test]
fn a_drift_that_does_not_show_is_in_the_budget_of_the_rise() {
    const NAME: &str = "drift of the base line that does not show";
    let mut noise = Noise::seeded(52);
    let (time_s, clean) = sampled(0.6, |t| 5.0e6 + 8.0e6 * (1.0 - (-t.max(0.0) / 0.04).exp()));
    let noisy: Vec<f64> = clean.iter().map(|p| p + noise.normal(0.08e6)).collect();
    let found = step_response(&record(&time_s, &noisy)).unwrap();
    let has = |finding: &Result<Measured, Unmeasured>| {
        finding
            .as_ref()
            .unwrap()
            .budget()
            .iter()
            .any(|line| line.name == NAME && line.standard_uncertainty > 0.0)
    };
    assert!(has(&found.pressure_rise));
    assert!(!has(&found.time_constant));
}

#[test]
fn coverage_of_overshoot() {
    let repeats = 200;
    let mut noise = Noise::seeded(52);
    let (time_s, clean) = sampled(0.6, |t| 5.0e6 + 8.0e6 * second_order(0.6, 60.0 * t));
    let covered = (0..repeats)
        .filter(|_| {
            let noisy: Vec<f64> = clean.iter().map(|p| p + noise.normal(0.05e6)).collect();
            let found = step_response(&record(&time_s, &noisy)).unwrap().overshoot.unwrap();
            (found.value - 0.094_780_22).abs() <= found.expanded_uncertainty()
        })
        .count();
    assert_covers("overshoot", repeats, covered as u64);
}

/// After a short rise the record goes on for many times as long, and the highest of all the noise in it is no
/// overshoot: by the definition of a 95 % interval, one that says so is wrong in one record of twenty at most.
#[test]
fn the_highest_of_much_noise_is_no_overshoot() {
    let repeats = 200;
    let mut noise = Noise::seeded(55);
    let (time_s, clean) = sampled(3.0, |t| 5.0e6 + 8.0e6 * ramp(t));
    let none = (0..repeats).filter(|_| {
        let noisy: Vec<f64> = clean.iter().map(|p| p + noise.normal(0.02e6)).collect();
        value(&step_response(&record(&time_s, &noisy)).unwrap().overshoot) == 0.0
    });
    assert_covers_at_least("no overshoot", repeats, none.count() as u64);
}

/// A peak that rises faster than it falls and is of neither model: the slope of `1 - e^(-u) (1 + u - c u^2)` is
/// `u e^(-u) (1 + 2 c - c u)`, so the top is at `u = 2 + 1/c` and stands out by `e^(-u) (c u^2 - u - 1)`.
#[test]
fn coverage_of_a_lopsided_peak() {
    const BULGE: f64 = 0.5;
    let (repeats, scale_s) = (200, 0.03);
    let top = 2.0 + 1.0 / BULGE;
    let overshoot = (-top).exp() * (BULGE * top * top - top - 1.0);
    let mut noise = Noise::seeded(56);
    let way = |t: f64| {
        let u = t.max(0.0) / scale_s;
        1.0 - (-u).exp() * (1.0 + u - BULGE * u * u)
    };
    let (time_s, clean) = sampled(2.0, |t| 5.0e6 + 8.0e6 * way(t));
    let covered = (0..repeats).filter(|_| {
        let noisy: Vec<f64> = clean.iter().map(|p| p + noise.normal(0.03e6)).collect();
        let found = step_response(&record(&time_s, &noisy)).unwrap();
        let measured = found.overshoot.unwrap();
        found.shape == Shape::Other && (measured.value - overshoot).abs() <= measured.expanded_uncertainty()
    });
    assert_covers("overshoot", repeats, covered.count() as u64);
}

/// A step of first order, dead time 0.1 s, 8 MPa, with noise.
fn late_by_a_tenth() -> (Vec<f64>, Vec<f64>) {
    let mut noise = Noise::seeded(57);
    let (time_s, clean) = sampled(1.5, |t| 5.0e6 + 8.0e6 * (1.0 - (-(t - 0.1).max(0.0) / 0.05).exp()));
    let noisy = clean.iter().map(|p| p + noise.normal(0.02e6)).collect();
    (time_s, noisy)
}

/// Stated after the response has begun, or after all is over: no dead time, but what does not need the instant stays.
#[test]
fn an_instant_after_the_onset_gives_no_dead_time() {
    let (time_s, pressure_pa) = late_by_a_tenth();
    let at = |at_s: f64| {
        step_response(&StepRecord { instant_s: Some(Input::exact(at_s)), ..record(&time_s, &pressure_pa) })
    };
    let right = at(0.0).unwrap();
    assert_near(value(&right.dead_time), 0.1, 4.0 * right.dead_time.as_ref().unwrap().standard_uncertainty());
    for stated in [0.12, 0.15, 0.3, 1.0, 1.45] {
        let found = at(stated).unwrap();
        let Err(Unmeasured::BeganBefore { began_s, stated_s }) = found.dead_time else { panic!("{found:?}") };
        assert_eq!(stated_s, stated);
        assert_near(began_s, 0.1, 4.0 * right.dead_time.as_ref().unwrap().standard_uncertainty());
        for (late, right) in [
            (&found.pressure_rise, &right.pressure_rise),
            (&found.time_constant, &right.time_constant),
            (&found.rise_time_10_90, &right.rise_time_10_90),
            (&found.overshoot, &right.overshoot),
        ] {
            let expanded = right.as_ref().unwrap().expanded_uncertainty();
            assert_near(value(late), value(right), expanded);
        }
    }
    // Beside the onset itself nothing is refused: the interval holds nought.
    let beside = at(0.1).unwrap().dead_time.unwrap();
    assert!(beside.value.abs() <= 2.0 * beside.expanded_uncertainty(), "{beside:?}");
}

/// Reasons say what is the matter: too coarse, hardly any of a level, there and back.
#[test]
fn reasons_say_what_is_the_matter() {
    let coarse_s: Vec<f64> = (-40..80).map(|i| f64::from(i) * 0.5 + 0.2).collect();
    let coarse: Vec<f64> =
        coarse_s.iter().map(|t| 5.0e6 + 8.0e6 * (1.0 - (-t.max(0.0) / 0.1).exp())).collect();
    let found = step_response(&record(&coarse_s, &coarse)).unwrap();
    for finding in [found.dead_time, found.rise_time_10_90, found.overshoot] {
        let why = finding.unwrap_err();
        assert!(matches!(why, Unmeasured::TooFew { needed: 4, .. }), "{why}");
        assert_eq!(
            why.to_string(),
            "samples on the rise of the pressure: 1, where 4 are needed; sample faster"
        );
    }
    let mut noise = Noise::seeded(58);
    let time_s: Vec<f64> = (0..600).map(|i| f64::from(i) * 0.005).collect();
    let mut with_noise = |way: &dyn Fn(f64) -> f64| -> Unmeasured {
        let pressure_pa: Vec<f64> =
            time_s.iter().map(|t| 5.0e6 + 8.0e6 * way(*t) + noise.normal(0.02e6)).collect();
        let without = StepRecord { instant_s: None, ..record(&time_s, &pressure_pa) };
        step_response(&without).unwrap_err()
    };
    let last = with_noise(&|t| f64::from(u8::from(t > 2.991)));
    assert!(matches!(last, Unmeasured::TooFew { needed: 16, .. }), "{last}");
    let there_and_back = with_noise(&|t| f64::from(u8::from((1.0..1.2).contains(&t))));
    let Unmeasured::SeveralSteps { found: 2, first_s, second_s, .. } = there_and_back else {
        panic!("{there_and_back}")
    };
    assert_near(first_s, 1.0, 0.01);
    assert_near(second_s, 1.2, 0.01);
    // Of noise alone nothing is said that is far beyond the noise.
    for _ in 0..20 {
        if let Unmeasured::NoResponse { change_pa, needed_pa } = with_noise(&|_| 0.0) {
            assert!(change_pa.abs() < 0.2e6 && needed_pa < 0.5e6, "{change_pa} {needed_pa}");
        }
    }
}

/// A record that ends early: a model that fits says where pressure is going while most of the way is
/// there, and is refused when it is not.
#[test]
fn an_unsettled_record_is_carried_on_or_refused() {
    let mut noise = Noise::seeded(54);
    let mut cut = |length_s: f64| {
        let (time_s, clean) = sampled(length_s, |t| 5.0e6 + 8.0e6 * (1.0 - (-t.max(0.0) / 0.1).exp()));
        let noisy: Vec<f64> = clean.iter().map(|p| p + noise.normal(0.02e6)).collect();
        step_response(&record(&time_s, &noisy))
    };
    let found = cut(0.25).unwrap().pressure_rise.unwrap();
    assert_near(found.value, 8.0e6, 4.0 * found.standard_uncertainty());
    assert!(found.standard_uncertainty() < 0.05e6, "{found:?}");
    assert!(matches!(cut(0.12), Err(Unmeasured::Unfinished { .. })));
}

#[test]
fn the_step_is_found_in_the_duty() {
    let time_s: Vec<f64> = (0..100).map(|i| f64::from(i) * 0.01).collect();
    let duty = |edges: &[usize]| -> Vec<f64> {
        (0..100).map(|i| 15.0 + 5.0 * edges.iter().filter(|e| i >= **e).count() as f64).collect()
    };
    let found = find_step(&time_s, Some(&duty(&[40])), None).unwrap();
    let instant = found.instant_s.unwrap();
    assert_near(instant.value, 0.395, 1e-12);
    assert_near(instant.standard_uncertainty, 0.005 / 3.0_f64.sqrt(), 1e-12);
    assert_eq!((found.from, found.to), (0, 100));
    let none = find_step(&time_s, Some(&duty(&[])), None);
    assert!(matches!(none, Err(Unmeasured::NoStep { .. })));
    let two = duty(&[40, 70]);
    assert!(matches!(find_step(&time_s, Some(&two), None), Err(Unmeasured::SeveralSteps { found: 2, .. })));
    let second = find_step(&time_s, Some(&two), Some(0.7)).unwrap();
    assert_eq!((second.instant_s, second.from, second.to), (Some(Input::exact(0.7)), 40, 100));
    let first = find_step(&time_s, Some(&two), Some(0.4)).unwrap();
    assert_eq!((first.from, first.to), (0, 70));
    assert_eq!(find_step(&time_s, None, None).unwrap().instant_s, None);
    assert!(matches!(find_step(&time_s, None, Some(2.0)), Err(Unmeasured::Impossible { .. })));
}

/// Nobody knows when duty changed: no dead time, everything else.
#[test]
fn without_an_instant_there_is_no_dead_time() {
    for way in [ramp as fn(f64) -> f64, |t| 1.0 - (-t.max(0.0) / 0.05).exp()] {
        let (time_s, clean) = sampled(1.0, |t| 5.0e6 + 8.0e6 * way(t));
        let found = step_response(&StepRecord { instant_s: None, ..record(&time_s, &clean) }).unwrap();
        assert!(matches!(found.dead_time, Err(Unmeasured::NotGiven { .. })));
        assert_close(value(&found.pressure_rise), 8.0e6, 1e-6);
        assert!(found.rise_time_10_90.is_ok() && found.overshoot.is_ok());
    }
}

#[test]
fn unusable_records_are_refused() {
    let (time_s, clean) = sampled(1.0, |t| 5.0e6 + 8.0e6 * ramp(t));
    let refused =
        |t: &[f64], p: &[f64]| step_response(&record(t, p)).map(|found| found.pressure_rise).unwrap_err();
    assert!(matches!(refused(&[], &[]), Unmeasured::TooFewSamples { .. }));
    assert!(matches!(refused(&[0.0], &[1.0]), Unmeasured::TooFewSamples { .. }));
    assert!(matches!(refused(&time_s[..20], &clean[..20]), Unmeasured::TooFewSamples { .. }));
    assert!(matches!(refused(&time_s[495..], &clean[495..]), Unmeasured::TooFew { found: 5, .. }));
    assert!(matches!(refused(&time_s[1..], &clean), Unmeasured::Unpaired { .. }));

    let mut noise = Noise::seeded(53);
    for _ in 0..50 {
        let flat: Vec<f64> = time_s.iter().map(|_| 5.0e6 + noise.normal(0.1e6)).collect();
        let reason = refused(&time_s, &flat);
        assert!(matches!(reason, Unmeasured::NoResponse { .. } | Unmeasured::NoStep { .. }), "{reason}");
    }
    assert!(matches!(refused(&time_s, &vec![5.0e6; time_s.len()]), Unmeasured::NoStep { .. }));
    let still_rising: Vec<f64> =
        time_s.iter().map(|t| 5.0e6 + 8.0e6 * t.max(0.0) + noise.normal(0.05e6)).collect();
    assert!(matches!(refused(&time_s, &still_rising), Unmeasured::NotSettled { .. }));
    let moving_before: Vec<f64> = time_s.iter().zip(&clean).map(|(t, p)| p + 4.0e6 * t.min(0.0)).collect();
    assert!(matches!(refused(&time_s, &moving_before), Unmeasured::NotSettled { .. }));
    let mut drawn = |second: &dyn Fn(f64) -> f64| -> Vec<f64> {
        time_s.iter().map(|t| 5.0e6 + 8.0e6 * (ramp(*t) + second(*t)) + noise.normal(0.02e6)).collect()
    };
    let two = drawn(&|t| 0.6 * ramp(t - 0.3));
    assert!(matches!(refused(&time_s, &two), Unmeasured::SeveralSteps { .. }));
    let back = drawn(&|t| -ramp(t - 0.3));
    assert!(matches!(refused(&time_s, &back), Unmeasured::SeveralSteps { .. }));
    let cut_off: Vec<f64> = drawn(&|_| 0.0).iter().map(|p| p.min(12.0e6)).collect();
    assert!(matches!(refused(&time_s, &cut_off), Unmeasured::Clipped { .. }));

    let cut: Vec<usize> = (0..time_s.len()).filter(|i| !(510..530).contains(i)).collect();
    let pick = |v: &[f64]| cut.iter().map(|i| v[*i]).collect::<Vec<f64>>();
    assert!(matches!(refused(&pick(&time_s), &pick(&clean)), Unmeasured::Gap { .. }));
    let mut hole = clean.clone();
    hole[3] = f64::NAN;
    assert_eq!(refused(&time_s, &hole), Unmeasured::NotANumber { index: 3 });
    let mut back = time_s.clone();
    back[600] = 0.0;
    assert_eq!(refused(&back, &clean), Unmeasured::OutOfOrder { index: 600 });

    let slow = StepRecord { ripple_period_s: Some(0.6), ..record(&time_s, &clean) };
    assert!(matches!(step_response(&slow), Err(Unmeasured::TooShort { .. })));
    let none = StepRecord { ripple_period_s: Some(0.0), ..record(&time_s, &clean) };
    assert!(matches!(step_response(&none), Err(Unmeasured::Impossible { .. })));
    let outside = StepRecord { instant_s: Some(Input::exact(7.0)), ..record(&time_s, &clean) };
    assert!(matches!(step_response(&outside), Err(Unmeasured::Impossible { .. })));
}

/// Somebody opens the rail 25 ms to 1.3 s after the step and it empties with 10 to 300 ms: what comes before is
/// read where it tells a level, and is refused for that reason where not. Never is the emptying taken for the
/// response.
#[test]
fn a_rail_that_is_opened_after_the_step_is_no_response() {
    let mut noise = Noise::seeded(63);
    let time_s: Vec<f64> = (0..2_000).map(|i| f64::from(i) * 1.0e-3 - 0.5).collect();
    for instant_s in [Some(Input::exact(0.0)), None] {
        let (mut told, mut covered) = ([0; 3], [0; 3]);
        for _ in 0..200 {
            let mut between = |from: f64, to: f64| from + (to - from) * noise.uniform();
            let (rise_pa, tau_s) = (between(2.0e6, 9.0e6), between(0.01, 0.06));
            let opened_s = 10.0_f64.powf(between(-1.6, 0.1));
            let empties_s = 10.0_f64.powf(between(-2.0, -0.5));
            let values: Vec<f64> = time_s
                .iter()
                .map(|t| {
                    let p = 5.0e6 + rise_pa * (1.0 - (-(t - 0.005).max(0.0) / tau_s).exp());
                    p * (-(t - opened_s).max(0.0) / empties_s).exp() + noise.normal(0.02e6)
                })
                .collect();
            // A rail opened on the way up rises on for as long as that is the faster of the two: until rise/tau
            // exp(-t/tau) is pressure over empties_s, at most ln(0.316/0.01 9/14) = 3.0 time constants.
            let seen_s = opened_s - 0.01..opened_s.max(0.005 + 3.0 * tau_s) + 0.03;
            let found = match step_response(&StepRecord { instant_s, ..record(&time_s, &values) }) {
                Ok(found) => found,
                Err(why) => {
                    // A level that has been reached for as long as it took is one.
                    assert!(opened_s < 10.0 * tau_s, "{opened_s} {tau_s} {why}");
                    assert!(
                        matches!(why, Unmeasured::Opened { at_s, .. } if seen_s.contains(&at_s)),
                        "{why}"
                    );
                    continue;
                }
            };
            assert!(seen_s.contains(&found.fell_s.expect("a fall")), "{opened_s} {:?}", found.fell_s);
            assert_eq!(found.curve_pa.len(), time_s.len());
            let truths =
                [(&found.pressure_rise, rise_pa), (&found.time_constant, tau_s), (&found.onset_s, 0.005)];
            for (k, (finding, truth)) in truths.into_iter().enumerate() {
                if let Ok(measured) = finding {
                    told[k] += 1;
                    covered[k] +=
                        u64::from((measured.value - truth).abs() <= measured.expanded_uncertainty());
                }
            }
        }
        println!("{told:?} told, {covered:?} covered");
        for (k, what) in ["rise", "time constant", "onset"].into_iter().enumerate() {
            assert_covers_at_least(what, told[k], covered[k]);
        }
    }
}

/// A swing that comes back, however little it is damped, is a response and not an opened rail.
#[test]
fn a_swing_is_no_opened_rail() {
    let mut noise = Noise::seeded(64);
    for zeta in [0.1, 0.3, 0.5, 0.7] {
        let (time_s, clean) = sampled(2.0, |t| 5.0e6 + 8.0e6 * second_order(zeta, 40.0 * t));
        let alike = noise.correlated(clean.len(), 0.1e6, 0.9);
        let values: Vec<f64> = clean.iter().zip(alike).map(|(p, e)| p + e).collect();
        for instant_s in [Some(Input::exact(0.0)), None] {
            let found = step_response(&StepRecord { instant_s, ..record(&time_s, &values) }).unwrap();
            assert_eq!(found.fell_s, None, "{zeta}");
            let rise = found.pressure_rise.unwrap();
            assert_near(rise.value, 8.0e6, 4.0 * rise.standard_uncertainty());
        }
    }
}

/// A response far slower than the record, and a line without end, with a step anywhere: not settled where the
/// instant is given, and never a panic or a number, whether it and a ripple's period are given or not.
#[test]
fn what_has_not_settled_is_said_to_be_so() {
    let mut noise = Noise::seeded(59);
    let slow = |t: f64| 8.0e6 * (1.0 - (-t.max(0.0) / 5.0).exp());
    let line = |t: f64| 1.0e6 * t;
    for way in [&slow as &dyn Fn(f64) -> f64, &line] {
        for sd in [0.0, 0.01e6] {
            for place in 1..20 {
                let edge_s = 3.0 * f64::from(place) / 20.0;
                let time_s: Vec<f64> = (0..3_000).map(|i| f64::from(i) * 1.0e-3).collect();
                let values: Vec<f64> =
                    time_s.iter().map(|t| 5.0e6 + way(*t - edge_s) + noise.normal(sd)).collect();
                for instant_s in [None, Some(Input::exact(edge_s))] {
                    for ripple_period_s in [None, Some(0.02), Some(0.5)] {
                        let given = StepRecord { instant_s, ripple_period_s, ..record(&time_s, &values) };
                        let found = step_response(&given);
                        // The level before may be missing, or a period within it, and near the end a response.
                        let has_level = instant_s.is_some() && ripple_period_s.is_none_or(|p| p < edge_s);
                        let must = has_level && place <= 10;
                        assert!(
                            matches!(
                                found,
                                Err(Unmeasured::Unfinished { .. } | Unmeasured::NotSettled { .. })
                            ) || (!must && found.is_err()),
                            "{edge_s} {sd} {instant_s:?} {ripple_period_s:?}: {found:?}"
                        );
                    }
                }
            }
        }
    }
}

/// A response of first order, or damped beyond 1, has no overshoot. Noise hides one: the interval is never
/// nothing, and never more than a record shows that scatters by 1 % of the rise or less: three standard
/// deviations of one sample, out of which the mean over the top of the response is known far better.
#[test]
fn no_overshoot_is_known_as_well_as_noise_lets_it() {
    let mut noise = Noise::seeded(61);
    // Closed form of two poles at z +- sqrt(z z - 1).
    let damped = |z: f64, x: f64| {
        let root = (z * z - 1.0_f64).sqrt();
        let (slow, fast) = (z - root, z + root);
        1.0 - (fast * (-slow * x).exp() - slow * (-fast * x).exp()) / (2.0 * root)
    };
    let first = |t: f64| 1.0 - (-t.max(0.0) / 0.1).exp();
    let (over, far_over) = (|t: f64| damped(1.3, 30.0 * t.max(0.0)), |t: f64| damped(2.0, 30.0 * t.max(0.0)));
    for way in [&first as &dyn Fn(f64) -> f64, &over, &far_over] {
        for sd in [0.002, 0.005, 0.01] {
            for _ in 0..15 {
                let (time_s, clean) = sampled(2.5, way);
                let values: Vec<f64> = clean.iter().map(|w| 5.0e6 + 8.0e6 * (w + noise.normal(sd))).collect();
                let overshoot = step_response(&record(&time_s, &values)).unwrap().overshoot.unwrap();
                let expanded = overshoot.expanded_uncertainty();
                assert!(expanded > 0.0 && expanded < 3.0 * sd, "noise {sd}: {overshoot:?}");
                assert!(overshoot.value < 3.0 * sd, "noise {sd}: {overshoot:?}");
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever is thrown at it: a reason or finite numbers, never a panic.
    #[test]
    fn anything_is_answered(
        values in proptest::collection::vec(prop_oneof![4 => -1e7..1e7_f64, 2 => Just(0.0), 1 => Just(1e7)], 0..120),
        instant in proptest::option::of(-0.1..1.3_f64),
        period in proptest::option::of(1e-3..0.5_f64),
    ) {
        let time_s: Vec<f64> = (0..values.len()).map(|i| i as f64 * 0.01).collect();
        let record = StepRecord {
            instant_s: instant.map(Input::exact),
            ripple_period_s: period,
            ..record(&time_s, &values)
        };
        if let Ok(found) = step_response(&record) {
            let findings =
                [found.pressure_rise, found.dead_time, found.time_constant, found.rise_time_10_90, found.overshoot];
            for measured in findings.into_iter().flatten() {
                prop_assert!(measured.value.is_finite() && measured.standard_uncertainty().is_finite());
            }
            prop_assert!(found.curve_pa.iter().all(|p| p.is_finite()) && found.curve_pa.len() == values.len());
        }
    }
}
