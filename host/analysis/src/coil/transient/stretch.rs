//! A stretch of the voltage between two jumps: a level, and a sag in proportion to the current as a source with a
//! resistance has.

use crate::stats::mean;

/// Standard deviation of what sags are thought to be, as a share of the largest voltage: 0.15 ohm of supply and
/// wires before 3 ohm (common practice, no source).
const SAG_SHARE_USUAL: f64 = 0.05;

/// A current that moves by less than this share of its largest shows no sag.
const SAG_CURRENT_SHARE_MIN: f64 = 1.0e-3;

/// Left of a voltage that is smooth but for rounding, as a share of the largest.
const ROUNDING_SHARE: f64 = 1.0e-12;

/// A sag less probable than this is left out.
const SAG_WEIGHT_MIN: f64 = 0.02;

/// One smoothed stretch: samples `from..to`, a level, and a sag with a current.
#[derive(Clone, Debug)]
pub(super) struct Stretch {
    pub(super) from: usize,
    pub(super) to: usize,
    /// Mean of its voltage, V.
    pub(super) level_v: f64,
    /// How the voltage sags with the current, when it does.
    pub(super) sag: Option<Sag>,
}

/// A sag of the voltage.
#[derive(Clone, Debug)]
pub(super) struct Sag {
    /// Current less its mean over the stretch, A.
    pub(super) off_a: Vec<f64>,
    /// Variance of the sag per ampere, (V/A)².
    pub(super) variance: f64,
    /// How far it is believed, 0 to 1.
    pub(super) weight: f64,
}

/// What sags are measured by.
pub(super) struct Scales {
    pub(super) largest_v: f64,
    pub(super) largest_a: f64,
    pub(super) step_v: f64,
}

impl Stretch {
    /// A stretch that begins at sample `from`, and its smoothed voltage.
    ///
    /// How much of the sag that the data show is believed follows from its odds against none, as for two
    /// equally probable curves of which one has a sag normally distributed by [`SAG_SHARE_USUAL`] of the largest
    /// voltage (Kass and Raftery, J. Am. Stat. Assoc. 90, 1995, from memory).
    pub(super) fn fit(
        from: usize,
        voltage_v: &[f64],
        current_a: &[f64],
        scales: &Scales,
    ) -> (Stretch, Vec<f64>) {
        let n = voltage_v.len();
        let level_v = mean(voltage_v);
        let plain = (Stretch { from, to: from + n, level_v, sag: None }, vec![level_v; n]);
        if n < 4 {
            return plain;
        }
        let middle_a = mean(current_a);
        let off_a: Vec<f64> = current_a.iter().map(|i| i - middle_a).collect();
        let spread: f64 = off_a.iter().map(|i| i * i).sum();
        let shared: f64 = off_a.iter().zip(voltage_v).map(|(i, v)| i * (v - level_v)).sum();
        let squares: f64 = voltage_v.iter().map(|v| (v - level_v).powi(2)).sum();
        let reach_a = (12.0 * spread / n as f64).sqrt();
        let is_exact = squares <= n as f64 * (ROUNDING_SHARE * scales.largest_v).powi(2);
        if reach_a <= SAG_CURRENT_SHARE_MIN * scales.largest_a || is_exact && scales.step_v == 0.0 {
            return plain;
        }
        let slope = shared / spread;
        let variance = (squares - shared * slope).max(0.0) / (n as f64 - 2.0) / spread;
        let usual = (SAG_SHARE_USUAL * scales.largest_v / reach_a).powi(2);
        let kept = usual / (usual + variance);
        let odds = (1.0 - kept).sqrt() * (0.5 * kept * slope * slope / variance).exp();
        let weight = if odds.is_finite() { odds / (1.0 + odds) } else { 1.0 };
        let unread = scales.step_v.powi(2) / 12.0 * n as f64 / spread;
        if weight < SAG_WEIGHT_MIN && unread == 0.0 {
            return plain;
        }
        let believed = kept * slope;
        let fitted = off_a.iter().map(|i| level_v + weight * believed * i).collect();
        let variance = weight * kept * variance + weight * (1.0 - weight) * believed * believed + unread;
        (Stretch { from, to: from + n, level_v, sag: Some(Sag { off_a, variance, weight }) }, fitted)
    }
}
