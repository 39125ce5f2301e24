//! What there is to a record before any curve is laid through it: its recorder's grain and its ripple.

use super::model::Grain;
use super::ripple::{Flat, Ripple};
use super::shape::Rough;
use super::{StepRecord, Trace};
use crate::series::{noise_sd, resolution};

/// A recorder of resolution q rounds a level by anything up to q/2, unless noise carries the samples
/// over its steps: of a sine's Fourier series the first term is left, e^(-2 pi^2 (noise/q)^2) (Widrow
/// and Kollar, Quantization Noise, 2008, from memory).
pub(super) fn grain_of(record: &StepRecord<'_>, rough: &Rough, scale_pa: f64) -> Grain {
    let pressure_pa = record.pressure_pa;
    let q = resolution(pressure_pa);
    let largest = pressure_pa.iter().fold(0.0_f64, |most, p| most.max(p.abs()));
    // Numbers of a computer are rounded too, times like pressures; a handful of operations made them.
    let latest_s = record.time_s.iter().fold(0.0_f64, |most, t| most.max(t.abs()));
    let rounding = 4.0 * f64::EPSILON * largest.hypot(latest_s / (rough.late_s - rough.early_s) * scale_pa);
    let level = if q > 0.0 {
        let noise = (noise_sd(pressure_pa).powi(2) - q * q / 12.0).max(0.0).sqrt();
        q / 12.0_f64.sqrt() * (-2.0 * (core::f64::consts::PI * noise / q).powi(2)).exp()
    } else {
        0.0
    };
    let least = level.hypot(rounding) / scale_pa.abs();
    Grain { level: least, sample: least }
}

/// The ripple of a trace, in step with what its flat parts show.
pub(super) fn ripple_of(trace: &Trace<'_>, rough: &Rough) -> Option<Ripple> {
    let time_s = trace.time_s;
    let place = |t_s: f64| time_s.partition_point(|t| *t < t_s);
    let rise_s = rough.late_s - rough.early_s;
    let mut flat = Flat {
        until: place(rough.early_s - 0.3 * rise_s),
        from: place(rough.late_s + 3.0 * rise_s),
        end: time_s.len(),
    };
    // Another level may have another ripple, and a loaded shaft turns slower: what follows the response is
    // in step with it, what was before only nearly so. A long end is enough by itself.
    if trace.ripple_period_s.is_some() && flat.end.saturating_sub(flat.from) > 2 * flat.until {
        flat.until = 0;
    }
    match trace.ripple_period_s {
        Some(period_s) => Ripple::of_period(time_s, trace.way, &flat, period_s),
        None => Ripple::found(time_s, trace.way, &flat),
    }
}
