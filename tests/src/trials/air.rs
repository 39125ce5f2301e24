//! Air in the rail: rises integrated by Runge and Kutta's rule from published effective moduli.

use super::{Bound, Case, Kind, Noise};
use stepwell_analysis::air::{BuildUp, air_fraction};
use stepwell_analysis::{Input, Unmeasured};

/// Air in the rail.
pub const KIND: Kind = Kind { name: "air", anywhere, here, bounds };

const FRACTION: &str = "air_fraction";
const VOLUME: &str = "air_volume";

/// Which published form of the effective modulus drives the rise.
#[derive(Clone, Copy, Debug)]
enum Form {
    /// `1/Ke = (1 - phi)/K + phi/(n p)` (Wood), the gas staying in the rail: phi = x (pa/p)^(1/n).
    Wood,
    /// Reference-state form: `Ke = K (1 + v)/(1 + v K/(n p))`, v = VG/VL at atmosphere (pa/p)^(1/n).
    ReferenceState,
    /// The same with the compression of the liquid: volumes `exp(-(p - pa)/K)` and `al (pa/p)^(1/n)`.
    LiquidCompressed,
}

/// What is really so.
#[derive(Clone, Copy, Debug)]
struct Truth {
    form: Form,
    air: f64,
    exponent: f64,
    modulus_pa: f64,
    modulus_slope: f64,
    atmosphere_pa: f64,
    volume_m3: f64,
    /// Gauge pressure before the rise, Pa.
    start_pa: f64,
    /// Gauge pressure at the last sample, Pa.
    end_pa: f64,
    /// Length of the rise, s.
    rise_s: f64,
    samples: usize,
    /// Length of the base line in sample spacings; below zero the record begins that far into the rise.
    base_spacings: f64,
}

/// A recording without noise: time, gauge pressure, flow.
struct Clean {
    time_s: Vec<f64>,
    pressure_pa: Vec<f64>,
    flow_m3_per_s: Vec<f64>,
}

impl Truth {
    /// Effective modulus at absolute pressure `p_pa`, Pa.
    fn modulus_at(&self, p_pa: f64) -> f64 {
        let gauge_pa = p_pa - self.atmosphere_pa;
        let (n, x) = (self.exponent, self.air);
        let liquid_pa = self.modulus_pa + self.modulus_slope * gauge_pa;
        let squeezed = (self.atmosphere_pa / p_pa).powf(1.0 / n);
        match self.form {
            Form::Wood => {
                let phi = x * squeezed;
                1.0 / ((1.0 - phi) / liquid_pa + phi / (n * p_pa))
            }
            Form::ReferenceState => {
                let v = x / (1.0 - x) * squeezed;
                liquid_pa * (1.0 + v) / (1.0 + v * liquid_pa / (n * p_pa))
            }
            Form::LiquidCompressed => {
                let liquid = (-gauge_pa / self.modulus_pa).exp();
                let gas = x / (1.0 - x) * squeezed;
                (liquid + gas) / (liquid / liquid_pa + gas / (n * p_pa))
            }
        }
    }

    /// Volume per rail volume that takes the pressure (absolute, Pa) from one to the other: Simpson's
    /// rule over the logarithm of the pressure.
    fn needed(&self, from_pa: f64, to_pa: f64) -> f64 {
        let steps = 2_000;
        let h = (to_pa / from_pa).ln() / f64::from(steps);
        let at = |i: i32| {
            let p_pa = from_pa * (h * f64::from(i)).exp();
            p_pa / self.modulus_at(p_pa)
        };
        let inner: f64 = (1..steps).map(|i| f64::from(2 + 2 * (i % 2)) * at(i)).sum();
        (at(0) + inner + at(steps)) * h / 3.0
    }

    /// The rise with an inflow that wavers: `shape(share of the rise)` around 1.
    fn record(&self, shape: impl Fn(f64) -> f64) -> Clean {
        let start_pa = self.start_pa + self.atmosphere_pa;
        let total = self.needed(start_pa, self.end_pa + self.atmosphere_pa);
        let begins = self.base_spacings;
        let spacing_s = self.rise_s / (self.samples as f64 - 1.0 - begins).max(1.0);
        let per_s = total / self.rise_s;
        let mut clean = Clean { time_s: vec![], pressure_pa: vec![], flow_m3_per_s: vec![] };
        let mut p_pa = start_pa;
        // Time since the rise began, s.
        let mut run_s = 0.0_f64;
        for i in 0..self.samples {
            let target_s = (i as f64 - begins) * spacing_s;
            if target_s > 0.0 {
                let span_s = target_s - run_s;
                let stiffness = self.exponent / self.air.max(1.0e-4);
                let steps = (span_s * per_s * stiffness / 0.05).ceil().clamp(2.0, 2_000.0);
                let h_s = span_s / steps;
                for _ in 0..steps as usize {
                    let rate = |p: f64, t: f64| self.modulus_at(p) * per_s * shape(t / self.rise_s);
                    let k1 = rate(p_pa, run_s);
                    let k2 = rate(p_pa + 0.5 * h_s * k1, run_s + 0.5 * h_s);
                    let k3 = rate(p_pa + 0.5 * h_s * k2, run_s + 0.5 * h_s);
                    let k4 = rate(p_pa + h_s * k3, run_s + h_s);
                    p_pa += h_s / 6.0 * (k1 + 2.0 * k2 + 2.0 * k3 + k4);
                    run_s += h_s;
                }
            }
            clean.time_s.push(i as f64 * spacing_s);
            clean.pressure_pa.push(p_pa - self.atmosphere_pa);
            let flows = if target_s > 0.0 { shape(run_s / self.rise_s) } else { 0.0 };
            clean.flow_m3_per_s.push(flows * per_s * self.volume_m3);
        }
        clean
    }
}

fn one_of<T: Copy>(noise: &mut Noise, choices: &[T]) -> T {
    choices[noise.uniform(0.0, choices.len() as f64) as usize]
}

fn rounded(values: &mut [f64], step: f64) {
    for v in values.iter_mut().filter(|_| step > 0.0) {
        *v = (*v / step).round() * step;
    }
}

/// The errors of given quantities are drawn from what is stated of them; the exponent, the form, the
/// liquid's stiffening and where the record begins are anything.
fn anywhere(noise: &mut Noise) -> Vec<Case> {
    let truth = Truth {
        form: one_of(noise, &[Form::Wood, Form::ReferenceState, Form::LiquidCompressed]),
        air: noise.log_uniform(5.0e-4, 0.12),
        exponent: match one_of(noise, &[0, 1, 2]) {
            0 => 1.0,
            1 => 1.4,
            _ => noise.uniform(1.0, 1.4),
        },
        modulus_pa: noise.uniform(1.0e9, 1.8e9),
        modulus_slope: if noise.uniform(0.0, 1.0) < 0.5 { 0.0 } else { noise.uniform(0.0, 12.0) },
        atmosphere_pa: noise.uniform(99_325.0, 103_325.0),
        volume_m3: noise.log_uniform(10.0e-6, 100.0e-6),
        start_pa: one_of(noise, &[0.0, 0.0, 0.04e6, 0.3e6]),
        end_pa: noise.log_uniform(1.5e6, 60.0e6),
        rise_s: noise.log_uniform(0.05, 20.0),
        samples: noise.log_uniform(200.0, 3_000.0) as usize,
        base_spacings: 0.0,
    };
    let begins = match one_of(noise, &[0, 1, 2]) {
        0 => 0.0,
        1 => -noise.uniform(0.0, 0.03) * truth.samples as f64,
        _ => noise.uniform(0.05, 0.4) * truth.samples as f64 + noise.uniform(0.0, 1.0),
    };
    let truth = Truth { base_spacings: begins, ..truth };
    let noise_share = one_of(noise, &[0.0, 2.0e-4, 1.0e-3, 4.0e-3, 2.0e-2]);
    let resolution = one_of(noise, &[0.0, 0.0, 1.0 / 4096.0]) * truth.end_pa;
    let modulus_u = one_of(noise, &[0.0, 0.02, 0.05]);
    let volume_u = one_of(noise, &[0.0, 0.01, 0.03]);
    let has_flow = noise.uniform(0.0, 1.0) < 0.5;
    let flow_noise = one_of(noise, &[0.0, 0.005, 0.05]);
    let waver = if has_flow { noise.uniform(0.0, 0.2) } else { 0.0 };

    let clean = truth.record(|share| 1.0 + waver * (20.0 * share).sin());
    let mut pressure_pa: Vec<f64> =
        clean.pressure_pa.iter().map(|p| p + noise.normal(noise_share * truth.end_pa)).collect();
    rounded(&mut pressure_pa, resolution);
    let flow_scale = clean.flow_m3_per_s.iter().fold(0.0_f64, |most, q| most.max(*q));
    let flow: Vec<f64> =
        clean.flow_m3_per_s.iter().map(|q| q + noise.normal(flow_noise * flow_scale)).collect();
    let stated = |value: f64, relative: f64, noise: &mut Noise| {
        Input::new(value + noise.normal(relative * value), relative * value)
    };
    let volume = stated(truth.volume_m3, volume_u, noise);
    let modulus = stated(truth.modulus_pa, modulus_u, noise);
    let found = air_fraction(&BuildUp::recorded(
        &clean.time_s,
        &pressure_pa,
        has_flow.then_some(flow.as_slice()),
        Some(volume),
        Some(modulus),
    ));
    cases(&found, truth.air, truth.air * truth.volume_m3)
}

fn cases(found: &Result<stepwell_analysis::air::Air, Unmeasured>, air: f64, air_m3: f64) -> Vec<Case> {
    let fraction = found.clone().map(|air| air.fraction_at_atmosphere);
    let volume = found.clone().and_then(|air| air.volume_m3);
    vec![
        Case { finding: FRACTION, truth: air, measured: fraction },
        Case { finding: VOLUME, truth: air_m3, measured: volume },
    ]
}

/// 0.5 % of air, 1 kHz, to 8 MPa in 0.5 s after 0.1 s, 0.02 MPa of noise.
fn working_point() -> Truth {
    Truth {
        form: Form::LiquidCompressed,
        air: 0.005,
        exponent: 1.2,
        modulus_pa: 1.4e9,
        modulus_slope: 0.0,
        atmosphere_pa: 101_325.0,
        volume_m3: 25.0e-6,
        start_pa: 0.0,
        end_pa: 8.0e6,
        rise_s: 0.5,
        samples: 600,
        base_spacings: 99.4,
    }
}

const HERE_NOISE_PA: f64 = 0.02e6;

/// Everything given is drawn from the distribution it is stated with, the exponent too.
fn here(noise: &mut Noise) -> Vec<Case> {
    let exponent = Input::rectangular(1.2, 0.2);
    let truth = Truth { exponent: 1.2 + noise.uniform(-0.2, 0.2), ..working_point() };
    let clean = truth.record(|_| 1.0);
    let pressure_pa: Vec<f64> = clean.pressure_pa.iter().map(|p| p + noise.normal(HERE_NOISE_PA)).collect();
    let modulus = Input::new(truth.modulus_pa + noise.normal(0.03e9), 0.03e9);
    let volume = Input::new(truth.volume_m3 + noise.normal(0.5e-6), 0.5e-6);
    let found = air_fraction(&BuildUp {
        atmosphere_pa: Input::exact(truth.atmosphere_pa),
        gas_exponent: exponent,
        modulus_slope: Input::exact(0.0),
        form: Input::exact(1.0),
        ..BuildUp::recorded(&clean.time_s, &pressure_pa, None, Some(volume), Some(modulus))
    });
    cases(&found, truth.air, truth.air * truth.volume_m3)
}

/// Noise only: start, rate and air unknown, all else exact.
fn bounds() -> Vec<Bound> {
    let truth = working_point();
    vec![Bound {
        finding: FRACTION,
        point: "0.5 % of air, 8 MPa in 0.5 s, noise 0.02 MPa",
        truth: truth.air,
        bound_sd: bound_of(&truth),
        estimate: Box::new(move |noise| {
            let clean = truth.record(|_| 1.0);
            let pressure_pa: Vec<f64> =
                clean.pressure_pa.iter().map(|p| p + noise.normal(HERE_NOISE_PA)).collect();
            air_fraction(&BuildUp {
                atmosphere_pa: Input::exact(truth.atmosphere_pa),
                gas_exponent: Input::exact(truth.exponent),
                modulus_slope: Input::exact(0.0),
                form: Input::exact(1.0),
                ..BuildUp::recorded(
                    &clean.time_s,
                    &pressure_pa,
                    None,
                    None,
                    Some(Input::exact(truth.modulus_pa)),
                )
            })
            .map(|air| air.fraction_at_atmosphere.value)
        }),
    }]
}

/// Bound of Cramér and Rao for the air with start and rate unknown: what is left of the derivative by
/// air after the derivatives by the other two are taken out (Gram and Schmidt).
fn bound_of(truth: &Truth) -> f64 {
    let clean = truth.record(|_| 1.0);
    let total = truth.needed(truth.start_pa + truth.atmosphere_pa, truth.end_pa + truth.atmosphere_pa);
    let per_s = total / truth.rise_s;
    let spacing_s = clean.time_s[1];
    let start_pa = truth.start_pa + truth.atmosphere_pa;
    let columns: Vec<[f64; 3]> = clean
        .time_s
        .iter()
        .zip(&clean.pressure_pa)
        .filter(|(t, _)| **t > truth.base_spacings * spacing_s)
        .map(|(t, p)| {
            let p_pa = p + truth.atmosphere_pa;
            let modulus_pa = truth.modulus_at(p_pa);
            let h = 1.0e-3 * truth.air;
            let moved = |air: f64| Truth { air, ..*truth }.needed(start_pa, p_pa);
            let by_air = (moved(truth.air + h) - moved(truth.air - h)) / (2.0 * h);
            let run_s = t - truth.base_spacings * spacing_s;
            [modulus_pa * per_s, modulus_pa * run_s * per_s, -modulus_pa * by_air]
        })
        .collect();
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let column = |k: usize| columns.iter().map(|row| row[k]).collect::<Vec<f64>>();
    let less = |a: Vec<f64>, b: &[f64]| {
        let share = dot(&a, b) / dot(b, b);
        a.iter().zip(b).map(|(a, b)| a - share * b).collect::<Vec<f64>>()
    };
    let first = column(0);
    let second = less(column(1), &first);
    let left = less(less(column(2), &first), &second);
    HERE_NOISE_PA / dot(&left, &left).sqrt()
}

#[cfg(test)]
mod tests {
    use super::KIND;
    use crate::trials::assert_covers_enough;

    /// 362 is the 1e-4 quantile of 400 draws at 95 % (binomial distribution).
    #[test]
    fn intervals_hold_the_truth() {
        assert_covers_enough(&KIND, 400, 362);
    }
}
