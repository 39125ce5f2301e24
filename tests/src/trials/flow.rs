//! Trials of flow: pulses that jitter, flows that waver, and columns of readings.

use super::{Bound, Case, Kind, Noise};
use std::f64::consts::TAU;
use stepwell_analysis::Input;
use stepwell_analysis::flow::{Meter, flow, flow_column};

/// Flow.
pub const KIND: Kind = Kind { name: "flow", anywhere, here, bounds };

/// How a flow moves about its mean.
#[derive(Clone, Copy, Debug)]
enum Waver {
    Steady,
    /// First order: standard deviation over the mean, and how many readings it lasts.
    Slow(f64, f64),
    /// A ripple: amplitude over the mean, and its period in readings.
    Ripple(f64, f64),
}

impl Waver {
    fn drawn(self, count: usize, noise: &mut Noise) -> Vec<f64> {
        match self {
            Waver::Steady => vec![0.0; count],
            Waver::Slow(sd, lasts) => {
                let r = (-1.0 / lasts).exp();
                let mut now = noise.normal(sd);
                (0..count)
                    .map(|_| {
                        now = r * now + noise.normal(sd * (1.0 - r * r).sqrt());
                        now
                    })
                    .collect()
            }
            Waver::Ripple(amplitude, period) => {
                let phase = noise.uniform(0.0, TAU);
                (0..count).map(|i| amplitude * (phase + TAU * i as f64 / period).sin()).collect()
            }
        }
    }

    fn anywhere(count: usize, noise: &mut Noise) -> Waver {
        match noise.uniform(0.0, 3.0) as usize {
            0 => Waver::Steady,
            1 => Waver::Slow(noise.log_uniform(0.001, 0.05), noise.log_uniform(1.0, count as f64 / 20.0)),
            _ => Waver::Ripple(noise.log_uniform(0.001, 0.05), noise.uniform(3.0, count as f64 / 20.0)),
        }
    }
}

struct Pulses {
    count: usize,
    waver: Waver,
    /// Of each instant, over the mean period.
    jitter: f64,
}

const K_PER_M3: f64 = 8.234e6;
const K_RELATIVE_U: f64 = 0.001;

impl Pulses {
    fn case(&self, per_s: f64, noise: &mut Noise) -> Case {
        let reported = K_PER_M3 * (1.0 + noise.normal(K_RELATIVE_U));
        let mut passed_s = noise.uniform(0.0, 10.0);
        // The flow sets how soon the next pulse comes; its mean over time is the truth.
        let waver = self.waver.drawn(self.count, noise);
        let instants: Vec<f64> = waver
            .iter()
            .map(|w| {
                passed_s += (1.0 + w) / per_s;
                passed_s + noise.normal(self.jitter / per_s)
            })
            .collect();
        let meter = Meter { k_factor_per_m3: Input::relative(reported, K_RELATIVE_U) };
        Case {
            finding: "flow",
            truth: per_s / K_PER_M3,
            measured: flow(&instants, &meter).map(|flow| flow.rate_m3_per_s),
        }
    }
}

fn column(count: usize, waver: Waver, spread: f64, noise: &mut Noise) -> Case {
    let truth = noise.log_uniform(1e-7, 1e-4);
    let reported = truth / (1.0 + noise.normal(K_RELATIVE_U));
    let waver = waver.drawn(count, noise);
    let readings: Vec<f64> = waver.iter().map(|w| reported * (1.0 + w + noise.normal(spread))).collect();
    let time_s: Vec<f64> = (0..count).map(|i| i as f64 * 0.01).collect();
    Case {
        finding: "flow",
        truth,
        measured: flow_column(&time_s, &readings, Input::relative(1.0, K_RELATIVE_U)),
    }
}

fn anywhere(noise: &mut Noise) -> Vec<Case> {
    let count = noise.log_uniform(200.0, 5_000.0) as usize;
    let waver = Waver::anywhere(count, noise);
    if noise.uniform(0.0, 1.0) < 0.5 {
        let jitter = noise.log_uniform(1e-3, 0.1);
        vec![Pulses { count, waver, jitter }.case(noise.log_uniform(5.0, 2_000.0), noise)]
    } else {
        vec![column(count, waver, noise.log_uniform(5e-4, 0.05), noise)]
    }
}

/// 240 pulses at 24 Hz that jitter by half a per cent, of a flow that wavers by 3 % over ten pulses.
fn here(noise: &mut Noise) -> Vec<Case> {
    let pulses = Pulses { count: 240, waver: Waver::Slow(0.03, 10.0), jitter: 0.005 };
    vec![pulses.case(24.0, noise)]
}

fn bounds() -> Vec<Bound> {
    Vec::new()
}

#[cfg(test)]
mod tests {
    use super::anywhere;
    use crate::trials::Noise;

    /// Between the 1e-4 quantiles of 400 draws that succeed in 95 %.
    #[test]
    fn intervals_hold_the_truth() {
        let mut noise = Noise::new(5);
        let held = (0..400)
            .flat_map(|_| anywhere(&mut noise))
            .filter(|case| {
                let measured = case.measured.as_ref().expect("a whole recording");
                (measured.value - case.truth).abs() <= measured.expanded_uncertainty()
            })
            .count();
        assert!((362..=394).contains(&held), "{held} of 400");
    }
}
