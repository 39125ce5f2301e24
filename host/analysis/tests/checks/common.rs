//! Reading of reference tables, seeded noise, and what a coverage count may be.

use rand_chacha::ChaCha8Rng;
use rand_core::{Rng, SeedableRng};
use statrs::distribution::{Binomial, ContinuousCDF, DiscreteCDF, Normal};

/// A comma-separated table with a header line; `#` starts a comment line.
pub struct Table {
    header: Vec<String>,
    rows: Vec<Vec<String>>,
}

impl Table {
    /// Reads `tests/data/analysis/<name>`.
    pub fn read(name: &str) -> Table {
        let path = format!("{}/../../tests/data/analysis/{name}", env!("CARGO_MANIFEST_DIR"));
        let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("reading {path}: {e}"));
        let mut lines = text
            .lines()
            .filter(|l| !l.starts_with('#') && !l.is_empty())
            .map(|l| l.split(',').map(str::to_owned).collect::<Vec<_>>());
        Table { header: lines.next().expect("a header line"), rows: lines.collect() }
    }

    /// A column of numbers; cells that are empty or no number are left out.
    pub fn column(&self, name: &str) -> Vec<f64> {
        self.rows.iter().filter_map(|row| row[self.place(name)].parse().ok()).collect()
    }

    /// A column of numbers from the rows whose `key` column reads `value`.
    pub fn column_where(&self, name: &str, key: &str, value: &str) -> Vec<f64> {
        let (place, key) = (self.place(name), self.place(key));
        self.rows
            .iter()
            .filter(|row| row[key] == value)
            .map(|row| row[place].parse().expect("a number"))
            .collect()
    }

    fn place(&self, name: &str) -> usize {
        self.header.iter().position(|h| h == name).unwrap_or_else(|| panic!("no column {name}"))
    }
}

/// Seeded random numbers.
pub struct Noise(ChaCha8Rng);

impl Noise {
    pub fn seeded(seed: u64) -> Noise {
        Noise(ChaCha8Rng::seed_from_u64(seed))
    }

    /// Evenly over 0 to 1, ends excluded.
    pub fn uniform(&mut self) -> f64 {
        ((self.0.next_u64() >> 12) as f64 + 0.5) / (1u64 << 52) as f64
    }

    /// Normal with mean 0.
    pub fn normal(&mut self, sd: f64) -> f64 {
        sd * Normal::standard().inverse_cdf(self.uniform())
    }

    /// A first-order process with standard deviation `sd` and lag-1 correlation `r`.
    pub fn correlated(&mut self, n: usize, sd: f64, r: f64) -> Vec<f64> {
        let mut last = self.normal(sd);
        (0..n)
            .map(|_| {
                let now = last;
                last = r * last + (1.0 - r * r).sqrt() * self.normal(sd);
                now
            })
            .collect()
    }
}

/// Counts how often an interval covers the truth and holds the count to the binomial
/// distribution: outside its 0.0005 to 0.9995 quantiles a sound 95 % interval falls once in a
/// thousand seeds.
pub fn assert_covers(what: &str, repeats: u64, covered: u64) {
    let (least, most) =
        (covered_at_least(repeats, 0.95), Binomial::new(0.95, repeats).expect("a probability"));
    let most = most.inverse_cdf(0.9995);
    assert!(
        (least..=most).contains(&covered),
        "{what}: {covered} of {repeats} intervals cover the truth, {least} to {most} expected"
    );
}

/// As [`assert_covers`], for an interval that is wide on purpose: only the lower bound holds.
pub fn assert_covers_at_least(what: &str, repeats: u64, covered: u64) {
    let least = covered_at_least(repeats, 0.95);
    assert!(
        covered >= least,
        "{what}: {covered} of {repeats} intervals cover the truth, at least {least} expected"
    );
}

fn covered_at_least(repeats: u64, probability: f64) -> u64 {
    Binomial::new(probability, repeats).expect("a probability").inverse_cdf(0.0005)
}

/// Agreement relative to the expected value.
#[track_caller]
pub fn assert_close(found: f64, expected: f64, relative: f64) {
    assert!(
        (found - expected).abs() <= relative * expected.abs(),
        "found {found}, expected {expected} to {relative:e}"
    );
}

/// Agreement in absolute terms.
#[track_caller]
pub fn assert_near(found: f64, expected: f64, absolute: f64) {
    assert!((found - expected).abs() <= absolute, "found {found}, expected {expected} to {absolute:e}");
}
