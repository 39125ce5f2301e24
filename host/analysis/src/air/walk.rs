//! What came in by a recorded flow, and what the noise of that flow does to it.

use super::{BuildUp, smoothed};
use crate::edges::edges;
use crate::series::noise_sd;
use crate::stats::extremes;

/// Ways in which the integral of a noisy flow may stray from the volume that came in.
pub(super) const WAVES: usize = 8;

/// What noise of the flow does to the volume that came in up to a sample.
#[derive(Clone, Copy, Debug)]
pub(super) struct Walk {
    /// What one standard deviation of each wave adds to it.
    pub(super) waves: [f64; WAVES],
    /// Variance that white noise adds to it from the sample before: the waves are the slow part of it.
    pub(super) variance: f64,
}

/// Volume that came in up to each sample by the trapezium rule, m3.
pub(super) fn pushed_in(time_s: &[f64], flow_m3_per_s: &[f64]) -> Vec<f64> {
    let mut total = 0.0;
    let mut volumes = vec![0.0];
    for (t, q) in time_s.windows(2).zip(flow_m3_per_s.windows(2)) {
        total += 0.5 * (q[0] + q[1]) * (t[1] - t[0]);
        volumes.push(total);
    }
    volumes
}

/// How far a pressure is on its way from the lowest to the highest, in the logarithm, at the knots between
/// which noise of the flow adds up: closely spaced where there is air to be squeezed.
const KNOTS: [f64; WAVES - 1] = [0.01, 0.05, 0.12, 0.25, 0.4, 0.65, 1.0];

/// What noise of the flow may add to the volume at each sample: white noise adds up to a random walk of
/// variance u^2 h t, here straight between knots with independent increments, each one standard deviation.
pub(super) fn flow_walk(
    rise: &BuildUp<'_>,
    flow_m3_per_s: &[f64],
    time_s: &[f64],
    pressure_pa: &[f64],
) -> Vec<Walk> {
    let length_s = time_s[time_s.len() - 1] - time_s[0];
    let spacing_s = length_s / (rise.time_s.len() - 1) as f64;
    let noise = noise_sd(flow_m3_per_s);
    let smooth_pa = smoothed(pressure_pa);
    let (lowest_pa, highest_pa) = extremes(smooth_pa.iter().copied());
    let lowest_pa = lowest_pa.max(0.1 * rise.atmosphere_pa.value);
    let mut from_s = time_s[0];
    let steps = KNOTS.map(|share| {
        let level_pa = lowest_pa * (highest_pa / lowest_pa).powf(share);
        let knot = smooth_pa.iter().position(|p| *p >= level_pa).unwrap_or(time_s.len() - 1);
        let step = (from_s, time_s[knot].max(from_s));
        from_s = step.1;
        step
    });
    // A flow that comes on between two samples: half of what it would bring in between them is counted,
    // all or nothing may be true.
    let onset = edges(flow_m3_per_s).first().map(|edge| (edge.instant_s(rise.time_s), edge.change));
    let mut before_s = time_s[0];
    time_s
        .iter()
        .map(|t| {
            let waves = core::array::from_fn(|k| match (steps.get(k), onset) {
                (Some((from_s, to_s)), _) if to_s > from_s => {
                    let way = ((t - from_s) / (to_s - from_s)).clamp(0.0, 1.0);
                    noise * (spacing_s * (to_s - from_s)).sqrt() * way
                }
                (None, Some(((instant_s, half_s), change))) if *t > instant_s => {
                    change * half_s / 3.0_f64.sqrt()
                }
                _ => 0.0,
            });
            let variance = noise * noise * spacing_s * (t - before_s);
            before_s = *t;
            Walk { waves, variance }
        })
        .collect()
}
