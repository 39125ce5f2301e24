//! Values with uncertainty: contributions, their combination and the expanded uncertainty.
//!
//! The rules are those of JCGM 100:2008 (the GUM): contributions are added in quadrature
//! (5.1.2, eq. 10), effective degrees of freedom follow Welch and Satterthwaite (G.4.1, eq. G.2b),
//! and the expanded uncertainty is Student's t times the combined one (G.3.2).
//!
//! Contributions of one result are independent of each other, and of those of every other result. Two
//! things are not: an input that several results share, such as a calibration gain
//! ([`Measured::with_shared`]), and outputs that were found together from the same data, such as
//! intercept and slope of a line ([`Joint`]). Both are combined with their correlation (5.2.2, eq. 13
//! and 16).

mod budget;
mod combined;
mod joint;
mod student;

pub use budget::Share;
pub use joint::Joint;
pub use student::probability_below;

/// Coverage probability of every expanded uncertainty this project states.
pub const COVERAGE_PROBABILITY: f64 = 0.95;

/// Standard deviations of a normal distribution that the half-width of its 95 % interval spans.
pub(crate) const NORMAL_95: f64 = 1.959_963_984_540_054;

/// Whether an input moves one result only.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sharing {
    /// This result alone.
    Own,
    /// Others too; this result rises with it.
    Rises,
    /// Others too; this result falls as it rises.
    Falls,
}

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
    /// Whether the input belongs to other results as well. All shared contributions of one name come
    /// from one and the same input.
    pub sharing: Sharing,
}

impl Contribution {
    /// The standard uncertainty with the sign in which the result follows a shared input.
    fn signed(&self) -> f64 {
        if self.sharing == Sharing::Falls { -self.standard_uncertainty } else { self.standard_uncertainty }
    }

    /// The contribution to another result that depends on this one with the given sensitivity.
    fn mapped(&self, sensitivity: f64) -> Contribution {
        let sharing = match (self.sharing, sensitivity < 0.0) {
            (Sharing::Rises, true) => Sharing::Falls,
            (Sharing::Falls, true) => Sharing::Rises,
            (sharing, _) => sharing,
        };
        let standard_uncertainty = (self.standard_uncertainty * sensitivity).abs();
        Contribution { standard_uncertainty, sharing, ..*self }
    }
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

    /// A value whose 95 % interval reaches `half_width` to either side, in the same unit: of a normal
    /// distribution (JCGM 100, 4.3.4).
    #[must_use]
    pub fn within(value: f64, half_width: f64) -> Input {
        Input { value, standard_uncertainty: half_width.abs() / NORMAL_95 }
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
            self.contributions.push(Contribution {
                name,
                standard_uncertainty: standard_uncertainty.abs(),
                degrees_of_freedom,
                sharing: Sharing::Own,
            });
        }
        self
    }

    /// The same value with a contribution that was given (type B): `sensitivity` is the derivative
    /// of the value with respect to the input whose standard uncertainty follows. A term of second order
    /// (JCGM 100, 5.1.2, note) is one too: the mixed second derivative times the one input's standard
    /// uncertainty is the sensitivity to the other.
    #[must_use]
    pub fn with_given(self, name: &'static str, sensitivity: f64, standard_uncertainty: f64) -> Measured {
        self.with_scatter(name, sensitivity * standard_uncertainty, f64::INFINITY)
    }

    /// The same value with a given contribution (type B) of an input that other results share: when
    /// results are combined, shared contributions of one `name` add up with their signs before they
    /// are squared. `sensitivity` as in [`Measured::with_given`].
    #[must_use]
    pub fn with_shared(
        mut self,
        name: &'static str,
        sensitivity: f64,
        standard_uncertainty: f64,
    ) -> Measured {
        let effect = sensitivity * standard_uncertainty;
        if effect != 0.0 {
            self.contributions.push(Contribution {
                name,
                standard_uncertainty: effect.abs(),
                degrees_of_freedom: f64::INFINITY,
                sharing: if effect < 0.0 { Sharing::Falls } else { Sharing::Rises },
            });
        }
        self
    }

    /// The contributions with those of one shared input added up to one: these are independent.
    fn independent(&self) -> Vec<Contribution> {
        let mut independent: Vec<Contribution> = Vec::with_capacity(self.contributions.len());
        for contribution in &self.contributions {
            let same = |c: &&mut Contribution| c.sharing != Sharing::Own && c.name == contribution.name;
            match independent.iter_mut().find(same) {
                Some(whole) if contribution.sharing != Sharing::Own => {
                    let effect = whole.signed() + contribution.signed();
                    whole.standard_uncertainty = effect.abs();
                    whole.sharing = if effect < 0.0 { Sharing::Falls } else { Sharing::Rises };
                }
                _ => independent.push(*contribution),
            }
        }
        independent
    }

    /// Combined standard uncertainty: the root of the sum of squares (JCGM 100, 5.1.2), shared inputs
    /// counted once (5.2.2).
    #[must_use]
    pub fn standard_uncertainty(&self) -> f64 {
        root_sum_square(&self.independent())
    }

    /// Effective degrees of freedom by Welch and Satterthwaite (JCGM 100, G.4.1); infinite when
    /// nothing was found from scatter. Not rounded down: G.4.1 note 1 allows interpolation.
    #[must_use]
    pub fn degrees_of_freedom(&self) -> f64 {
        welch_satterthwaite(&self.independent())
    }

    /// The factor from standard to expanded uncertainty for a two-sided coverage `probability`
    /// (0 to 1, ends excluded): Student's t for the effective degrees of freedom.
    ///
    /// # Panics
    /// If `probability` is not inside 0 to 1.
    #[must_use]
    pub fn coverage_factor(&self, probability: f64) -> f64 {
        student::two_sided(probability, self.degrees_of_freedom())
    }

    /// Expanded uncertainty for [`COVERAGE_PROBABILITY`], in the unit of the value.
    #[must_use]
    pub fn expanded_uncertainty(&self) -> f64 {
        self.coverage_factor(COVERAGE_PROBABILITY) * self.standard_uncertainty()
    }
}

fn root_sum_square(independent: &[Contribution]) -> f64 {
    independent.iter().fold(0.0_f64, |u, c| u.hypot(c.standard_uncertainty))
}

fn welch_satterthwaite(independent: &[Contribution]) -> f64 {
    let combined = root_sum_square(independent);
    if combined == 0.0 {
        return f64::INFINITY;
    }
    // Shares of the combined uncertainty, not fourth powers of SI numbers: a flow of 1e-9 m3/s
    // to the fourth power leaves nothing of its digits.
    let inverse: f64 =
        independent.iter().map(|c| (c.standard_uncertainty / combined).powi(4) / c.degrees_of_freedom).sum();
    1.0 / inverse
}
