//! State levels and crossings after IEEE Std 181, against vectors whose digits were computed with numpy and
//! confirmed with an independent package, and against python-control 0.10.2 (its `step_info`).

use crate::common::{Table, assert_near};
use stepwell_analysis::Unmeasured;
use stepwell_analysis::levels::{StateLevels, crossing_s, settled_s, state_levels};

fn column(name: &str) -> (Vec<f64>, Vec<f64>) {
    let table = Table::read("step_vectors.csv");
    (table.column("t_s"), table.column(name))
}

/// Half a unit of the sixth printed decimal.
const DIGITS: f64 = 0.6e-6;

#[test]
fn histogram_levels_with_pinned_bins() {
    for (name, bins, low, high) in [
        ("y2", 100, 1.023_261, 4.977_555),
        ("y1", 100, 1.020_000, 4.980_000),
        ("y2n", 100, 1.020_903, 4.980_300),
        ("y2", 256, 1.009_086, 5.006_994),
    ] {
        let found = state_levels(&column(name).1, bins).unwrap();
        assert_near(found.low, low, DIGITS);
        assert_near(found.high, high, DIGITS);
    }
}

#[test]
fn crossings_and_overshoot() {
    let known = StateLevels { low: 1.0, high: 5.0 };
    let found = |name: &str| state_levels(&column(name).1, 100).unwrap();
    for (name, levels, early, middle, late, overshoot_percent) in [
        ("y2", known, 0.538_843, 0.602_977, 0.669_170, 16.302_775),
        ("y2", found("y2"), 0.539_843, 0.602_992, 0.668_247, 17.058_824),
        ("y1", known, 0.510_540, 0.569_319, 0.730_261, 0.0),
        ("y1", found("y1"), 0.510_986, 0.569_319, 0.726_339, 0.505_051),
        ("y2n", known, 0.540_206, 0.602_733, 0.667_700, 16.594_175),
    ] {
        let (time_s, values) = column(name);
        for (share, at_s) in [(0.1, early), (0.5, middle), (0.9, late)] {
            let crossing = crossing_s(&time_s, &values, levels.reference(share)).unwrap();
            assert_near(crossing.expect("a crossing"), at_s, DIGITS);
        }
        assert_near(100.0 * levels.overshoot(&values), overshoot_percent, DIGITS);
    }
}

#[test]
fn settling() {
    let known = StateLevels { low: 1.0, high: 5.0 };
    for (name, two_percent_s, five_percent_s) in
        [("y2", 0.642_692, 0.420_895), ("y1", 0.391_207, 0.299_576), ("y2n", 0.706_088, 0.422_627)]
    {
        let (time_s, values) = column(name);
        for (share, after_s) in [(0.02, two_percent_s), (0.05, five_percent_s)] {
            let settled = settled_s(&time_s, &values, &known, share).unwrap().expect("settles");
            assert_near(settled - 0.5, after_s, DIGITS);
        }
    }
}

/// 1/(s^2+s+1) on a grid of 0.1 ms, python-control 0.10.2: rise 1.6376 s, settled at 8.0764 s, overshoot
/// 16.303353 %. It takes the first sample beyond a level and so is late by up to one spacing at either end.
#[test]
fn answers_of_python_control() {
    let time_s: Vec<f64> = (0..200_000).map(|i| f64::from(i) * 1e-4).collect();
    let wd = 0.75_f64.sqrt();
    let unit = |t: f64| 1.0 - (-0.5 * t).exp() * ((wd * t).cos() + 0.5 / wd * (wd * t).sin());
    let values: Vec<f64> = time_s.iter().map(|t| unit(*t)).collect();
    let levels = StateLevels { low: 0.0, high: 1.0 };
    let at = |share: f64| crossing_s(&time_s, &values, share).unwrap().expect("a crossing");
    assert_near(at(0.9) - at(0.1), 1.6376, 1.0e-4);
    let settled = settled_s(&time_s, &values, &levels, 0.02).unwrap().expect("settles");
    assert_near(settled, 8.0764, 1.0e-4);
    assert_near(100.0 * levels.overshoot(&values), 16.303_353, DIGITS);
}

#[test]
fn what_has_no_levels_is_refused() {
    assert!(matches!(state_levels(&[], 100), Err(Unmeasured::TooFewSamples { .. })));
    assert!(matches!(state_levels(&[2.0; 50], 100), Err(Unmeasured::NoStep { .. })));
    assert!(matches!(state_levels(&[1.0, f64::NAN], 100), Err(Unmeasured::NotANumber { index: 1 })));
    assert!(matches!(state_levels(&[1.0, 2.0], 1), Err(Unmeasured::Impossible { .. })));
    assert_eq!(crossing_s(&[0.0, 1.0], &[0.0, 1.0], 3.0), Ok(None));
    assert!(matches!(crossing_s(&[0.0], &[0.0, 1.0], 0.5), Err(Unmeasured::Unpaired { .. })));
}
