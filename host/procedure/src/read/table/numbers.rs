//! Numbers of a table: quantities with units, pure numbers, tolerances, ranges, and values with their
//! uncertainty.

use super::{Found, Help, Table};
use crate::quantity::Dimension;
use crate::sheet::Tolerance;
use std::ops::RangeInclusive;
use stepwell_analysis::Input;
use toml::Spanned;
use toml::de::DeValue;

/// What a number may be, in the dimension's own unit.
#[derive(Clone, Copy, Debug)]
pub(in crate::read) enum Allowed {
    /// Anything.
    Any,
    /// More than nothing.
    AboveZero,
    /// Nothing or more.
    FromZero,
    /// Ends included.
    Between(f64, f64),
}

impl Allowed {
    /// 0 to 100 %.
    pub(in crate::read) const SHARE: Allowed = Allowed::Between(0.0, 1.0);

    /// A relative half-width: a value known to half of itself is not known.
    pub(in crate::read) const WITHIN: Allowed = Allowed::Between(1e-6, 0.5);

    /// Ends included.
    pub(in crate::read) const fn within(range: &RangeInclusive<f64>) -> Allowed {
        Allowed::Between(*range.start(), *range.end())
    }

    /// What is wrong with a number.
    fn objection(self, number: f64, show: impl Fn(f64) -> String) -> Option<String> {
        let wanted = match self {
            Allowed::AboveZero if number <= 0.0 => "it must be above zero".to_owned(),
            Allowed::FromZero if number < 0.0 => "it must not be negative".to_owned(),
            Allowed::Between(low, high) if !(low..=high).contains(&number) => {
                format!("{} to {} is possible here", show(low), show(high))
            }
            _ => return None,
        };
        Some(format!("{} is out of range: {wanted}", show(number)))
    }
}

impl<'p> Table<'p> {
    /// A quantity that must be there.
    pub(in crate::read) fn quantity(
        &self,
        key: &'static str,
        dimension: Dimension,
        allowed: Allowed,
    ) -> Option<Found<f64>> {
        let value = self.want(key, || format!("{key} = {}", blank(dimension)))?;
        self.to_quantity(value, dimension, allowed)
    }

    /// A quantity that may be there.
    pub(in crate::read) fn optional_quantity(
        &self,
        key: &'static str,
        dimension: Dimension,
        allowed: Allowed,
    ) -> Option<Found<f64>> {
        self.to_quantity(self.ask(key)?, dimension, allowed)
    }

    fn to_quantity(
        &self,
        value: &Spanned<DeValue<'_>>,
        dimension: Dimension,
        allowed: Allowed,
    ) -> Option<Found<f64>> {
        let span = value.span();
        let text = match value.get_ref() {
            DeValue::String(text) => text.as_ref(),
            // A bare number has no unit, and that is what its fault says.
            DeValue::Integer(_) | DeValue::Float(_) => self.page.text.get(span.clone()).unwrap_or_default(),
            _ => {
                let message = format!("{}, found {}", dimension.wanted(), self.shown(value));
                self.fault(span, message, ());
                return None;
            }
        };
        match dimension.parse(text) {
            Err(wrong) => {
                self.fault(span, wrong.message, Help(wrong.help));
                None
            }
            Ok(number) => match allowed.objection(number, |number| dimension.display(number)) {
                Some(objection) => {
                    self.fault(span, objection, ());
                    None
                }
                None => Some(Found { value: number, span }),
            },
        }
    }

    /// A pure number that must be there.
    pub(in crate::read) fn number(&self, key: &'static str, allowed: Allowed) -> Option<Found<f64>> {
        let value = self.want(key, || format!("{key} = …"))?;
        self.to_number(value, allowed)
    }

    fn to_number(&self, value: &Spanned<DeValue<'_>>, allowed: Allowed) -> Option<Found<f64>> {
        let span = value.span();
        let number = match value.get_ref() {
            DeValue::Integer(found) => found.as_str().parse().ok(),
            DeValue::Float(found) => found.as_str().parse().ok(),
            _ => {
                let message =
                    format!("a number without quotes and unit is wanted here, found {}", self.shown(value));
                self.fault(span, message, ());
                return None;
            }
        };
        let number = number.filter(|number: &f64| number.is_finite());
        let Some(number) = number else {
            self.fault(span, "a finite decimal number is wanted here", ());
            return None;
        };
        if let Some(objection) = allowed.objection(number, |number| number.to_string()) {
            self.fault(span, objection, ());
            return None;
        }
        Some(Found { value: number, span })
    }

    /// A whole number that must be there.
    pub(in crate::read) fn count(&self, key: &'static str, least: u32, most: u32) -> Option<Found<u32>> {
        let value = self.want(key, || format!("{key} = …"))?;
        let span = value.span();
        let number = value.get_ref().as_integer().and_then(|found| found.as_str().parse::<i64>().ok());
        let Some(number) = number else {
            let message =
                format!("a whole number without quotes and unit is wanted here, found {}", self.shown(value));
            self.fault(span, message, ());
            return None;
        };
        if !(i64::from(least)..=i64::from(most)).contains(&number) {
            self.fault(span, format!("{number} is out of range: {least} to {most} is possible here"), ());
            return None;
        }
        Some(Found { value: number as u32, span })
    }

    /// Three numbers that must be there.
    pub(in crate::read) fn three_numbers(&self, key: &'static str) -> Option<Found<[f64; 3]>> {
        let value = self.want(key, || format!("{key} = [ …, …, … ]"))?;
        let span = value.span();
        let numbers: &[_] = match value.get_ref().as_array() {
            Some(list) if list.len() == 3 => list,
            list => {
                let found = list.map_or_else(
                    || self.shown(value),
                    |list| {
                        if list.is_empty() { "an empty list".to_owned() } else { format!("{}", list.len()) }
                    },
                );
                self.fault(
                    span,
                    format!("three numbers in square brackets are wanted here, found {found}"),
                    (),
                );
                return None;
            }
        };
        let numbers = numbers.iter().map(|number| Some(self.to_number(number, Allowed::Any)?.value));
        let numbers: Option<Vec<f64>> = numbers.collect();
        Some(Found { value: numbers?.try_into().ok()?, span })
    }

    /// A tolerance that must be there: a minimum, a maximum, or both.
    pub(in crate::read) fn tolerance(
        &self,
        key: &'static str,
        dimension: Dimension,
        allowed: Allowed,
    ) -> Option<Found<Tolerance>> {
        let blank = blank(dimension);
        let line = format!("{{ min = {blank}, max = {blank} }}");
        let value = self.want(key, || format!("{key} = {line}"))?;
        self.to_tolerance(key, value, &line, dimension, allowed)
    }

    /// A tolerance that may be there.
    pub(in crate::read) fn optional_tolerance(
        &self,
        key: &'static str,
        dimension: Dimension,
        allowed: Allowed,
    ) -> Option<Found<Tolerance>> {
        let blank = blank(dimension);
        let line = format!("{{ min = {blank}, max = {blank} }}");
        self.to_tolerance(key, self.ask(key)?, &line, dimension, allowed)
    }

    fn to_tolerance(
        &self,
        key: &'static str,
        value: &'p Spanned<DeValue<'p>>,
        line: &str,
        dimension: Dimension,
        allowed: Allowed,
    ) -> Option<Found<Tolerance>> {
        let span = value.span();
        self.inner(key, value, &format!("write {line}; either end may be left out"), |ends| {
            let min = ends.optional_quantity("min", dimension, allowed);
            let max = ends.optional_quantity("max", dimension, allowed);
            let named = |key| ends.has(key) || ends.has_slip_for(key);
            if !named("min") && !named("max") {
                let message = format!("{key} has neither min nor max");
                self.fault(span.clone(), message, format!("write {line}; one end is enough"));
                return None;
            }
            self.in_order(min.as_ref(), max.as_ref(), dimension)?;
            let whole = ends.has("min") == min.is_some() && ends.has("max") == max.is_some();
            whole.then(|| Found {
                value: Tolerance { min: min.map(|end| end.value), max: max.map(|end| end.value) },
                span: span.clone(),
            })
        })
    }

    /// Two ends that must both be there, least first.
    pub(in crate::read) fn range(
        &self,
        key: &'static str,
        dimension: Dimension,
        allowed: Allowed,
    ) -> Option<(f64, f64)> {
        let blank = blank(dimension);
        let line = format!("{{ min = {blank}, max = {blank} }}");
        let value = self.want(key, || format!("{key} = {line}"))?;
        self.inner(key, value, &format!("write {line}"), |ends| {
            let min = ends.quantity("min", dimension, allowed);
            let max = ends.quantity("max", dimension, allowed);
            let (min, max) = (min?, max?);
            self.in_order(Some(&min), Some(&max), dimension)?;
            Some((min.value, max.value))
        })
    }

    fn in_order(
        &self,
        min: Option<&Found<f64>>,
        max: Option<&Found<f64>>,
        dimension: Dimension,
    ) -> Option<()> {
        if let (Some(min), Some(max)) = (min, max)
            && min.value >= max.value
        {
            let (least, most) = (dimension.display(min.value), dimension.display(max.value));
            self.fault(min.span.clone(), format!("min ({least}) is not below max ({most})"), "swap them?");
            return None;
        }
        Some(())
    }

    /// A value with the half-width of its 95 % interval, absolute or relative; kept as its standard
    /// uncertainty.
    pub(in crate::read) fn known(
        &self,
        key: &'static str,
        dimension: Dimension,
        allowed: Allowed,
    ) -> Option<Found<Input>> {
        let line = format!("{{ value = {}, within = {} }}", blank(dimension), blank(dimension));
        let value = self.want(key, || format!("{key} = {line}"))?;
        let span = value.span();
        self.inner(key, value, &format!("write {line}; within may be in % of the value"), |parts| {
            let nominal = parts.quantity("value", dimension, allowed);
            let within = parts.within(dimension, nominal.as_ref());
            let (nominal, within) = (nominal?.value, within?);
            if within >= nominal {
                let message = format!(
                    "within ({}) is not below value ({}): the interval reaches zero",
                    dimension.display(within),
                    dimension.display(nominal)
                );
                self.fault(span.clone(), message, "check the units of value and within");
                return None;
            }
            Some(Found { value: Input::within(nominal, within), span: span.clone() })
        })
    }

    /// A ratio with the relative half-width of its 95 % interval.
    pub(in crate::read) fn known_ratio(&self, key: &'static str, allowed: Allowed) -> Option<Input> {
        let line = "{ value = …, within = \"… %\" }";
        let value = self.want(key, || format!("{key} = {line}"))?;
        self.inner(key, value, &format!("write {line}"), |parts| {
            let nominal = parts.number("value", allowed);
            let within = parts.quantity("within", Dimension::Fraction, Allowed::WITHIN);
            let nominal = nominal?.value;
            Some(Input::within(nominal, nominal * within?.value))
        })
    }

    fn within(&self, dimension: Dimension, nominal: Option<&Found<f64>>) -> Option<f64> {
        let relative = self
            .entry("within")
            .and_then(|(_, value)| value.get_ref().as_str())
            .is_some_and(|text| text.trim_end().ends_with('%'));
        if relative {
            let share = self.quantity("within", Dimension::Fraction, Allowed::WITHIN)?;
            return Some(nominal?.value * share.value);
        }
        Some(self.quantity("within", dimension, Allowed::AboveZero)?.value)
    }
}

/// A quantity to be filled in.
fn blank(dimension: Dimension) -> String {
    format!("\"… {}\"", dimension.unit_names().next().unwrap_or_default())
}
