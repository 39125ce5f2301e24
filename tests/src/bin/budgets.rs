//! budgets
use stepwell_tests::{emulated, operator::Operator, run_on, shipped::Scenario};
fn main() {
    let scenario = Scenario::healthy("acceptance", "heron", 7);
    let mut bench = emulated::bench(&scenario, None);
    let report = run_on(&mut bench, |traced| traced, scenario.plan(), Operator::willing());
    let h = bench.bench().instructions();
    println!(
        "{:?} ticks {} min {} median {} p99 {} max {}",
        report.outcome.verdict,
        h.len(),
        h.min(),
        h.value_at_quantile(0.5),
        h.value_at_quantile(0.99),
        h.max()
    );
}
