//! Findings: what was measured, how sure it is, and what it is worth against its tolerance.

use crate::quantity::Dimension;
use crate::sheet::Tolerance;
use serde::{Deserialize, Serialize};
use stepwell_analysis::uncertainty::{COVERAGE_PROBABILITY, Measured};

/// What a finding, and in the end a run, is worth.
///
/// The four words of measured findings follow the guard-band decision rule of ILAC-G8:09/2019,
/// 4.2.3, with a guard band as wide as the expanded uncertainty. Ordered from best to worst: the
/// verdict of a run is the worst of its findings.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Inside the tolerance by more than the expanded uncertainty.
    Pass,
    /// Inside, but by less than the expanded uncertainty.
    ConditionalPass,
    /// There is no value; the reason is noted.
    NotMeasured,
    /// There is a value that must not be used; the reason is noted.
    Invalid,
    /// Outside, but by less than the expanded uncertainty.
    ConditionalFail,
    /// Outside by more than the expanded uncertainty.
    Fail,
}

impl Verdict {
    /// The verdict in words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Verdict::Pass => "pass",
            Verdict::ConditionalPass => "conditional pass",
            Verdict::NotMeasured => "not measured",
            Verdict::Invalid => "invalid",
            Verdict::ConditionalFail => "conditional fail",
            Verdict::Fail => "fail",
        }
    }

    /// Exit code of the program for this verdict.
    #[must_use]
    pub const fn exit_code(self) -> u8 {
        match self {
            Verdict::Pass => 0,
            Verdict::Fail => 3,
            _ => 4,
        }
    }

    /// Whether work that relies on this finding may go on.
    #[must_use]
    pub const fn lets_go_on(self) -> bool {
        matches!(self, Verdict::Pass | Verdict::ConditionalPass)
    }
}

/// The decision rule, as it is printed with findings.
pub const DECISION_RULE: &str = "ILAC-G8:09/2019 4.2.3, guard band = expanded uncertainty (coverage probability \
    95 %); “conforming”: probability that the true value lies within the limits (JCGM 106:2012, 7)";

/// A computed quantity with its uncertainty, its tolerance and a verdict.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// What it is: stable, for machines.
    pub id: String,
    /// The step that found it.
    pub step: String,
    /// What it is, for people.
    pub label: String,
    /// Its dimension; all numbers are in that dimension's SI unit.
    pub dimension: Dimension,
    /// The value and its uncertainty, or nothing when there is none.
    pub value: Option<Value>,
    /// The tolerance, when the sheet sets one.
    pub tolerance: Option<Tolerance>,
    /// Probability that the true value lies within the tolerance; `None` without a value or a tolerance,
    /// and in runs that were kept before it was computed.
    #[serde(default)]
    pub conformity: Option<f64>,
    /// What it is worth.
    pub verdict: Verdict,
    /// Why there is no value, conditions, warnings.
    pub notes: Vec<String>,
    /// Probable causes and what to check next, likeliest first; empty when nothing is wrong.
    pub check_next: Vec<String>,
}

impl Finding {
    /// The finding in one line, for events and logs.
    #[must_use]
    pub fn line(&self) -> String {
        let value = self.value.as_ref().map_or_else(
            || self.notes.first().cloned().unwrap_or_default(),
            |value| self.dimension.display_with_uncertainty(value.estimate, value.expanded_uncertainty),
        );
        format!("{}: {value}, {}", self.label, self.verdict.words())
    }
}

/// A value and its uncertainty.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Value {
    /// Best estimate, in SI units.
    pub estimate: f64,
    /// Half-width of the 95 % interval, in SI units.
    pub expanded_uncertainty: f64,
    /// The factor between standard and expanded uncertainty, above zero.
    pub coverage_factor: f64,
    /// Effective degrees of freedom of the standard uncertainty; `None` in runs that were kept before
    /// they were.
    #[serde(default, skip_serializing_if = "Option::is_none", with = "freedom")]
    pub degrees_of_freedom: Option<f64>,
    /// Where the uncertainty comes from, largest part first.
    pub budget: Vec<BudgetLine>,
}

impl Value {
    /// Standard uncertainty, in SI units.
    #[must_use]
    pub fn standard_uncertainty(&self) -> f64 {
        self.expanded_uncertainty / self.coverage_factor
    }
}

/// One line of a budget.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(from = "KeptLine")]
pub struct BudgetLine {
    /// What it comes from.
    pub name: String,
    /// Standard uncertainty of the value through it, in SI units.
    pub standard_uncertainty: f64,
    /// Its degrees of freedom, infinite where it was given and not found from scatter; `None` in runs
    /// that were kept before they were.
    #[serde(skip_serializing_if = "Option::is_none", with = "freedom")]
    pub degrees_of_freedom: Option<f64>,
}

/// A part as it is, or was, kept: first as a pair of name and standard uncertainty.
#[derive(Deserialize)]
#[serde(untagged)]
enum KeptLine {
    Pair(String, f64),
    Whole {
        name: String,
        standard_uncertainty: f64,
        #[serde(default, with = "freedom")]
        degrees_of_freedom: Option<f64>,
    },
}

impl From<KeptLine> for BudgetLine {
    fn from(kept: KeptLine) -> BudgetLine {
        match kept {
            KeptLine::Pair(name, standard_uncertainty) => {
                BudgetLine { name, standard_uncertainty, degrees_of_freedom: None }
            }
            KeptLine::Whole { name, standard_uncertainty, degrees_of_freedom } => {
                BudgetLine { name, standard_uncertainty, degrees_of_freedom }
            }
        }
    }
}

/// Degrees of freedom in a text that has no infinity: null stands for it. Unknown ones are left out.
mod freedom {
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    #[expect(clippy::ref_option, reason = "the form that serde calls")]
    pub(super) fn serialize<S: Serializer>(freedom: &Option<f64>, to: S) -> Result<S::Ok, S::Error> {
        freedom.filter(|freedom| freedom.is_finite()).serialize(to)
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
        Option::deserialize(from).map(|freedom| Some(freedom.unwrap_or(f64::INFINITY)))
    }
}

impl From<&Measured> for Value {
    fn from(measured: &Measured) -> Value {
        Value {
            estimate: measured.value,
            expanded_uncertainty: measured.expanded_uncertainty(),
            coverage_factor: measured.coverage_factor(COVERAGE_PROBABILITY),
            degrees_of_freedom: Some(measured.degrees_of_freedom()),
            budget: measured
                .budget()
                .iter()
                .map(|share| BudgetLine {
                    name: share.name.to_owned(),
                    standard_uncertainty: share.standard_uncertainty,
                    degrees_of_freedom: Some(share.degrees_of_freedom),
                })
                .collect(),
        }
    }
}

/// Judges a value by the guard-band rule. Without a tolerance there is nothing to fail.
#[must_use]
pub fn judge(value: &Value, tolerance: &Tolerance) -> Verdict {
    if !value.estimate.is_finite() || !value.expanded_uncertainty.is_finite() {
        return Verdict::Invalid;
    }
    let margin =
        |end: Option<f64>, inwards: f64| end.map_or(f64::INFINITY, |end| (value.estimate - end) * inwards);
    let inside_by = margin(tolerance.min, 1.0).min(margin(tolerance.max, -1.0));
    if inside_by >= value.expanded_uncertainty {
        Verdict::Pass
    } else if inside_by >= 0.0 {
        Verdict::ConditionalPass
    } else if inside_by >= -value.expanded_uncertainty {
        Verdict::ConditionalFail
    } else {
        Verdict::Fail
    }
}

#[cfg(test)]
mod tests {
    use super::{Tolerance, Value, Verdict, judge};

    fn value(estimate: f64, expanded_uncertainty: f64) -> Value {
        let degrees_of_freedom = Some(f64::INFINITY);
        Value { estimate, expanded_uncertainty, coverage_factor: 2.0, degrees_of_freedom, budget: vec![] }
    }

    /// The rule's own words, at and around both ends of a tolerance (ILAC-G8:09/2019, 4.2.3).
    #[test]
    fn four_words_around_both_limits() {
        let tolerance = Tolerance { min: Some(2.0), max: Some(4.0) };
        for (estimate, verdict) in [
            (3.0, Verdict::Pass),
            (2.25, Verdict::Pass),
            (2.24, Verdict::ConditionalPass),
            (2.0, Verdict::ConditionalPass),
            (1.99, Verdict::ConditionalFail),
            (1.75, Verdict::ConditionalFail),
            (1.74, Verdict::Fail),
            (3.75, Verdict::Pass),
            (3.9, Verdict::ConditionalPass),
            (4.1, Verdict::ConditionalFail),
            (4.5, Verdict::Fail),
        ] {
            assert_eq!(judge(&value(estimate, 0.25), &tolerance), verdict, "{estimate}");
        }
    }

    #[test]
    fn what_is_no_number_is_invalid_whatever_the_tolerance() {
        for (estimate, expanded_uncertainty) in [(f64::NAN, 0.1), (1.0, f64::NAN), (f64::INFINITY, 0.1)] {
            let value = value(estimate, expanded_uncertainty);
            for (min, max) in [(Some(0.0), None), (None, Some(2.0)), (Some(0.0), Some(2.0))] {
                assert_eq!(judge(&value, &Tolerance { min, max }), Verdict::Invalid);
            }
        }
    }

    #[test]
    fn one_open_end_never_fails() {
        let tolerance = Tolerance { min: None, max: Some(1.0) };
        assert_eq!(judge(&value(-1e9, 0.1), &tolerance), Verdict::Pass);
    }
}
