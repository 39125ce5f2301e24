//! Simulated worlds: the same case is the same story to the bit, and what a campaign prints is what it ran.

use std::collections::BTreeSet;
use stepwell_tests::world::case::Case;
use stepwell_tests::world::{Story, folder, run};

fn story(case: &Case) -> Story {
    let folder = folder();
    run(case, &folder.path().join("runs.stepwell"))
}

#[test]
fn five_cases_replayed_from_what_was_printed_are_the_same_to_the_bit() {
    let mut fingerprints = BTreeSet::new();
    for seed in 101..106 {
        let drawn = Case::drawn(seed);
        let printed: Case = drawn.to_string().parse().expect("what is printed can be read");
        assert_eq!(printed, drawn);
        let mut first = story(&drawn);
        let fingerprint = first.fingerprint();
        assert_eq!(story(&printed).fingerprint(), fingerprint, "{drawn}");
        fingerprints.insert(fingerprint);
        // What was handed to the disk is part of the story.
        if let Some((_, sample)) = first.handed[0].samples.first_mut() {
            sample[0] ^= 1;
            assert_ne!(first.fingerprint(), fingerprint, "{drawn}");
            first.handed[0].samples[0].1[0] ^= 1;
        }
        if first.handed[0].entries.pop().is_some() {
            assert_ne!(first.fingerprint(), fingerprint, "{drawn}");
        }
    }
    assert_eq!(fingerprints.len(), 5, "five cases, five stories");
}

#[test]
fn a_case_that_is_none_is_told() {
    for text in
        ["", "short heron", "short heron x bad", "long heron 1 bad", "short raven 1 bad", "short heron 1 wet"]
    {
        assert!(text.parse::<Case>().is_err(), "{text}");
    }
}
