//! The same work over many seeds, on all processors at once, with results that do not depend on how
//! many those are.

use std::ops::Range;
use std::sync::atomic::{AtomicU64, Ordering};

/// What `work` gives for each seed, in the order of the seeds.
///
/// # Panics
/// When the work panics.
#[must_use]
pub fn over_seeds<T: Send>(seeds: Range<u64>, work: impl Fn(u64) -> T + Sync) -> Vec<T> {
    let processors = std::thread::available_parallelism().map_or(1, usize::from);
    let next = AtomicU64::new(seeds.start);
    let share = || {
        let mut done = Vec::new();
        loop {
            let seed = next.fetch_add(1, Ordering::Relaxed);
            if seed >= seeds.end {
                return done;
            }
            done.push((seed, work(seed)));
        }
    };
    let mut all: Vec<(u64, T)> = std::thread::scope(|scope| {
        let threads: Vec<_> = (0..processors).map(|_| scope.spawn(share)).collect();
        threads.into_iter().flat_map(|thread| thread.join().expect("the work does not panic")).collect()
    });
    all.sort_by_key(|(seed, _)| *seed);
    all.into_iter().map(|(_, result)| result).collect()
}
