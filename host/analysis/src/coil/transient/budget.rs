//! How far the parameters of the closest curve may be off, and whether a coil was recorded at all.

use super::model::{P, Parameters};
use super::search::{Closest, Driven, Square};
use super::voltage::Prepared;
use nalgebra::{RowVector2, SMatrix, SVector};

/// Residuals are averaged over blocks of these shares of the recording: the means of white ones scatter as
/// their number says, those of a curve of another shape by far more.
const BLOCKS: [usize; 3] = [50, 20, 8];
/// Fewest samples in a block.
const BLOCK_SAMPLES_MIN: usize = 4;
/// By how many standard deviations the variance of block means must exceed that of white residuals.
const COLOUR_DEVIATIONS_MAX: f64 = 4.0;

/// Covariances of the parameters, by where they come from.
#[derive(Clone, Debug)]
pub(super) struct Covariances {
    /// Noise of the current, and what is left of the prior knowledge of the edge.
    pub(super) current: Square,
    /// Noise of the voltage.
    pub(super) voltage: Square,
    /// Instants of jumps that lie somewhere between two samples.
    pub(super) jumps: Square,
    /// A current of another shape than the curve.
    pub(super) shape: Square,
    /// Standard deviation of that other shape, A.
    pub(super) misfit_a: f64,
    /// What the noise of the voltage does to the right side of the normal equations.
    volts: Square,
    /// How many times the shape inflates the variances.
    inflation: f64,
}

impl Covariances {
    /// Standard uncertainties by source of a quantity with these derivatives: current, voltage, jumps, shape.
    pub(super) fn of(&self, slopes: &Parameters) -> [f64; 4] {
        let slopes = SVector::<f64, P>::from(*slopes);
        [&self.current, &self.voltage, &self.jumps, &self.shape]
            .map(|part| (slopes.transpose() * part * slopes)[0].max(0.0).sqrt())
    }

    /// The same with another inverse of the normal equations and another scatter, the instant of the one jump
    /// being part of it; `variance` is that of the noise of the current.
    pub(super) fn given(&self, inverse: &Square, scatter: &Square, variance: f64) -> Covariances {
        Covariances {
            current: *scatter,
            voltage: inverse * self.volts * inverse,
            jumps: Square::zeros(),
            shape: inverse * (variance * (self.inflation - 1.0)),
            ..self.clone()
        }
    }

    /// Standard uncertainty of parameter `q`, all sources together.
    pub(super) fn total(&self, q: usize) -> f64 {
        [&self.current, &self.voltage, &self.jumps, &self.shape]
            .map(|part| part[(q, q)])
            .iter()
            .sum::<f64>()
            .sqrt()
    }
}

/// The covariances of `closest`, and the residuals, A.
pub(super) fn covariances(
    prepared: &Prepared,
    driven: &Driven<'_>,
    closest: &Closest,
) -> (Covariances, Vec<f64>) {
    let n = driven.current_a.len();
    let mut slopes = Vec::with_capacity(n);
    let mut residuals = Vec::with_capacity(n);
    driven.drive.each(&closest.parameters, |k, value, by| {
        slopes.push(*by);
        residuals.push(driven.current_a[k] - value);
    });
    let inverse = &closest.inverse;
    let variance = closest.residual_sd().powi(2);
    let mut volts = Volts::new(prepared);
    let by_jump = driven.drive.backwards(&closest.parameters, &slopes, |k, volt| volts.take(k, volt));
    let volts = volts.sum();
    let spread = |outer: Square| inverse * outer * inverse;
    let colour = colour(&residuals, variance);
    let covariances = Covariances {
        current: inverse * variance.max(if prepared.edge_is_open { driven.noise_a.powi(2) } else { 0.0 }),
        voltage: spread(volts),
        jumps: spread(jumps(prepared, &by_jump)),
        shape: inverse * (variance * (colour.inflation - 1.0)),
        misfit_a: colour.sd_a,
        volts,
        inflation: colour.inflation,
    };
    (covariances, residuals)
}

/// Sums what the noise of each sample of the voltage does, smoothed or not.
struct Volts<'a> {
    prepared: &'a Prepared,
    /// Index past the stretch that is being summed, from the last one on.
    stretch: usize,
    level: SVector<f64, P>,
    sag: SVector<f64, P>,
    /// The levels of the voltage, V, and what one volt more of each does: where steps of its readings are not
    /// smoothed out, all of one level are off by the same.
    levels: Vec<(f64, SVector<f64, P>)>,
    outer: Square,
}

impl<'a> Volts<'a> {
    fn new(prepared: &'a Prepared) -> Volts<'a> {
        let stretch = prepared.smooth.as_ref().map_or(0, Vec::len);
        Volts {
            prepared,
            stretch,
            level: SVector::zeros(),
            sag: SVector::zeros(),
            levels: Vec::new(),
            outer: Square::zeros(),
        }
    }

    /// Takes the samples from the last to the first.
    fn take(&mut self, k: usize, volt: &Parameters) {
        let volt = SVector::<f64, P>::from(*volt);
        let variance = self.prepared.noise_v.0.powi(2);
        let Some(smooth) = &self.prepared.smooth else {
            self.outer += volt * volt.transpose() * variance;
            return;
        };
        let stretch = &smooth[self.stretch - 1];
        self.level += volt;
        if let Some(sag) = &stretch.sag {
            self.sag += volt * sag.off_a[k - stretch.from];
        }
        if k == stretch.from {
            let of_mean = variance / (stretch.to - stretch.from) as f64;
            self.outer += self.level * self.level.transpose() * of_mean;
            let step_v = self.prepared.step_v;
            if step_v > 0.0 {
                let at = self.levels.iter().position(|(v, _)| (v - stretch.level_v).abs() < 0.5 * step_v);
                match at {
                    Some(at) => self.levels[at].1 += self.level,
                    None => self.levels.push((stretch.level_v, self.level)),
                }
            }
            if let Some(sag) = &stretch.sag {
                self.outer += self.sag * self.sag.transpose() * sag.variance;
            }
            self.level = SVector::zeros();
            self.sag = SVector::zeros();
            self.stretch -= 1;
        }
    }

    fn sum(self) -> Square {
        let of_step = self.prepared.step_v.powi(2) / 12.0;
        self.levels.iter().fold(self.outer, |outer, (_, by)| outer + by * by.transpose() * of_step)
    }
}

/// What the instants of the jumps do: those of a train together, others each by itself.
fn jumps(prepared: &Prepared, by_jump: &[Parameters]) -> Square {
    let mut outer = Square::zeros();
    if prepared.edge_is_open {
        return outer;
    }
    let mut left: Vec<f64> = prepared.drive.jumps.iter().map(|jump| jump.u_s).collect();
    for train in &prepared.trains {
        let mut moved = SMatrix::<f64, P, 2>::zeros();
        for (j, cycle) in &train.cycles {
            let by = SVector::<f64, P>::from(by_jump[*j]);
            moved += by * RowVector2::new(1.0, *cycle);
            left[*j] = 0.0;
        }
        outer += moved * train.covariance * moved.transpose();
    }
    for (u_s, by) in left.iter().zip(by_jump) {
        let by = SVector::<f64, P>::from(*by) * *u_s;
        outer += by * by.transpose();
    }
    outer
}

/// What residuals have in common with their neighbours.
#[derive(Clone, Copy, Debug)]
pub(super) struct Colour {
    /// How many times that inflates the variances of the fit; 1 for white residuals.
    pub(super) inflation: f64,
    /// Standard deviation of the part that is alike, A.
    pub(super) sd_a: f64,
}

pub(super) fn colour(residuals: &[f64], variance: f64) -> Colour {
    let mut found = Colour { inflation: 1.0, sd_a: 0.0 };
    if variance == 0.0 {
        return found;
    }
    for blocks in BLOCKS {
        let per_block = (residuals.len() / blocks).max(BLOCK_SAMPLES_MIN);
        let means: Vec<f64> = residuals
            .chunks_exact(per_block)
            .map(|block| block.iter().sum::<f64>() / per_block as f64)
            .collect();
        if means.len() < 4 {
            continue;
        }
        let blocks = means.len() as f64;
        let of_means = means.iter().map(|m| m * m).sum::<f64>() / blocks;
        let ratio = of_means * per_block as f64 / variance;
        if ratio > 1.0 + COLOUR_DEVIATIONS_MAX * (2.0 / blocks).sqrt() {
            found.inflation = found.inflation.max(ratio);
            found.sd_a = found.sd_a.max((of_means - variance / per_block as f64).max(0.0).sqrt());
        }
    }
    found
}
