//! The voltage of a recording as what drives the coil: where it jumps, and what is noise on it.
//!
//! A voltage that stays where it is between its jumps, or sags in proportion to the current as a source
//! with a resistance does, is replaced by that, which leaves next to nothing of its noise. One that does
//! anything else is taken as it was recorded, noise and all.

use super::CoilRecord;
use super::model::{Drive, Jump};
use super::readings::Readings;
use super::stretch::{Scales, Stretch};
use super::train::{self, Train};
use crate::edges::{Edge, edges};
use crate::reason::{Signal, Unmeasured};
use crate::series::{noise_sd, spacing_without_gaps_s};
use crate::stats::mean;

/// Samples this near to even spacing, as a share of it, are even but for the digits of their times.
const UNEVEN_SHARE_MAX: f64 = 0.01;

/// A jump by less than this share of the largest voltage tells nothing; it may be a step of the recorder.
const JUMP_SHARE_MIN: f64 = 0.05;

/// Below this share of the largest voltage a coil is at rest.
const REST_SHARE_MAX: f64 = 0.05;

/// A rest lasts this many times as long as any stretch without voltage between its jumps: one of a driver that
/// chops may be cut by the ends of the recording and is never longer than the others, its jitter apart.
const REST_CHOPPED_RATIO: f64 = 1.5;

/// Fewest samples at rest that tell the zero of the current.
const REST_SAMPLES_MIN: usize = 3;

/// What is left of a voltage once it is smoothed must be free of correlation between neighbours to
/// within this many standard deviations.
const WHITE_DEVIATIONS_MAX: f64 = 3.5;

/// A recording brought into the form of the model.
#[derive(Debug)]
pub(super) struct Prepared {
    pub(super) drive: Drive,
    /// Current at the same samples, A.
    pub(super) current_a: Vec<f64>,
    /// Place of each of those samples in the recording.
    pub(super) places: Vec<usize>,
    /// Voltage as recorded at those samples, V.
    pub(super) recorded_v: Vec<f64>,
    /// Which of its jumps keep a period.
    pub(super) trains: Vec<Train>,
    /// What the voltage was smoothed by; `None` when it stays as recorded.
    pub(super) smooth: Option<Vec<Stretch>>,
    /// Standard deviation of the noise of the voltage, V, and its degrees of freedom.
    pub(super) noise_v: (f64, f64),
    /// Step of the voltage readings that no noise smooths out, V, when levels are few; else 0.
    pub(super) step_v: f64,
    /// Whether the instant of the only jump is a matter of its interval.
    pub(super) edge_is_open: bool,
    /// The coil at rest, when it is seen.
    pub(super) rest: Option<Rest>,
}

/// A coil at rest.
#[derive(Clone, Copy, Debug)]
pub(super) struct Rest {
    /// Mean reading of the current, A.
    pub(super) reading_a: f64,
    /// Whether the recording begins with it, rather than ends.
    pub(super) is_before: bool,
}

pub(super) fn prepare(record: &CoilRecord<'_>, readings: &Readings) -> Result<Prepared, Unmeasured> {
    let CoilRecord { time_s, voltage_v, current_a, at_s, .. } = *record;
    let spacing_s = spacing_without_gaps_s(time_s, Signal::CoilVoltage)?;
    let largest_v = readings.largest();
    let edges: Vec<Edge> =
        edges(voltage_v).into_iter().filter(|edge| edge.change.abs() > JUMP_SHARE_MIN * largest_v).collect();
    let even_s = even_spacing_s(time_s);
    let inside = |k: &usize| {
        let next = edges.partition_point(|edge| edge.first_after <= *k);
        edges.get(next).is_some_and(|edge| edge.last_before < *k)
    };
    let places: Vec<usize> = if edges.iter().all(|edge| edge.first_after == edge.last_before + 1) {
        (0..time_s.len()).collect()
    } else {
        (0..time_s.len()).filter(|k| !inside(k)).collect()
    };
    let pick = |values: &[f64]| places.iter().map(|k| values[*k]).collect::<Vec<f64>>();
    let mut dropped = 0;
    let mut jumps = Vec::with_capacity(edges.len());
    for edge in &edges {
        dropped += edge.first_after - edge.last_before - 1;
        let before_s = time_s[edge.first_after] - middle_s(time_s, voltage_v, edge);
        let u_s = spacing_s / 12.0_f64.sqrt();
        jumps.push(Jump { at: edge.first_after - dropped, before_s, u_s });
    }
    let edge_is_open = jumps.len() == 1 && at_s.is_none();
    if let Some(at_s) = at_s {
        state(&mut jumps, &edges, time_s, at_s, spacing_s)?;
    }
    let picked_s = pick(time_s);
    let trains = [true, false]
        .into_iter()
        .filter_map(|rising| {
            let which: Vec<usize> = (0..jumps.len()).filter(|j| (edges[*j].change > 0.0) == rising).collect();
            train::align(&mut jumps, &which, &picked_s)
        })
        .collect();
    let recorded_v = pick(voltage_v);
    let current_a = pick(current_a);
    let mut prepared = Prepared {
        drive: Drive::new(picked_s, recorded_v.clone(), jumps, even_s),
        trains,
        places,
        smooth: None,
        noise_v: (0.0, f64::INFINITY),
        step_v: 0.0,
        edge_is_open,
        rest: None,
        recorded_v,
        current_a,
    };
    prepared.step_v = readings.unsmoothed_step();
    let with = prepared.current_a.clone();
    prepared.smooth(&with);
    if prepared.smooth.is_none() {
        prepared.noise_v.0 = noise_sd(&prepared.recorded_v);
        prepared.step_v = 0.0;
    }
    prepared.rest = prepared.rest(largest_v);
    Ok(prepared)
}

/// The one spacing of all samples, s, when there is one.
fn even_spacing_s(time_s: &[f64]) -> Option<f64> {
    let (first, last) = (time_s[0], time_s[time_s.len() - 1]);
    let spacing_s = (last - first) / (time_s.len() as f64 - 1.0);
    let even = time_s
        .iter()
        .enumerate()
        .all(|(k, t)| (t - first - k as f64 * spacing_s).abs() <= UNEVEN_SHARE_MAX * spacing_s);
    even.then_some(spacing_s)
}

/// Where a sudden jump would have to lie to hold the volt seconds of the edge, s.
fn middle_s(time_s: &[f64], voltage_v: &[f64], edge: &Edge) -> f64 {
    let (from, to) = (edge.last_before, edge.first_after);
    let volt_seconds: f64 = (from..to)
        .map(|k| {
            let mean_v = f64::midpoint(voltage_v[k], voltage_v[k + 1]);
            (mean_v - voltage_v[from]) * (time_s[k + 1] - time_s[k])
        })
        .sum();
    time_s[to] - volt_seconds / (voltage_v[to] - voltage_v[from])
}

/// Puts the jump that is beside the stated instant at it.
fn state(
    jumps: &mut [Jump],
    edges: &[Edge],
    time_s: &[f64],
    at_s: f64,
    spacing_s: f64,
) -> Result<(), Unmeasured> {
    let beside = edges.iter().position(|edge| {
        time_s[edge.last_before] - spacing_s <= at_s && at_s <= time_s[edge.first_after] + spacing_s
    });
    let Some(beside) = beside else {
        return Err(Unmeasured::Impossible {
            name: "the instant of the voltage step in s",
            found: at_s,
            expected: "beside a step of the recorded voltage",
        });
    };
    let after_s = time_s[edges[beside].first_after];
    jumps[beside].before_s = after_s - at_s;
    jumps[beside].u_s = 0.0;
    Ok(())
}

impl Prepared {
    /// First sample of each stretch between jumps, and the end.
    pub(super) fn bounds(&self) -> Vec<usize> {
        let inner = self.drive.jumps.iter().map(|jump| jump.at);
        [0].into_iter().chain(inner).chain([self.recorded_v.len()]).collect()
    }

    /// Replaces the voltage by levels that sag with `current_a`, when what is left then is noise; else it
    /// stays what it was.
    pub(super) fn smooth(&mut self, current_a: &[f64]) {
        let n = self.recorded_v.len();
        let largest_v = self.recorded_v.iter().fold(0.0_f64, |most, v| most.max(v.abs()));
        let largest_a = current_a.iter().fold(0.0_f64, |most, i| most.max(i.abs()));
        let scales = Scales { largest_v, largest_a, step_v: self.step_v };
        let bounds = self.bounds();
        let mut smooth_v = Vec::with_capacity(n);
        let mut stretches = Vec::with_capacity(bounds.len());
        let (mut squares, mut products, mut free, mut pairs) = (0.0, 0.0, n as f64, 0.0_f64);
        for pair in bounds.windows(2) {
            let (from, to) = (pair[0], pair[1]);
            let (stretch, fitted) =
                Stretch::fit(from, &self.recorded_v[from..to], &current_a[from..to], &scales);
            let left: Vec<f64> = self.recorded_v[from..to].iter().zip(&fitted).map(|(v, s)| v - s).collect();
            squares += left.iter().map(|d| d * d).sum::<f64>();
            products += left.windows(2).map(|pair| pair[0] * pair[1]).sum::<f64>();
            pairs += (left.len() - 1) as f64;
            // Residuals about a mean of m samples lean against each other by 1/m, together by one pair.
            free -= 1.0 + stretch.sag.as_ref().map_or(0.0, |sag| sag.weight);
            smooth_v.extend(fitted);
            stretches.push(stretch);
        }
        let lag1 = if squares > 0.0 { products / squares + (stretches.len() as f64) / n as f64 } else { 0.0 };
        let white = free >= 3.0 && pairs > 0.0 && lag1 * pairs.sqrt() <= WHITE_DEVIATIONS_MAX;
        if white {
            self.drive.voltage_v = smooth_v;
            self.drive.see_levels();
            self.noise_v = ((squares / free).sqrt(), free);
            self.smooth = Some(stretches);
        }
    }

    /// Whether some stretch sags with the current.
    pub(super) fn sags(&self) -> bool {
        self.smooth.as_ref().is_some_and(|all| all.iter().any(|stretch| stretch.sag.is_some()))
    }

    /// The coil at rest, before everything or after it.
    ///
    /// A driver that chops holds the coil near no voltage again and again, and it is no rest: that lasts longer
    /// than any such stretch in between.
    fn rest(&self, largest_v: f64) -> Option<Rest> {
        let at_rest = |v: &&f64| v.abs() <= REST_SHARE_MAX * largest_v;
        let v = &self.drive.voltage_v;
        let n = v.len();
        let before = v.iter().take_while(at_rest).count();
        let after = v.iter().rev().take_while(at_rest).count();
        let jumps = self.drive.jumps.windows(2).map(|pair| (pair[0].at, pair[1].at));
        let chopped = jumps.filter(|(from, _)| at_rest(&&v[*from])).map(|(from, to)| to - from).max();
        let chopped = chopped.unwrap_or(0);
        let needed = REST_SAMPLES_MIN.max((REST_CHOPPED_RATIO * chopped as f64) as usize);
        if before == n || before.max(after) < needed {
            return None;
        }
        let is_before = before >= needed;
        let readings = if is_before { 0..before } else { n - after.div_ceil(2)..n };
        Some(Rest { reading_a: mean(&self.current_a[readings]), is_before })
    }
}
