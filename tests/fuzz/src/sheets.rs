//! Pump sheets, bench sheets and procedures: any text.

use std::sync::LazyLock;
use stepwell_procedure::procedure::Procedure;
use stepwell_procedure::read::{self, Wrong};
use stepwell_procedure::sheet::{BenchSheet, PumpSheet};

const NAME: &str = "any.toml";

pub(crate) static HERON: LazyLock<PumpSheet> =
    LazyLock::new(|| sound(read::pump_sheet(NAME, include_str!("../../../host/library/pumps/heron.toml"))));
pub(crate) static DEMO: LazyLock<BenchSheet> =
    LazyLock::new(|| sound(read::bench_sheet(NAME, include_str!("../../../host/library/benches/demo.toml"))));
pub(crate) static ACCEPTANCE: LazyLock<Procedure> = LazyLock::new(|| {
    sound(read::procedure(NAME, include_str!("../../../host/library/procedures/acceptance.toml")))
});

fn sound<T>(read: Result<T, Wrong>) -> T {
    read.unwrap_or_else(|wrong| panic!("a shipped file is wrong: {wrong}"))
}

/// Reads as a sheet or names faults that stand in the text.
pub fn check(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    let text = text.as_ref();
    told(text, read::kind_of(NAME, text).err());
    let pump = read::pump_sheet(NAME, text);
    let bench = read::bench_sheet(NAME, text);
    let procedure = read::procedure(NAME, text);
    let read = [pump.is_ok(), bench.is_ok(), procedure.is_ok()];
    assert!(read.into_iter().filter(|ok| *ok).count() <= 1, "one text, two kinds of file: {read:?}");
    if read.contains(&true) {
        let pump = pump.as_ref().unwrap_or(&HERON);
        let bench = bench.as_ref().unwrap_or(&DEMO);
        let procedure = procedure.as_ref().unwrap_or(&ACCEPTANCE);
        for sentence in read::check_together(pump, bench, procedure) {
            assert!(!sentence.is_empty());
        }
    }
    told(text, pump.err());
    told(text, bench.err());
    told(text, procedure.err());
}

/// Every fault has its place in the text, in the file's order, and can be shown.
fn told(text: &str, wrong: Option<Wrong>) {
    let Some(wrong) = wrong else { return };
    assert!(!wrong.faults.is_empty(), "wrong, and nothing says why");
    let mut last = 0;
    for fault in &wrong.faults {
        assert!(fault.span.start >= last, "out of order: {fault:?}");
        last = fault.span.start;
        assert!(text.get(fault.span.clone()).is_some(), "not in the text: {fault:?}");
        let before = &text[..fault.span.start];
        let line = before.split('\n').count();
        let column = before.split('\n').next_back().unwrap_or_default().chars().count() + 1;
        assert_eq!((fault.line, fault.column), (line, column), "{fault:?}");
        assert!(!fault.message.is_empty(), "{fault:?}");
    }
    assert!(!wrong.render(80, false).is_empty());
    assert_eq!(wrong.to_string().lines().filter(|line| line.starts_with(NAME)).count(), wrong.faults.len());
}
