//! Means, spreads and straight lines, computed so that large offsets cost no digits.
//!
//! Samples of a rig follow one another closely and are not independent. [`mean_of_series`] and
//! [`variance_inflation`] allow for that with the lag-1 autocorrelation r, as for a first-order
//! process: n samples tell as much about their mean as n (1 - r)/(1 + r) independent ones.

use crate::reason::Unmeasured;
use crate::series::check_count;
use crate::uncertainty::Joint;

/// Fewest samples for which a lag-1 autocorrelation, and so an uncertainty of a mean, is stated.
pub const SERIES_SAMPLES_MIN: usize = 8;

/// Largest autocorrelation that is computed with. What it leaves of the samples is bounded otherwise: two
/// independent ones are always left.
const LAG1_MAX: f64 = 1.0 - 1.0e-9;

/// Arithmetic mean in two passes: the second removes the rounding of the first. Zero when empty.
#[must_use]
pub fn mean(values: &[f64]) -> f64 {
    let n = values.len().max(1) as f64;
    let first = values.iter().sum::<f64>() / n;
    first + values.iter().map(|v| v - first).sum::<f64>() / n
}

/// The lowest and the highest of values, in their unit; infinity and minus infinity of none.
pub fn extremes(values: impl IntoIterator<Item = f64>) -> (f64, f64) {
    let both = |(low, high): (f64, f64), value: f64| (low.min(value), high.max(value));
    values.into_iter().fold((f64::INFINITY, f64::NEG_INFINITY), both)
}

/// Standard deviation with n - 1, by the corrected two-pass sum. Zero for fewer than two values.
#[must_use]
pub fn standard_deviation(values: &[f64]) -> f64 {
    if values.len() < 2 {
        return 0.0;
    }
    let n = values.len() as f64;
    let middle = mean(values);
    let (squares, rest) = values.iter().fold((0.0, 0.0), |(squares, rest), v| {
        let d = v - middle;
        (squares + d * d, rest + d)
    });
    ((squares - rest * rest / n).max(0.0) / (n - 1.0)).sqrt()
}

/// Lag-1 autocorrelation: the sum of products of neighbours' deviations over the sum of squares.
/// Zero when nothing varies.
#[must_use]
pub fn lag1_autocorrelation(values: &[f64]) -> f64 {
    let middle = mean(values);
    let squares: f64 = values.iter().map(|v| (v - middle).powi(2)).sum();
    if squares == 0.0 {
        return 0.0;
    }
    values.windows(2).map(|pair| (pair[0] - middle) * (pair[1] - middle)).sum::<f64>() / squares
}

/// How many times the variance of a mean exceeds that of independent samples: (1 + r)/(1 - r).
///
/// The sample autocorrelation is too small by (1 + 4 r)/n on average (Marriott and Pope,
/// Biometrika 41, 1954, from memory), which is added back. Negative correlation earns no credit,
/// so the factor is never below 1. Never above n/2: two independent samples are always left.
#[must_use]
pub fn variance_inflation(values: &[f64]) -> f64 {
    let n = values.len().max(2) as f64;
    let raw = lag1_autocorrelation(values);
    let r = (raw + (1.0 + 4.0 * raw) / n).clamp(0.0, LAG1_MAX);
    ((1.0 + r) / (1.0 - r)).min(n / 2.0)
}

/// The mean of a series of samples taken one after the other.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SeriesMean {
    /// The mean.
    pub mean: f64,
    /// Its standard uncertainty, autocorrelation allowed for.
    pub standard_uncertainty: f64,
    /// Degrees of freedom of that uncertainty: independent samples less one.
    pub degrees_of_freedom: f64,
    /// Standard deviation of the samples.
    pub standard_deviation: f64,
}

/// Mean of a series with its type A uncertainty.
///
/// # Errors
/// [`Unmeasured::TooFewSamples`] below [`SERIES_SAMPLES_MIN`] samples.
pub fn mean_of_series(values: &[f64]) -> Result<SeriesMean, Unmeasured> {
    check_count(values.len(), SERIES_SAMPLES_MIN)?;
    let n = values.len() as f64;
    let inflation = variance_inflation(values);
    let standard_deviation = standard_deviation(values);
    // Correlated samples scatter less about their own mean than about the true one:
    // E[s^2] = sigma^2 (n - f)/(n - 1) with f the inflation.
    let variance = standard_deviation.powi(2) * (n - 1.0) / (n - inflation);
    Ok(SeriesMean {
        mean: mean(values),
        standard_uncertainty: (variance * inflation / n).sqrt(),
        degrees_of_freedom: n / inflation - 1.0,
        standard_deviation,
    })
}

/// A straight line fitted by ordinary least squares.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Change of y per unit of x.
    pub slope: f64,
    /// Value at x = 0.
    pub intercept: f64,
    /// Standard deviation of the residuals with n - 2.
    pub residual_sd: f64,
    /// Mean of x, where the line is known best.
    pub x_mean: f64,
    /// Value of the line there.
    pub y_mean: f64,
    /// Sum of squared deviations of x.
    pub x_squares: f64,
    /// Number of points.
    pub points: usize,
}

impl Line {
    /// Value of the line at `x`.
    #[must_use]
    pub fn at(&self, x: f64) -> f64 {
        self.y_mean + self.slope * (x - self.x_mean)
    }

    /// Standard uncertainty of the slope for independent residuals.
    #[must_use]
    pub fn slope_uncertainty(&self) -> f64 {
        self.residual_sd / self.x_squares.sqrt()
    }

    /// Standard uncertainty of the line's value at `x` for independent residuals.
    #[must_use]
    pub fn uncertainty_at(&self, x: f64) -> f64 {
        self.residual_sd * (1.0 / self.points as f64 + (x - self.x_mean).powi(2) / self.x_squares).sqrt()
    }

    /// Intercept and slope, in this order, with their covariance for independent residuals.
    #[must_use]
    pub fn joint(&self) -> Joint<2> {
        let slope = self.slope_uncertainty().powi(2);
        let both = -self.x_mean * slope;
        let covariance = [[self.uncertainty_at(0.0).powi(2), both], [both, slope]];
        Joint {
            values: [self.intercept, self.slope],
            covariance,
            degrees_of_freedom: self.degrees_of_freedom(),
        }
    }

    /// Degrees of freedom of the residuals, n - 2.
    #[must_use]
    pub fn degrees_of_freedom(&self) -> f64 {
        self.points as f64 - 2.0
    }
}

/// Least-squares line through points; sums are taken about the means.
///
/// # Errors
/// [`Unmeasured::Unpaired`], [`Unmeasured::TooFewSamples`] below three points, or
/// [`Unmeasured::NoFit`] when all x are equal.
pub fn line(x: &[f64], y: &[f64]) -> Result<Line, Unmeasured> {
    if x.len() != y.len() {
        return Err(Unmeasured::Unpaired { left: x.len(), right: y.len() });
    }
    check_count(x.len(), 3)?;
    let (x_mean, y_mean) = (mean(x), mean(y));
    let x_squares: f64 = x.iter().map(|x| (x - x_mean).powi(2)).sum();
    if x_squares == 0.0 {
        return Err(Unmeasured::NoFit { curve: "straight line", why: "all points share one x" });
    }
    let slope = x.iter().zip(y).map(|(x, y)| (x - x_mean) * (y - y_mean)).sum::<f64>() / x_squares;
    let squares: f64 = x.iter().zip(y).map(|(x, y)| (y - y_mean - slope * (x - x_mean)).powi(2)).sum();
    Ok(Line {
        slope,
        intercept: y_mean - slope * x_mean,
        residual_sd: (squares / (x.len() as f64 - 2.0)).sqrt(),
        x_mean,
        y_mean,
        x_squares,
        points: x.len(),
    })
}

/// How far a series of evenly spaced samples drifts from its first to its last.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drift {
    /// Change of the fitted line over the series.
    pub change: f64,
    /// Its standard uncertainty, autocorrelation allowed for.
    pub standard_uncertainty: f64,
}

impl Drift {
    /// Whether the drift exceeds three of its own standard uncertainties.
    #[must_use]
    pub fn is_significant(&self) -> bool {
        self.change.abs() > 3.0 * self.standard_uncertainty
    }
}

/// Drift of a series by a straight line.
///
/// # Errors
/// [`Unmeasured::TooFewSamples`] below [`SERIES_SAMPLES_MIN`] samples.
pub fn drift(values: &[f64]) -> Result<Drift, Unmeasured> {
    check_count(values.len(), SERIES_SAMPLES_MIN)?;
    let index: Vec<f64> = (0..values.len()).map(|i| i as f64).collect();
    let trend = line(&index, values)?;
    let residuals: Vec<f64> = index.iter().zip(values).map(|(i, v)| v - trend.at(*i)).collect();
    let steps = values.len() as f64;
    Ok(Drift {
        change: trend.slope * steps,
        standard_uncertainty: trend.slope_uncertainty() * steps * variance_inflation(&residuals).sqrt(),
    })
}
