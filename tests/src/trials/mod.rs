//! Trials of the measurement library: simulated recordings whose truth is known, in numbers large
//! enough to see whether stated intervals hold it as often as they say, whether estimates scatter no
//! more than theory allows, and whether stated uncertainties are those that a Monte Carlo finds.
//!
//! One file a kind. The recordings are made with closed forms or integrations of their own, never with
//! the functions under trial; errors of instruments are drawn from the very distributions that the
//! estimator is told of, the truth is held against what comes back.

pub mod air;
pub mod coil;
pub mod decisions;
pub mod flow;
pub mod leak_down;
pub mod noise;
pub mod parallel;
pub mod runs;
pub mod step;
pub mod sweep;
pub mod tables;

pub use noise::Noise;
pub use parallel::over_seeds;
use stepwell_analysis::{Measured, Unmeasured};

/// What one recording gave for one finding.
#[derive(Clone, Debug)]
pub struct Case {
    /// Id of the finding.
    pub finding: &'static str,
    /// What is really so, in the SI unit of the finding.
    pub truth: f64,
    /// What was measured.
    pub measured: Result<Measured, Unmeasured>,
}

/// One recording in white noise, and the estimate from it.
pub type Estimate = Box<dyn Fn(&mut Noise) -> Result<f64, Unmeasured>>;

/// How far an estimate may scatter at best.
#[expect(missing_debug_implementations, reason = "a closure has no form to print")]
pub struct Bound {
    /// Id of the finding.
    pub finding: &'static str,
    /// The working point, in a few words.
    pub point: &'static str,
    /// What is really so.
    pub truth: f64,
    /// Smallest standard deviation that any unbiased estimate can have (Cramér and Rao), from the
    /// information matrix of the recording.
    pub bound_sd: f64,
    /// One recording in white noise, and the estimate from it.
    pub estimate: Estimate,
}

/// One kind of recording.
#[derive(Clone, Copy, Debug)]
pub struct Kind {
    /// Its name, as the command line has it.
    pub name: &'static str,
    /// One recording somewhere in the working range, every finding of it.
    pub anywhere: fn(&mut Noise) -> Vec<Case>,
    /// One recording at a fixed working point: noise and errors of instruments are all that differs
    /// between two calls, so that the scatter of value less truth is the standard uncertainty
    /// (JCGM 101, the model being the whole way from sensor to finding).
    pub here: fn(&mut Noise) -> Vec<Case>,
    /// Findings with a bound on their scatter.
    pub bounds: fn() -> Vec<Bound>,
}

/// Of `recordings` anywhere in the working range, at least `least` of those measured hold the truth, for each
/// finding, scaled to how many were measured; and at least nine in ten were.
#[cfg(test)]
fn assert_covers_enough(kind: &Kind, recordings: u64, least: u64) {
    let mut counts = std::collections::BTreeMap::<&str, (u64, u64, u64)>::new();
    for seed in 0..recordings {
        for case in (kind.anywhere)(&mut Noise::new(seed)) {
            let count = counts.entry(case.finding).or_default();
            count.0 += 1;
            if let Ok(found) = &case.measured {
                count.1 += 1;
                count.2 += u64::from((found.value - case.truth).abs() <= found.expanded_uncertainty());
            }
        }
    }
    for (finding, (all, measured, covered)) in counts {
        assert!(10 * measured >= 9 * all, "{finding}: only {measured} of {all} measured");
        assert!(
            covered * recordings >= least * measured,
            "{finding}: {covered} of {measured} hold the truth"
        );
    }
}

/// Findings whose truth is one point with a probability of its own, such as no overshoot at all. Whoever finds
/// that evidence speaks for the point says so, and is right: nothing is gained by denying it in one recording
/// of twenty, as an interval with a coverage of exactly 95 % would have to. Of these it is asked that they are
/// held often enough, not that they are held no oftener.
pub const POINTS: &[&str] = &[step::NO_OVERSHOOT];

/// Every kind that is put on trial.
pub const KINDS: &[Kind] = &[coil::KIND, step::KIND, air::KIND, leak_down::KIND, sweep::KIND, flow::KIND];
