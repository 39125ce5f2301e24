//! What the tests write: a run with something of everything in it, the same each time.

use std::path::{Path, PathBuf};
use stepwell_procedure::finding::{BudgetLine, Finding, Value, Verdict};
use stepwell_procedure::quantity::Dimension;
use stepwell_procedure::record::{Burst, Ended, Entry, Event, EventKind, Outcome, Part, RunHead, StepDone};
use stepwell_procedure::sheet::Tolerance;
use stepwell_protocol::channel::{CHANNELS, Sample};
use stepwell_protocol::time::Tick;
use stepwell_store::Store;

/// A folder of its own for each test, and a path in it.
pub fn folder() -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("runs.stepwell");
    (folder, path)
}

/// A folder in memory where the system has one for that, for tests that write thousands of files.
pub fn memory_folder() -> tempfile::TempDir {
    tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir()).unwrap()
}

pub fn head(pump_id: &str) -> RunHead {
    RunHead {
        pump_id: pump_id.into(),
        procedure: "bleed-and-check".into(),
        pump_sheet: "Heron".into(),
        bench_sheet: "demo bench".into(),
        procedure_text: "name = \"bleed-and-check\"\n# Ω, µ, ½ and \"quotes\" stay as they are\r\n".into(),
        pump_sheet_text: "name = \"Heron\"\n".into(),
        bench_sheet_text: "name = \"demo bench\"\n".into(),
        board: "built-in 1".into(),
        firmware: "0.1.0".into(),
        simulated: true,
        program: "0.1.0".into(),
        started: "2026-03-14T09:26:53+01:00".into(),
        identity: None,
        simulation: Some("seed 7, no faults".into()),
    }
}

/// A line of a budget as the first programs kept it.
fn part(name: &str, standard_uncertainty: f64) -> BudgetLine {
    BudgetLine { name: name.into(), standard_uncertainty, degrees_of_freedom: None }
}

pub fn finding(id: &str, verdict: Verdict) -> Finding {
    Finding {
        id: id.into(),
        step: "electrical".into(),
        label: "Resistance of the inlet valve at 20 °C".into(),
        dimension: Dimension::Resistance,
        // Numbers without a short decimal form: they must come back bit for bit.
        value: Some(Value {
            estimate: 0.1 + 0.2,
            expanded_uncertainty: f64::from_bits(0x3f50_624d_d2f1_a9fd),
            coverage_factor: 2.0 / 3.0,
            degrees_of_freedom: None,
            budget: vec![part("converter", 1e-300), part("noise", f64::MIN_POSITIVE)],
        }),
        tolerance: Some(Tolerance { min: None, max: Some(2.4) }),
        conformity: None,
        verdict,
        notes: vec!["coil at 31 °C".into()],
        check_next: vec![],
    }
}

/// One entry of each kind, and one more of some.
pub fn entries() -> Vec<Entry> {
    let mut not_measured = finding("supply-draw", Verdict::NotMeasured);
    not_measured.value = None;
    not_measured.tolerance = None;
    vec![
        Entry::Event(Event::new(Tick(1_000), EventKind::Step, "electrical begins")),
        Entry::Burst(Burst {
            at: 1_200,
            channel: "inlet_current".into(),
            rate_hz: 20_000,
            counts: (0..400_u16).map(|n| n * 160 / (n + 1)).collect(),
        }),
        Entry::Finding(finding("inlet-resistance", Verdict::Pass)),
        Entry::Finding(not_measured),
        Entry::Step(StepDone {
            part: Part::Main,
            name: "electrical".into(),
            title: "Coils".into(),
            ticks: (1_000, 2_400),
        }),
        Entry::Event(Event::new(Tick(2_400), EventKind::Operator, "answered \"yes\"")),
    ]
}

pub fn outcome() -> Outcome {
    Outcome { ended: Ended::Gated { step: "electrical".into() }, verdict: Verdict::NotMeasured }
}

pub const LINK_STATISTICS: &str = r#"{"ticks_missing": 40, "round_trip": {"p50_us": 61}}"#;

/// Column `column` at `tick`: a ramp, with the low bits of a mixed-up tick for noise.
pub fn count(tick: u32, column: usize) -> u16 {
    let noise = tick.wrapping_mul(0x9e37_79b9).rotate_right(11 + column as u32) & 7;
    (tick / 10).wrapping_mul(column as u32 + 1).wrapping_add(noise) as u16
}

pub fn samples(first: u32, ticks: u32) -> Vec<Sample> {
    (0..ticks)
        .map(|offset| {
            let mut sample = [0; CHANNELS];
            for (column, word) in sample.iter_mut().enumerate() {
                *word = count(first.wrapping_add(offset), column);
            }
            sample
        })
        .collect()
}

pub const FIRST_TICK: u32 = u32::MAX - 999;
pub const FIRST_US: u64 = 4_294_966_296_123;
/// Missing after the first 1500 ticks.
pub const GAP_TICKS: u32 = 40;

/// Writes a sealed run with something of everything: 1500 ticks over the wrap of the tick counter, a gap
/// of 40, 700 more. Returns its number.
pub fn write_run(store: &mut Store, pump_id: &str) -> u64 {
    let mut writer = store.begin(&head(pump_id)).unwrap();
    let mut entries = entries().into_iter();
    writer.entry(&entries.next().unwrap());
    let mut tick = FIRST_TICK;
    let mut us = FIRST_US;
    for (ticks, gap) in [(600, 0), (900, GAP_TICKS), (700, 0)] {
        writer.samples_at(Tick(tick), us, &samples(tick, ticks));
        tick = tick.wrapping_add(ticks + gap);
        us += u64::from(ticks + gap) * 1_000;
        writer.commit().unwrap();
        writer.entry(&entries.next().unwrap());
    }
    for entry in entries {
        writer.entry(&entry);
    }
    writer.seal(&outcome(), LINK_STATISTICS).unwrap()
}

/// A closed store of `runs` sealed runs.
pub fn store_of(runs: u64, path: &Path) {
    let mut store = Store::open(path).unwrap();
    for number in 1..=runs {
        assert_eq!(write_run(&mut store, &format!("pump {number}")), number);
    }
}
