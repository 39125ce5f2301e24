//! Statistics of repeated runs against certified and published examples.

use crate::common::{Noise, Table, assert_close, assert_covers, assert_near};
use stepwell_analysis::Unmeasured;
use stepwell_analysis::repeats::{
    Anova, CrossedStudy, IndividualsChart, Rule, SAME_SIDE_MAX, Signal, capability, gauge_anova,
    gauge_ranges, one_way, repeatability,
};

fn anova_of(file: &str, groups: usize) -> Anova {
    let table = Table::read(file);
    let groups: Vec<Vec<f64>> =
        (1..=groups).map(|group| table.column_where("value", "group", &group.to_string())).collect();
    let groups: Vec<&[f64]> = groups.iter().map(Vec::as_slice).collect();
    one_way(&groups).expect("groups of numbers")
}

/// NIST StRD SiRstv (lower difficulty), certified to 15 digits. Decimal inputs near 196 with a spread of
/// 0.1 carry 14 digits in binary, 11 of which are left of a deviation; squares and sums leave 1e-10.
#[test]
fn nist_sirstv() {
    let anova = anova_of("nist_sirstv.csv", 5);
    assert_eq!((anova.between_freedom, anova.within_freedom), (4.0, 20.0));
    assert_close(anova.between_squares, 5.114_626_160_000_00e-2, 1e-10);
    assert_close(anova.within_squares, 2.166_365_600_000_00e-1, 1e-10);
    assert_close(anova.f(), 1.180_462_374_402_55, 1e-10);
    assert_close(anova.within_sd(), 1.040_760_683_346_56e-1, 1e-10);
    // scipy 1.17.1, f.sf(1.18046237440255, 4, 20).
    assert_close(anova.p(), 0.349_447_493_402_193, 1e-8);
}

/// NIST StRD AtmWtAg (average difficulty). Inputs near 107.87 that differ by 1e-5: binary rounds them by
/// up to 7e-15, 7e-10 of a deviation, and a difference of two means of 24 keeps nine to ten digits.
#[test]
fn nist_atmwtag() {
    let anova = anova_of("nist_atmwtag.csv", 2);
    assert_eq!((anova.between_freedom, anova.within_freedom), (1.0, 46.0));
    assert_close(anova.between_squares, 3.638_341_875_000_00e-9, 2e-9);
    assert_close(anova.within_squares, 1.049_517_291_666_67e-8, 2e-9);
    assert_close(anova.f(), 1.594_673_356_779_30e1, 2e-9);
    assert_close(anova.within_sd(), 1.510_483_144_464_10e-5, 1e-9);
}

/// Groups that differ by a known scatter: the variance between them is found on average, and zero, not a
/// negative number, where chance explains more than there is.
#[test]
fn groups_that_differ_are_told() {
    let mut noise = Noise::seeded(8);
    let groups: Vec<Vec<f64>> = (0..200)
        .map(|_| {
            let level = noise.normal(2.0);
            (0..4).map(|_| level + noise.normal(1.0)).collect()
        })
        .collect();
    let groups: Vec<&[f64]> = groups.iter().map(Vec::as_slice).collect();
    let anova = one_way(&groups).unwrap();
    // The standard deviation of 200 groups has a relative standard error of 1/sqrt(400).
    assert_close(anova.between_sd(4), 2.0, 4.0 / 400.0_f64.sqrt());
    assert_close(anova.within_sd(), 1.0, 4.0 / 1200.0_f64.sqrt());
    assert!(anova.p() < 1e-9);
    let equal = one_way(&[&[1.0, 3.0], &[2.0, 2.0]]).unwrap();
    assert_eq!((equal.between_sd(2), equal.p()), (0.0, 1.0));
}

/// e-Handbook of Statistical Methods, 6.3.2.2, flow rate of ten batches. Published: mean 50.81, mean
/// moving range 1.8778, limits 55.8041 and 45.8159, in control.
#[test]
fn individuals_chart_of_the_handbook() {
    let values = Table::read("nist_imr.csv").column("value");
    let chart = IndividualsChart::of(&values).unwrap();
    assert_near(chart.centre, 50.81, 1e-12);
    assert_near(chart.moving_range, 1.8778, 5e-5);
    assert_near(chart.upper, 55.8041, 5e-5);
    assert_near(chart.lower, 45.8159, 5e-5);
    // 3.267 times the mean range; not printed there.
    assert_near(chart.moving_range_upper, 6.1347, 5e-5);
    assert_eq!(chart.signals(&values), []);
}

/// A limit is exceeded strictly; the eighth value in a row on one side signals, and so does each one after
/// it; a value on the centre ends the row (e-Handbook 6.3.2).
#[test]
fn run_rules() {
    let chart = IndividualsChart::of(&[-1.128, 0.0, -1.128, 0.0]).unwrap();
    assert_eq!((chart.centre, chart.moving_range), (-0.564, 1.128));
    let found = |values: &[f64]| -> Vec<(usize, Rule)> {
        chart.signals(values).iter().map(|Signal { index, rule }| (*index, *rule)).collect()
    };
    assert_eq!(found(&[chart.upper]), []);
    assert_eq!(found(&[chart.lower]), []);
    assert_eq!(found(&[chart.upper.next_up()]), [(0, Rule::BeyondLimit)]);
    assert_eq!(found(&[chart.lower.next_down()]), [(0, Rule::BeyondLimit)]);
    assert_eq!(found(&[0.0; SAME_SIDE_MAX - 1]), []);
    assert_eq!(found(&[0.0; SAME_SIDE_MAX + 1]), [(7, Rule::SameSide), (8, Rule::SameSide)]);
    let mut broken = [0.0; SAME_SIDE_MAX + 1];
    broken[4] = chart.centre;
    assert_eq!(found(&broken), []);
    assert_eq!(found(&[-2.4, 1.3]), [(1, Rule::Jump)], "3.7 is more than 3.267 times 1.128");
}

/// e-Handbook 6.1.6: limits 8 and 20, mean 16, standard deviation 2. Published: Cp 1.0, Cpk 0.6667.
/// Intervals for 50 values from the chi-square distribution and Bissell's form, computed with scipy 1.17.1.
#[test]
fn capability_of_the_handbook() {
    let found = capability(16.0, 2.0, 50, Some(8.0), Some(20.0)).unwrap();
    let cp = found.cp.unwrap();
    assert_eq!(cp.value, 1.0);
    assert_near(cp.low, 0.802_482, 1e-6);
    assert_near(cp.high, 1.197_126, 1e-6);
    assert_close(found.cpk.value, 2.0 / 3.0, 1e-15);
    assert_near(found.cpk.low, 0.505_551, 1e-6);
    assert_near(found.cpk.high, 0.827_782, 1e-6);
    let other = capability(0.0, 1.0, 30, None, Some(3.99)).unwrap();
    assert_eq!(other.cp, None);
    assert_near(other.cpk.low, 0.967_528, 1e-6);
    assert_near(other.cpk.high, 1.692_472, 1e-6);
    assert!(capability(21.0, 2.0, 50, None, Some(20.0)).unwrap().cpk.value < 0.0, "outside");
    assert!(matches!(capability(0.0, 1.0, 30, None, None), Err(Unmeasured::NotGiven { .. })));
    assert!(matches!(capability(0.0, 0.0, 30, None, Some(1.0)), Err(Unmeasured::Impossible { .. })));
    assert!(matches!(capability(0.0, 1.0, 30, Some(2.0), Some(1.0)), Err(Unmeasured::Impossible { .. })));
    assert!(matches!(capability(0.0, 1.0, 1, None, Some(1.0)), Err(Unmeasured::TooFewSamples { .. })));
}

/// The interval of Cp is exact for normal values.
#[test]
fn coverage_of_cp() {
    let mut noise = Noise::seeded(4);
    let repeats = 2_000;
    let covered = (0..repeats)
        .filter(|_| {
            let values: Vec<f64> = (0..12).map(|_| noise.normal(1.0)).collect();
            let sd = stepwell_analysis::stats::standard_deviation(&values);
            let cp = capability(0.0, sd, 12, Some(-4.0), Some(4.0)).unwrap().cp.unwrap();
            (cp.low..=cp.high).contains(&(4.0 / 3.0))
        })
        .count();
    assert_covers("Cp", repeats, covered as u64);
}

/// The 90 readings in the order of a study: part by part, appraiser by appraiser.
fn msa_readings() -> Vec<f64> {
    let table = Table::read("msa_grr.csv");
    let mut values = Vec::new();
    for part in 1..=10 {
        for appraiser in ["A", "B", "C"] {
            let parts = table.column_where("part", "appraiser", appraiser);
            let readings = table.column_where("value", "appraiser", appraiser);
            let of_part = parts.iter().zip(readings).filter(|(p, _)| **p == f64::from(part));
            values.extend(of_part.map(|(_, value)| value));
        }
    }
    values
}

/// The worked example of the AIAG MSA reference manual (4th edition, III-B), average and range.
/// Published: EV 0.20188, AV 0.22963, GRR 0.30575, PV 1.10456, TV 1.14610; 17.62, 20.04, 26.68 and
/// 96.38 %; 5 categories. Recomputed from the 90 numbers without the sheet's intermediate rounding: 0.201857,
/// 0.229667, 0.305766, 1.104596, 1.146135.
#[test]
fn gauge_study_by_ranges() {
    let values = msa_readings();
    let study = CrossedStudy { values: &values, parts: 10, appraisers: 3, trials: 3 };
    let shares = gauge_ranges(&study).unwrap();
    for (found, recomputed, printed, percent) in [
        (shares.repeatability, 0.201_857, 0.201_88, 17.62),
        (shares.reproducibility, 0.229_667, 0.229_63, 20.04),
        (shares.gauge, 0.305_766, 0.305_75, 26.68),
        (shares.part, 1.104_596, 1.104_56, 96.38),
        (shares.total, 1.146_135, 1.146_10, 100.0),
    ] {
        assert_near(found, recomputed, 1e-6);
        // The sheet carries four digits of ranges and means from line to line: half of the last, 5e-5.
        assert_near(found, printed, 5e-5);
        assert_near(100.0 * found / shares.total, percent, 1e-2);
    }
    assert_eq!(shares.distinct_categories(), 5);
}

/// The same readings by analysis of variance, as a statistics package's manual prints them. Published:
/// interaction F 0.434, p 0.974, pooled; variances 0.03997, 0.05146, 0.09143, 1.08645, 1.17788; 4
/// categories. Sums of squares recomputed with numpy 2.4.6.
#[test]
fn gauge_study_by_analysis_of_variance() {
    let values = msa_readings();
    let study = CrossedStudy { values: &values, parts: 10, appraisers: 3, trials: 3 };
    let found = gauge_anova(&study).unwrap();
    for (found, squares) in found.squares.into_iter().zip([88.361_934, 3.167_262, 0.358_982, 2.758_933]) {
        assert_near(found, squares, 1e-6);
    }
    assert_eq!(found.freedom, [9.0, 2.0, 18.0, 60.0]);
    assert_near(found.interaction_f, 0.433_721, 1e-6);
    assert_near(found.interaction_p, 0.974_106, 1e-6);
    let shares = found.shares;
    for (sd, variance) in [
        (shares.repeatability, 0.039_97),
        (shares.reproducibility, 0.051_46),
        (shares.gauge, 0.091_43),
        (shares.part, 1.086_45),
        (shares.total, 1.177_88),
    ] {
        assert_near(sd.powi(2), variance, 5e-6);
    }
    assert_eq!(shares.distinct_categories(), 4);
}

/// An interaction that is there stays in the model: parts read 1 higher by the appraiser whose turn it is.
#[test]
fn a_real_interaction_is_not_pooled() {
    let mut noise = Noise::seeded(2);
    let values: Vec<f64> = (0..10)
        .flat_map(|part| (0..3).map(move |appraiser| (part, appraiser)))
        .flat_map(|(part, appraiser)| [f64::from(part) + f64::from(u8::from(part % 3 == appraiser)); 3])
        .map(|level| level + noise.normal(0.1))
        .collect();
    let study = CrossedStudy { values: &values, parts: 10, appraisers: 3, trials: 3 };
    let found = gauge_anova(&study).unwrap();
    assert!(found.interaction_p < 1e-6);
    // 60 degrees of freedom: a relative standard error of 1/sqrt(120).
    assert_close(found.shares.repeatability, 0.1, 4.0 / 120.0_f64.sqrt());
    assert!(found.shares.reproducibility > 0.4);
}

/// ISO 5725-2 pools variances by their degrees of freedom; by hand: squares 2, 0.5 and 0 over 2 + 1 + 1.
#[test]
fn repeatability_pools_groups() {
    let found = repeatability(&[&[1.0, 2.0, 3.0], &[5.0, 6.0], &[7.0], &[4.0, 4.0]]).unwrap();
    assert_eq!(found.degrees_of_freedom, 4.0);
    assert_close(found.standard_deviation, (2.5_f64 / 4.0).sqrt(), 1e-15);
    // ISO 5725-6 rounds the factor to 2.8.
    assert_near(found.limit() / found.standard_deviation, 2.8, 0.05);
    assert_eq!(repeatability(&[&[1.0], &[2.0]]), Err(Unmeasured::TooFewSamples { found: 0, needed: 1 }));
    assert_eq!(repeatability(&[&[1.0, f64::NAN]]), Err(Unmeasured::NotANumber { index: 1 }));
}

#[test]
fn unusable_repeats_are_refused() {
    assert!(matches!(one_way(&[]), Err(Unmeasured::TooFewSamples { .. })));
    assert!(matches!(one_way(&[&[1.0, 2.0]]), Err(Unmeasured::TooFewSamples { .. })));
    assert!(matches!(one_way(&[&[1.0], &[2.0]]), Err(Unmeasured::TooFewSamples { .. })));
    assert!(matches!(one_way(&[&[1.0, 2.0], &[]]), Err(Unmeasured::TooFewSamples { .. })));
    assert!(matches!(one_way(&[&[1.0, f64::INFINITY], &[2.0]]), Err(Unmeasured::NotANumber { index: 1 })));
    assert!(matches!(IndividualsChart::of(&[1.0]), Err(Unmeasured::TooFewSamples { .. })));
    assert!(matches!(IndividualsChart::of(&[1.0, f64::NAN]), Err(Unmeasured::NotANumber { .. })));
    let study = |values, parts, appraisers, trials| CrossedStudy { values, parts, appraisers, trials };
    for refused in [study(&[], 0, 0, 0), study(&[1.0; 4], 1, 2, 2)] {
        assert!(matches!(gauge_ranges(&refused), Err(Unmeasured::TooFewSamples { .. })));
        assert!(matches!(gauge_anova(&refused), Err(Unmeasured::TooFewSamples { .. })));
    }
    let unequal = study(&[1.0; 8], 2, 2, 3);
    assert!(matches!(gauge_ranges(&unequal), Err(Unmeasured::Unpaired { .. })));
    assert!(matches!(gauge_anova(&unequal), Err(Unmeasured::Unpaired { .. })));
    let no_number = study(&[f64::NAN; 8], 2, 2, 2);
    assert!(matches!(gauge_ranges(&no_number), Err(Unmeasured::NotANumber { .. })));
    assert!(matches!(gauge_anova(&no_number), Err(Unmeasured::NotANumber { .. })));
    let many = [1.0; 44];
    assert!(matches!(gauge_ranges(&study(&many, 11, 2, 2)), Err(Unmeasured::Impossible { .. })));
    // Readings without any scatter are no fault.
    assert_eq!(gauge_anova(&study(&many, 11, 2, 2)).unwrap().shares.total, 0.0);
}
