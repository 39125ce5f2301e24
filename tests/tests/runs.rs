//! End-to-end trials, in small: a run of each pump, every finding of which must have a rule that says what
//! is really so. How often intervals hold it, the measurements tell (`src/bin/measurements.rs`).

use stepwell_tests::trials::{over_seeds, runs};

#[test]
fn every_finding_of_a_run_can_be_compared_with_what_is_really_so() {
    let cases = over_seeds(8..11, runs::cases);
    let pumps: Vec<&str> = cases.iter().map(|of_one| of_one[0].pump).collect();
    assert_eq!(pumps, ["plover", "dunlin", "heron"]);
    for case in cases.iter().flatten() {
        if let Ok(found) = &case.found {
            assert!(found.truth.is_finite(), "{}: {found:?}", case.finding);
        }
    }
    let again = over_seeds(10..11, runs::cases);
    assert_eq!(format!("{:?}", again[0]), format!("{:?}", cases[2]), "a seed is a run");
}
