//! Results computed from results: the law of propagation of uncertainty (JCGM 100, 5.1.2 and 5.2.2).

use super::Measured;

impl Measured {
    /// A result computed from measured ones: its `value`, and for each one the sensitivity (derivative)
    /// of that value to it. Inputs that several of them share are counted once; what each has for itself
    /// is independent.
    ///
    /// ```
    /// use stepwell_analysis::Measured;
    /// // Two pressures of one sensor whose gain is known to 1 %: their difference knows it to 1 % too,
    /// // and the zero, which moves both alike, drops out.
    /// let pressure = |pa: f64| Measured::new(pa).with_shared("gain", pa, 0.01).with_shared("zero", 1.0, 5e4);
    /// let (low, high) = (pressure(10e6), pressure(14e6));
    /// let rise = Measured::combined(high.value - low.value, &[(1.0, &high), (-1.0, &low)]);
    /// assert!((rise.standard_uncertainty() - 0.04e6).abs() < 1e-6);
    /// ```
    #[must_use]
    pub fn combined(value: f64, terms: &[(f64, &Measured)]) -> Measured {
        let contributions = terms
            .iter()
            .flat_map(|(sensitivity, term)| term.contributions.iter().map(|c| c.mapped(*sensitivity)))
            .collect();
        // Parts of one shared input become one here, so that long chains do not grow.
        let mut contributions = Measured { value, contributions }.independent();
        contributions.retain(|c| c.standard_uncertainty > 0.0);
        Measured { value, contributions }
    }

    /// The value times an exact factor.
    #[must_use]
    pub fn scaled(&self, factor: f64) -> Measured {
        self.mapped(self.value * factor, factor)
    }

    /// The quotient of two measured values, `self / divisor`, independent but for the inputs they share.
    ///
    /// # Panics
    /// If the divisor's value is zero: a division by nothing has no estimate to report.
    #[must_use]
    pub fn over(&self, divisor: &Measured) -> Measured {
        assert!(divisor.value != 0.0, "a measured value cannot be divided by one that is zero");
        let quotient = self.value / divisor.value;
        Measured::combined(quotient, &[(1.0 / divisor.value, self), (-quotient / divisor.value, divisor)])
    }

    /// Another value that depends on this one with the given sensitivity (derivative).
    pub(crate) fn mapped(&self, value: f64, sensitivity: f64) -> Measured {
        Measured { value, contributions: self.contributions.iter().map(|c| c.mapped(sensitivity)).collect() }
    }
}
