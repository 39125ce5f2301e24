//! How long it takes to keep a second of a run, and to read a column back. Both against the machine's
//! own disk: a commit waits for it.

#![expect(clippy::unwrap_used, reason = "a measurement that meets an error is none")]

use stepwell_procedure::finding::Verdict;
use stepwell_procedure::record::{Ended, Outcome, RunHead};
use stepwell_protocol::channel::{CHANNELS, Channel, Sample};
use stepwell_protocol::time::Tick;
use stepwell_store::Store;

fn main() {
    divan::main();
}

const TICKS: u32 = 1_000;

fn head() -> RunHead {
    RunHead {
        pump_id: "bench".into(),
        procedure: String::new(),
        pump_sheet: String::new(),
        bench_sheet: String::new(),
        procedure_text: String::new(),
        pump_sheet_text: String::new(),
        bench_sheet_text: String::new(),
        board: String::new(),
        firmware: String::new(),
        simulated: true,
        program: String::new(),
        started: String::new(),
        identity: None,
        simulation: None,
    }
}

/// A second of slowly rising counts with three bits of noise.
fn second(number: u32) -> Vec<Sample> {
    (number * TICKS..(number + 1) * TICKS)
        .map(|tick| {
            let mut sample = [0; CHANNELS];
            for (column, word) in sample.iter_mut().enumerate() {
                let noise = tick.wrapping_mul(0x9e37_79b9).rotate_right(11 + column as u32) & 7;
                *word = (tick / 8 + noise) as u16;
            }
            sample
        })
        .collect()
}

/// One second of all columns, committed.
#[divan::bench]
fn append_one_second(bencher: divan::Bencher<'_, '_>) {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open(&folder.path().join("runs.stepwell")).unwrap();
    let mut writer = store.begin(&head()).unwrap();
    let mut number = 0;
    bencher.bench_local(|| {
        writer.samples(Tick(number * TICKS), &second(number));
        writer.commit().unwrap();
        number += 1;
    });
}

/// A store with one run of six minutes, and the folder it lives in.
fn six_minutes() -> (tempfile::TempDir, Store) {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open(&folder.path().join("runs.stepwell")).unwrap();
    let mut writer = store.begin(&head()).unwrap();
    for number in 0..360 {
        writer.samples(Tick(number * TICKS), &second(number));
    }
    writer.seal(&Outcome { ended: Ended::Completed, verdict: Verdict::Pass }, "{}").unwrap();
    (folder, store)
}

/// One column of six minutes.
#[divan::bench]
fn read_a_column_of_six_minutes(bencher: divan::Bencher<'_, '_>) {
    let (_folder, store) = six_minutes();
    bencher.bench_local(|| store.samples(1, Channel::RailPressure).unwrap());
}

/// The whole chain of six minutes, and the file's structure.
#[divan::bench]
fn verify_six_minutes(bencher: divan::Bencher<'_, '_>) {
    let (_folder, store) = six_minutes();
    bencher.bench_local(|| store.verify(1).unwrap());
}

/// A list of one run: what a longer list costs per run.
#[divan::bench]
fn list_the_runs(bencher: divan::Bencher<'_, '_>) {
    let (_folder, store) = six_minutes();
    bencher.bench_local(|| store.runs().unwrap());
}
