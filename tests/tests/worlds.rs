//! Simulated worlds: the same case is the same story to the bit, and what a campaign prints is what it ran.

use std::collections::BTreeSet;
use stepwell_store::RunState::{Interrupted, Sealed};
use stepwell_store::Store;
use stepwell_tests::world::played::case::Case;
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

/// What a killed program leaves is what the next one, and whoever reads, begins with.
#[test]
fn a_killed_program_leaves_its_journal_and_its_lock_and_the_next_one_meets_them() {
    let beside = |mishap: &str| {
        let case: Case = format!("short heron 1 good {mishap}@work2500+60000*1").parse().expect("a case");
        let folder = folder();
        let path = folder.path().join("runs.stepwell");
        let story = run(&case, &path);
        assert_eq!(story.wrong, Vec::<String>::new());
        let bytes = |what: &str| {
            folder.path().join(format!("runs.stepwell{what}")).metadata().ok().map(|file| file.len())
        };
        let journal = bytes("-wal").is_some_and(|bytes| bytes > 0);
        let left = (journal, ["-run-1", "-run-2"].map(|lock| bytes(lock).is_some()));
        let runs = Store::open_to_read(&path).and_then(|store| store.runs()).expect("runs can be read");
        (left, runs.iter().map(|run| run.state).collect::<Vec<_>>())
    };
    assert_eq!(beside("host-killed"), ((true, [true, false]), vec![Interrupted]));
    assert_eq!(beside("host-restarted"), ((false, [false; 2]), vec![Interrupted, Sealed]));
}

/// Cases that campaigns printed, each mended since: in the program, the core, or in what judges them.
#[test]
fn what_campaigns_found_stays_mended() {
    for text in [
        "short plover 1722 bad line-to-board-dead@work4922+11999*0.745",
        "short plover 7 bad rail-leak@work2569+3600000*0.201",
        "short dunlin 78 bad line-flips@work8690+106*0.117",
        "short dunlin 3647 bad drive-starts-by-itself@12240+3600000*0.788",
        "acceptance dunlin 4080 bad high-supply-voltage@425+3642*0.918",
        "short heron 12331 bad drive-starts-by-itself@655+3600000*0.887",
        "short dunlin 853 bad host-restarted@work7185+891*0.512",
        "short dunlin 15950 bad hot-fluid@10253+3600000*0.892",
        "short heron 18029 bad host-mad@work0+60000*0.158",
        "short heron 11917 bad host-mad@8732+60000*0.477",
        "short dunlin 4933 bad board-reset@684+3600000*0.296",
        "short heron 84466 bad host-clock-jumps@work4+91*0.166",
    ] {
        assert_eq!(story(&text.parse().expect("a case")).wrong, Vec::<String>::new(), "{text}");
    }
}
