//! Values with uncertainty: contributions, their combination and the expanded uncertainty.
//!
//! The rules are those of JCGM 100:2008 (the GUM): contributions are added in quadrature
//! (5.1.2, eq. 10), effective degrees of freedom follow Welch and Satterthwaite (G.4.1, eq. G.2b),
//! and the expanded uncertainty is Student's t times the combined one (G.3.2). Inputs are taken
//! as independent; where two results share an input, the function that knows it says so.

use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

/// Coverage probability of every expanded uncertainty this project states.
pub const COVERAGE_PROBABILITY: f64 = 0.95;

/// Above this many degrees of freedom Student's t is expanded about the normal quantile; the
/// library's inverse of the incomplete beta function loses digits there (5e-6 at 1e5).
const DEGREES_OF_FREEDOM_MANY: f64 = 1.0e3;

/// One source of uncertainty of a result.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Contribution {
    /// What it comes from, in a few words for a budget table.
    pub name: &'static str,
    /// Standard uncertainty in the unit of the result: the sensitivity times the input's own
    /// standard uncertainty. Never negative.
    pub standard_uncertainty: f64,
    /// Degrees of freedom; infinite for a quantity that was given and not found from scatter (type B).
    pub degrees_of_freedom: f64,
}

/// A quantity that is given with its standard uncertainty: a calibration, a sheet entry (type B).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Input {
    /// Best estimate, in the SI unit its user names.
    pub value: f64,
    /// Standard uncertainty in the same unit, not negative.
    pub standard_uncertainty: f64,
}

impl Input {
    /// A value and its standard uncertainty, in the same unit.
    #[must_use]
    pub const fn new(value: f64, standard_uncertainty: f64) -> Input {
        Input { value, standard_uncertainty }
    }

    /// A value taken as exact.
    #[must_use]
    pub const fn exact(value: f64) -> Input {
        Input { value, standard_uncertainty: 0.0 }
    }

    /// A value known only to lie within `half_width` of its estimate: u = a/sqrt 3 (JCGM 100, 4.3.7).
    #[must_use]
    pub fn rectangular(value: f64, half_width: f64) -> Input {
        Input { value, standard_uncertainty: half_width.abs() / 3.0_f64.sqrt() }
    }

    /// A value with a relative standard uncertainty (0.01 is 1 % of the value).
    #[must_use]
    pub fn relative(value: f64, relative_standard_uncertainty: f64) -> Input {
        Input { value, standard_uncertainty: (value * relative_standard_uncertainty).abs() }
    }

    /// Standard uncertainty over the size of the value.
    pub(crate) fn relative_uncertainty(self) -> f64 {
        self.standard_uncertainty / self.value.abs()
    }
}

/// A measured value with the budget of its uncertainty, in one SI unit throughout.
#[derive(Clone, Debug, PartialEq)]
pub struct Measured {
    /// Best estimate.
    pub value: f64,
    /// Where its uncertainty comes from. Inputs that are exact do not appear.
    pub contributions: Vec<Contribution>,
}

impl Measured {
    /// A value with no contribution yet.
    #[must_use]
    pub const fn new(value: f64) -> Measured {
        Measured { value, contributions: Vec::new() }
    }

    /// The same value with a contribution found from scatter (type A). `standard_uncertainty` is
    /// in the unit of the value, its sign is dropped; zero adds nothing.
    #[must_use]
    pub fn with_scatter(
        mut self,
        name: &'static str,
        standard_uncertainty: f64,
        degrees_of_freedom: f64,
    ) -> Measured {
        if standard_uncertainty != 0.0 {
            let standard_uncertainty = standard_uncertainty.abs();
            self.contributions.push(Contribution { name, standard_uncertainty, degrees_of_freedom });
        }
        self
    }

    /// The same value with a contribution that was given (type B): `sensitivity` is the derivative
    /// of the value with respect to the input whose standard uncertainty follows.
    #[must_use]
    pub fn with_given(self, name: &'static str, sensitivity: f64, standard_uncertainty: f64) -> Measured {
        self.with_scatter(name, sensitivity * standard_uncertainty, f64::INFINITY)
    }

    /// The value times an exact factor.
    #[must_use]
    pub fn scaled(&self, factor: f64) -> Measured {
        self.mapped(self.value * factor, factor)
    }

    /// The quotient of two independent measured values, `self / divisor`.
    ///
    /// # Panics
    /// If the divisor's value is zero: a division by nothing has no estimate to report.
    #[must_use]
    pub fn over(&self, divisor: &Measured) -> Measured {
        assert!(divisor.value != 0.0, "a measured value cannot be divided by one that is zero");
        let quotient = self.value / divisor.value;
        let mut result = self.mapped(quotient, 1.0 / divisor.value);
        result.contributions.extend(divisor.mapped(0.0, quotient / divisor.value).contributions);
        result
    }

    /// Another value that depends on this one with the given sensitivity (derivative).
    pub(crate) fn mapped(&self, value: f64, sensitivity: f64) -> Measured {
        let contributions = self
            .contributions
            .iter()
            .map(|c| Contribution {
                standard_uncertainty: (c.standard_uncertainty * sensitivity).abs(),
                ..*c
            })
            .collect();
        Measured { value, contributions }
    }

    /// Combined standard uncertainty: the root of the sum of squares (JCGM 100, 5.1.2).
    #[must_use]
    pub fn standard_uncertainty(&self) -> f64 {
        self.contributions.iter().fold(0.0_f64, |u, c| u.hypot(c.standard_uncertainty))
    }

    /// Effective degrees of freedom by Welch and Satterthwaite (JCGM 100, G.4.1); infinite when
    /// nothing was found from scatter. Not rounded down: G.4.1 note 1 allows interpolation.
    #[must_use]
    pub fn degrees_of_freedom(&self) -> f64 {
        let combined = self.standard_uncertainty();
        if combined == 0.0 {
            return f64::INFINITY;
        }
        // Shares of the combined uncertainty, not fourth powers of SI numbers: a flow of 1e-9 m3/s
        // to the fourth power leaves nothing of its digits.
        let inverse: f64 = self
            .contributions
            .iter()
            .map(|c| (c.standard_uncertainty / combined).powi(4) / c.degrees_of_freedom)
            .sum();
        1.0 / inverse
    }

    /// The factor from standard to expanded uncertainty for a two-sided coverage `probability`
    /// (0 to 1, ends excluded): Student's t for the effective degrees of freedom.
    ///
    /// # Panics
    /// If `probability` is not inside 0 to 1.
    #[must_use]
    pub fn coverage_factor(&self, probability: f64) -> f64 {
        student_t(probability, self.degrees_of_freedom())
    }

    /// Expanded uncertainty for [`COVERAGE_PROBABILITY`], in the unit of the value.
    #[must_use]
    pub fn expanded_uncertainty(&self) -> f64 {
        self.coverage_factor(COVERAGE_PROBABILITY) * self.standard_uncertainty()
    }
}

/// Two-sided quantile of Student's t: the value t with P(|T| <= t) = `probability`.
fn student_t(probability: f64, degrees_of_freedom: f64) -> f64 {
    assert!(
        probability > 0.0 && probability < 1.0,
        "a coverage probability lies between 0 and 1, found {probability}"
    );
    let below = f64::midpoint(1.0, probability);
    if degrees_of_freedom > DEGREES_OF_FREEDOM_MANY {
        // Abramowitz and Stegun 26.7.5, first two terms; the third is below 1e-8 here.
        let z = Normal::standard().inverse_cdf(below);
        let first = (z.powi(3) + z) / (4.0 * degrees_of_freedom);
        let second = (5.0 * z.powi(5) + 16.0 * z.powi(3) + 3.0 * z) / (96.0 * degrees_of_freedom.powi(2));
        return z + first + second;
    }
    // The constructor refuses only a scale or a freedom that is not positive; neither can be here.
    StudentsT::new(0.0, 1.0, degrees_of_freedom).map_or(f64::INFINITY, |t| t.inverse_cdf(below))
}
