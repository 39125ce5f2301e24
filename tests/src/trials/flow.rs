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
    use super::*;
    #[test]
    fn zz_flow() {
        let n: usize = std::env::var("N").ok().and_then(|n| n.parse().ok()).unwrap_or(2000);
        let mut noise = Noise::new(5);
        let mut rows: std::collections::BTreeMap<String, (u32, u32, f64, u32)> = Default::default();
        let start = std::time::Instant::now();
        for _ in 0..n {
            let count = noise.log_uniform(200.0, 5_000.0) as usize;
            let waver = Waver::anywhere(count, &mut noise);
            let pulses = noise.uniform(0.0, 1.0) < 0.5;
            let jitter = noise.log_uniform(1e-3, 0.1);
            let case = if pulses {
                Pulses { count, waver, jitter }.case(24.0, &mut noise)
            } else {
                column(count, waver, jitter * 0.5, &mut noise)
            };
            let w = match waver {
                Waver::Steady => "steady",
                Waver::Slow(..) => "slow",
                Waver::Ripple(..) => "ripple",
            };
            let kind = if pulses { "pulses" } else { "column" };
            for key in [
                "all".to_string(),
                kind.into(),
                format!("{kind} {w}"),
                format!("{kind} {w} {}", if count < 1000 { "few" } else { "many" }),
            ] {
                let row = rows.entry(key).or_default();
                row.0 += 1;
                match &case.measured {
                    Ok(m) => {
                        row.1 += u32::from((m.value - case.truth).abs() <= m.expanded_uncertainty());
                        row.2 += ((m.value - case.truth) / m.standard_uncertainty()).powi(2).min(50.0);
                    }
                    Err(e) => {
                        row.3 += 1;
                        if row.3 < 2 {
                            println!("{e}");
                        }
                    }
                }
            }
        }
        println!("{:.3} ms", start.elapsed().as_secs_f64() * 1e3 / n as f64);
        for (key, r) in rows {
            let m = f64::from(r.0 - r.3);
            println!(
                "{key:28} n {} cover {:.2} refused {} rms/u {:.2}",
                r.0,
                100.0 * f64::from(r.1) / m,
                r.3,
                (r.2 / m).sqrt()
            );
        }
        let (mut v, mut u) = (vec![], 0.0);
        for _ in 0..2000 {
            let c = &here(&mut noise)[0];
            let m = c.measured.as_ref().unwrap();
            v.push(m.value - c.truth);
            u += m.standard_uncertainty();
        }
        let n = v.len() as f64;
        let sd = (v.iter().map(|x| x * x).sum::<f64>() / n).sqrt();
        println!("here sd {sd:e} u {:e}", u / n);
    }
}
