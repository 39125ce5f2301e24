//! The models that are fitted to a record, and what those that describe it say together.

use super::model::{self, Estimate, Grain, Said};
use super::ripple::Ripple;
use super::shape::Rough;
use super::under::Under;
use super::{DRIFT_PERCENT_MAX, NOISE_FACTOR_MIN, REACHED_MIN, Shape, Trace, first_order, second_order};
use crate::reason::Unmeasured;
use crate::stats::drift;

/// What the models that describe the trace say of it; `None` when none does.
pub(super) fn modelled(
    trace: &Trace<'_>,
    rough: &Rough,
    grain: Grain,
    ripple: Option<&Ripple>,
) -> Result<Option<Said>, Unmeasured> {
    let (time_s, way) = (trace.time_s, trace.way);
    let spacing_s = even_spacing(time_s);
    let mut models: Vec<Said> = Vec::new();
    let mut second_near = None;
    for drifts in [false, true] {
        let under = || Under::of(time_s, ripple.cloned(), drifts);
        // A base line that moves by more is not one.
        let is_base = |change: f64, under: &Under| {
            under.drift.is_none_or(|drift| drift.abs() <= change.abs() * DRIFT_PERCENT_MAX / 100.0)
        };
        // Nor can one be told from a rise that goes on.
        let tells = |said: &Said| !drifts || said.reached >= REACHED_MIN;
        let is_needless = |shape: Shape| {
            let without = models.iter().find(|said| said.shape == shape);
            drifts && without.is_some_and(|said| !said.may_drift(&models))
        };
        let (no_first, no_second) = (is_needless(Shape::FirstOrder), is_needless(Shape::SecondOrder));
        if !no_first
            && let Some((m, under)) = under().fitted(time_s, way, |y, _| {
                first_order::fit(time_s, y, spacing_s, rough).map(|found| found.curve)
            })
            && is_base(m.change, &under)
        {
            models.extend(model::first_order(time_s, way, (&m, &under), grain).filter(tells));
        }
        if !no_second
            && let Some((m, under)) = under().fitted(time_s, way, |y, near| {
                second_order::fit(time_s, y, spacing_s, rough, near.or(second_near.as_ref()))
            })
            && is_base(m.change, &under)
        {
            models.extend(model::second_order(time_s, way, (&m, &under), grain).filter(tells));
            second_near = Some(m);
        }
    }
    let Some(said) = model::together(models) else { return Ok(None) };
    let Estimate { value: change, scatter, resolution, .. } = said.findings.change;
    let needed = NOISE_FACTOR_MIN * scatter.hypot(resolution);
    let is_plain = change.abs() > needed && needed.is_finite();
    // Where a straight line goes nobody knows, but what moved beyond noise is no missing response.
    let (moves, noise) = moves(way, &said.curve);
    if !is_plain && moves.abs() <= noise {
        return Err(trace.no_response(moves, noise));
    }
    if said.reached < REACHED_MIN {
        return Err(Unmeasured::Unfinished {
            reached_percent: 100.0 * said.reached,
            needed_percent: 100.0 * REACHED_MIN,
        });
    }
    if !is_plain {
        return Err(trace.no_response(change, needed));
    }
    // A level that moved before the step is no level, whatever the curve makes of it.
    let moved = time_s.partition_point(|t| *t < said.findings.onset_s.value);
    let left: Vec<f64> = way[..moved].iter().zip(&said.curve).map(|(y, c)| y - c).collect();
    if let Ok(drift) = drift(&left)
        && drift.is_significant()
        && drift.change.abs() > change.abs() * DRIFT_PERCENT_MAX / 100.0
    {
        return Ok(None);
    }
    Ok(Some(said))
}

/// By how much a curve moves from its first to its last sample, and what it must exceed to be more than noise.
fn moves(way: &[f64], curve: &[f64]) -> (f64, f64) {
    let squares: f64 = way.iter().zip(curve).map(|(y, c)| (y - c).powi(2)).sum();
    let noise = (squares / way.len() as f64).sqrt();
    (curve[curve.len() - 1] - curve[0], NOISE_FACTOR_MIN * noise)
}

/// The spacing of times that all lie on a grid, to well below what a fit can tell.
pub(super) fn even_spacing(time_s: &[f64]) -> Option<f64> {
    let n = time_s.len();
    let spacing_s = (time_s[n - 1] - time_s[0]) / (n - 1) as f64;
    let off = |i: usize| (time_s[i] - time_s[0] - i as f64 * spacing_s).abs();
    (0..n).all(|i| off(i) < 1e-7 * spacing_s).then_some(spacing_s)
}
