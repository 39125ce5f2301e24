//! What is written comes back, to the bit.

use crate::sample::*;
use stepwell_procedure::finding::Verdict;
use stepwell_procedure::record::Entry;
use stepwell_procedure::round::{Round, Span};
use stepwell_protocol::channel::Channel;
use stepwell_protocol::dwell::DwellEnd;
use stepwell_protocol::time::Tick;
use stepwell_store::{Gap, RunState, Store, StoreError, StoredRun};

/// What [`write_run`] writes, checked against what is read.
pub fn expect_run(store: &Store, number: u64, pump_id: &str) {
    let expected = StoredRun {
        number,
        head: head(pump_id),
        state: RunState::Sealed,
        outcome: outcome(),
        steps: entries()
            .into_iter()
            .filter_map(|e| if let Entry::Step(s) = e { Some(s) } else { None })
            .collect(),
        events: entries()
            .into_iter()
            .filter_map(|e| if let Entry::Event(s) = e { Some(s) } else { None })
            .collect(),
        findings: entries()
            .into_iter()
            .filter_map(|e| if let Entry::Finding(s) = e { Some(s) } else { None })
            .collect(),
        bursts: entries()
            .into_iter()
            .filter_map(|e| if let Entry::Burst(s) = e { Some(s) } else { None })
            .collect(),
        rounds: entries()
            .into_iter()
            .filter_map(|e| if let Entry::Round(s) = e { Some(s) } else { None })
            .collect(),
        link_statistics: Some(LINK_STATISTICS.into()),
    };
    assert_eq!(store.run(number).unwrap(), expected);
    for channel in Channel::ALL {
        let column = store.samples(number, channel).unwrap();
        assert_eq!(column.channel, channel);
        let [before, after] = &column.pieces[..] else { panic!("{} pieces", column.pieces.len()) };
        assert_eq!((before.first, before.first_us), (Tick(FIRST_TICK), Some(FIRST_US)));
        assert_eq!((before.counts.len(), after.counts.len()), (1_500, 700));
        assert_eq!(after.first_us, Some(FIRST_US + 1_540_000));
        assert_eq!(column.gaps().collect::<Vec<_>>(), [Gap { first: before.end(), ticks: GAP_TICKS }]);
        for piece in &column.pieces {
            for (offset, &counts) in piece.counts.iter().enumerate() {
                assert_eq!(counts, count(piece.first.plus_ms(offset as u32).0, channel.index()));
            }
        }
    }
}

#[test]
fn everything_comes_back() {
    let (_folder, path) = folder();
    store_of(2, &path);
    let store = Store::open_to_read(&path).unwrap();
    expect_run(&store, 1, "pump 1");
    expect_run(&store, 2, "pump 2");
    let runs = store.runs().unwrap();
    assert_eq!(runs.len(), 2);
    for (run, number) in runs.iter().zip(1..) {
        assert_eq!(run.number, number);
        assert_eq!(run.head, head(&format!("pump {number}")));
        assert_eq!((run.state, &run.outcome), (RunState::Sealed, &outcome()));
        // 1500 ticks, 40 missing, 700 more: the last comes 2239 ms after the first.
        assert_eq!((run.duration_s, run.ticks), (Some(2.239), 2_200));
    }
}

#[test]
fn a_verified_run_has_one_digest_whoever_asks() {
    let (_folder, path) = folder();
    store_of(2, &path);
    let store = Store::open_to_read(&path).unwrap();
    let verified = store.verify(1).unwrap();
    // Head, six entries, seal; the pieces of 600, 900 and 700 ticks in 14 columns.
    assert_eq!((verified.number, verified.records, verified.sealed), (1, 1 + 6 + 3 * 14 + 1, true));
    assert_eq!(verified.digest.len(), 64);
    assert_eq!(store.verify(1).unwrap(), verified);
    assert_ne!(store.verify(2).unwrap().digest, verified.digest);
}

#[test]
fn a_run_that_is_not_there_is_said_to_be_missing() {
    let (_folder, path) = folder();
    store_of(2, &path);
    let store = Store::open_to_read(&path).unwrap();
    let errors = [
        store.run(3).unwrap_err(),
        store.verify(3).unwrap_err(),
        store.samples(3, Channel::Status).unwrap_err(),
        store.verify(u64::MAX).unwrap_err(),
    ];
    for error in errors {
        assert!(matches!(error, StoreError::NoSuchRun { .. }), "{error}");
        assert!(error.to_string().contains("runs 1 to 2 are stored"), "{error}");
    }
}

#[test]
fn an_empty_run_and_one_without_the_boards_clock_are_runs_too() {
    let (_folder, path) = folder();
    let mut store = Store::open(&path).unwrap();
    assert!(store.runs().unwrap().is_empty());
    store.begin(&head("a")).unwrap().seal(&outcome(), "null").unwrap();
    let mut writer = store.begin(&head("b")).unwrap();
    writer.samples(Tick(7), &samples(7, 3));
    writer.samples(Tick(10), &[]);
    writer.samples(Tick(10), &samples(10, 2));
    writer.seal(&outcome(), "{}").unwrap();
    let runs = store.runs().unwrap();
    assert_eq!((runs[0].duration_s, runs[0].ticks), (None, 0));
    assert_eq!((runs[1].duration_s, runs[1].ticks), (Some(0.004), 5));
    assert!(store.samples(1, Channel::Status).unwrap().pieces.is_empty());
    let column = store.samples(2, Channel::RailPressure).unwrap();
    assert_eq!((column.pieces.len(), column.samples(), column.pieces[0].first_us), (1, 5, None));
    store.verify(1).unwrap();
    store.verify(2).unwrap();
}

/// A fast bench may deliver minutes between two commits.
#[test]
fn a_long_stretch_in_one_commit_is_cut_into_chunks_and_joined_again() {
    let (_folder, path) = folder();
    let mut store = Store::open(&path).unwrap();
    let mut writer = store.begin(&head("a")).unwrap();
    writer.samples_at(Tick(0), 500, &samples(0, 5_000));
    writer.seal(&outcome(), "{}").unwrap();
    let column = store.samples(1, Channel::FlowEdge).unwrap();
    let [piece] = &column.pieces[..] else { panic!("{} pieces", column.pieces.len()) };
    assert!((0..5_000).map(|tick| count(tick, Channel::FlowEdge.index())).eq(piece.counts.iter().copied()));
    // Five chunks per column, a head and a seal.
    assert_eq!(store.verify(1).unwrap().records, 5 * 14 + 2);
}

#[test]
fn ticks_that_come_again_are_kept_as_they_came() {
    let (_folder, path) = folder();
    let mut store = Store::open(&path).unwrap();
    let mut writer = store.begin(&head("a")).unwrap();
    writer.samples(Tick(100), &samples(100, 10));
    writer.samples(Tick(105), &samples(105, 10));
    writer.seal(&outcome(), "{}").unwrap();
    let column = store.samples(1, Channel::Status).unwrap();
    assert_eq!(column.pieces.iter().map(|piece| piece.first.0).collect::<Vec<_>>(), [100, 105]);
    assert_eq!(column.gaps().count(), 0);
}

/// JSON has no word for it, so it would come back as something else.
#[test]
fn a_number_that_is_not_finite_is_refused_and_the_rest_is_kept() {
    let (_folder, path) = folder();
    let mut store = Store::open(&path).unwrap();
    let mut writer = store.begin(&head("a")).unwrap();
    let mut bad = finding("bad", Verdict::Pass);
    bad.value.as_mut().unwrap().estimate = f64::NAN;
    writer.entry(&Entry::Finding(finding("good", Verdict::Pass)));
    writer.entry(&Entry::Finding(bad));
    writer.entry(&Entry::Finding(finding("good too", Verdict::Fail)));
    let error = writer.commit().unwrap_err().to_string();
    assert!(error.contains("finding \"bad\"") && error.contains("not finite"), "{error}");
    writer.seal(&outcome(), "{}").unwrap_err();
    let run = store.run(1).unwrap();
    assert_eq!(run.findings.iter().map(|f| f.id.as_str()).collect::<Vec<_>>(), ["good", "good too"]);
    assert_eq!((run.state, run.outcome.verdict), (RunState::Interrupted, Verdict::Fail));
}

#[test]
fn statistics_that_are_not_json_are_refused() {
    let (_folder, path) = folder();
    let mut store = Store::open(&path).unwrap();
    let error = store.begin(&head("a")).unwrap().seal(&outcome(), "{").unwrap_err();
    assert!(matches!(error, StoreError::Unwritable { .. }), "{error}");
}

#[test]
fn what_a_step_concluded_from_comes_back_with_its_samples() {
    let (_folder, path) = folder();
    let mut store = Store::open(&path).unwrap();
    let round = Round {
        step: "electrical".into(),
        zero: (Tick(100), Tick(1_100)),
        spans: vec![Span {
            label: "inlet coil".into(),
            from: Tick(1_200),
            to: Tick(1_210),
            end: DwellEnd::Complete,
        }],
    };
    let mut writer = store.begin(&head("rounds")).unwrap();
    writer.samples_at(Tick(1_195), 1_195_000, &samples(1_195, 10));
    writer.samples_at(Tick(1_205), 1_205_000, &samples(1_205, 10));
    writer.entry(&Entry::Round(round.clone()));
    writer.seal(&outcome(), "{}").unwrap();
    assert_eq!(store.run(1).unwrap().rounds, std::slice::from_ref(&round));
    let recording = store.recording(1).unwrap();
    let evidence = round.evidence(&recording, &[]);
    assert_eq!(evidence.stretches.len(), 1);
    assert_eq!(evidence.stretches[0].window.samples, samples(1_200, 10));
    assert_eq!(evidence.stretches[0].window.from_us, 1_200_000);
}
