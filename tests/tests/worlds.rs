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

/// Cases that campaigns printed, each mended since: in the program, the core, or in what judges them.
#[test]
fn what_campaigns_found_stays_mended() {
    for text in [
        "short plover 1722 bad line-to-board-dead@work4922+11999*0.745",
        "short dunlin 3647 bad drive-starts-by-itself@12240+3600000*0.788",
        "acceptance dunlin 4080 bad high-supply-voltage@425+3642*0.918",
    ] {
        assert_eq!(story(&text.parse().expect("a case")).wrong, Vec::<String>::new(), "{text}");
    }
}
