//! Recordings of a coil: transients of voltage and current, and steady dwells of a board.
//!
//! The coil's current is solved exactly between the instants at which its source changes: a winding in
//! series with an inductance that has an eddy resistance across it, fed from a source with a resistance.

mod source;

use super::{Bound, Case, Kind, Noise};
use source::{Coil, Source};
use stepwell_analysis::coil::transient::{CoilFound, CoilRecord, transient};
use stepwell_analysis::coil::{CoilCircuit, CoilTemperature, SteadyDwell, resistance_at_20c};
use stepwell_analysis::{Input, Unmeasured};

/// Trials of coils.
pub const KIND: Kind = Kind { name: "coil", anywhere, here, bounds };

const ALPHA_PER_K: f64 = 0.00393;

/// What a recorder does to a signal.
#[derive(Clone, Copy, Debug)]
struct Recorder {
    noise: f64,
    step: f64,
    offset: f64,
}

impl Recorder {
    const PERFECT: Recorder = Recorder { noise: 0.0, step: 0.0, offset: 0.0 };

    fn record(&self, values: &[f64], noise: &mut Noise) -> Vec<f64> {
        let read = |value: &f64| {
            let value = value + self.offset + if self.noise > 0.0 { noise.normal(self.noise) } else { 0.0 };
            if self.step > 0.0 { (value / self.step).round() * self.step } else { value }
        };
        values.iter().map(read).collect()
    }
}

/// A recording with everything that is known of it.
#[derive(Clone, Debug)]
struct Recording {
    time_s: Vec<f64>,
    voltage_v: Vec<f64>,
    current_a: Vec<f64>,
    current_gain: Input,
    voltage_gain: Input,
    lead_ohm: Input,
    celsius: Input,
    at_s: Option<f64>,
}

impl Recording {
    fn found(&self) -> Result<CoilFound, Unmeasured> {
        transient(&CoilRecord {
            time_s: &self.time_s,
            voltage_v: &self.voltage_v,
            current_a: &self.current_a,
            current_gain: self.current_gain,
            voltage_gain: self.voltage_gain,
            lead_ohm: self.lead_ohm,
            temperature: Some(CoilTemperature { celsius: self.celsius }),
            at_s: self.at_s,
        })
    }
}

/// Draws a value from the distribution that an input states.
fn drawn(noise: &mut Noise, value: f64, u: f64) -> (f64, Input) {
    (value, Input::new(value + noise.normal(u), u))
}

/// A coil that the trade might have: 0.5 to 15 ohm, 1 to 20 ms, iron that carries eddy currents or none.
fn any_coil(noise: &mut Noise) -> Coil {
    let ohm = noise.log_uniform(0.5, 15.0);
    let tau_s = noise.log_uniform(1e-3, 20e-3);
    let share = if noise.uniform(0.0, 1.0) < 0.5 { 0.0 } else { noise.uniform(0.01, 0.1) };
    Coil { ohm, henry: tau_s * ohm * (1.0 - share), share }
}

fn any_recorder(noise: &mut Noise, range: f64) -> Recorder {
    let deviation = if noise.uniform(0.0, 1.0) < 0.15 { 0.0 } else { range * noise.log_uniform(1e-4, 3e-2) };
    let step = if noise.uniform(0.0, 1.0) < 0.3 {
        range * 1.2 / 2.0_f64.powi(noise.uniform(8.0, 13.0) as i32)
    } else {
        0.0
    };
    Recorder { noise: deviation, step, offset: 0.0 }
}

fn anywhere(noise: &mut Noise) -> Vec<Case> {
    let mut cases = any_transient(noise);
    cases.push(any_dwell(noise));
    cases
}

fn any_transient(noise: &mut Noise) -> Vec<Case> {
    let coil = any_coil(noise);
    let lead = if noise.uniform(0.0, 1.0) < 0.5 { (0.0, Input::exact(0.0)) } else { drawn(noise, 0.1, 0.01) };
    let wired = coil.with_lead(lead.0);
    let tau_s = wired.tau_s();
    let full_v = noise.uniform(3.0, 24.0);
    let source_ohm =
        if noise.uniform(0.0, 1.0) < 0.5 { 0.0 } else { wired.ohm * noise.log_uniform(1e-3, 0.3) };
    let mut samples = noise.log_uniform(200.0, 8_000.0) as usize;
    let after_s = tau_s * noise.log_uniform(2.0, 25.0);
    let shape = noise.uniform(0.0, 1.0);
    let (source, before_s, starts_a, may_be_off) = if shape < 0.6 {
        // Step on, from rest.
        let before_s = after_s * noise.log_uniform(0.03, 1.0);
        (Source::step(source_ohm, 0.0, full_v), before_s, 0.0, true)
    } else if shape < 0.7 {
        // Freewheeling, until just before the current has gone.
        let before_s = after_s * noise.log_uniform(0.05, 0.5);
        (Source::step(source_ohm, full_v, -0.7), before_s, full_v / (wired.ohm + source_ohm), false)
    } else if shape < 0.8 {
        (Source::constant(source_ohm, full_v), 0.0, full_v / wired.ohm * noise.uniform(0.0, 0.5), false)
    } else if shape < 0.88 {
        (Source::constant(source_ohm, full_v), 0.0, full_v / (wired.ohm + source_ohm), false)
    } else {
        let period_s = tau_s * noise.log_uniform(0.1, 1.0);
        let duty = noise.uniform(0.3, 0.8);
        // Sampled fast: twenty samples a period at least.
        samples = samples.max((20.0 * 1.1 * after_s / period_s) as usize);
        (Source::pwm(source_ohm, full_v, -0.7, period_s, duty, 400), after_s * 0.1, 0.0, true)
    };
    let freewheels = (0.7..0.8).contains(&(shape + 0.1));
    let gone_s = tau_s * (1.0 + (full_v / 0.7) * wired.ohm / (wired.ohm + source_ohm)).ln() * 0.95;
    let after_s = if freewheels { after_s.min(gone_s) } else { after_s };
    let spacing_s = (before_s + after_s) / samples as f64;
    let phase_s = if noise.uniform(0.0, 1.0) < 0.1 { 0.0 } else { noise.uniform(0.0, 1.0) * spacing_s };
    let steps_before = (before_s / spacing_s).ceil().max(4.0);
    let first_s = if before_s > 0.0 { -steps_before * spacing_s + phase_s } else { 0.0 };
    let time_s: Vec<f64> = (0..samples).map(|k| first_s + k as f64 * spacing_s).collect();
    let (voltage_v, current_a) = wired.driven(&source, &time_s, starts_a);
    let range_a = current_a.iter().fold(0.0_f64, |most, i| most.max(i.abs()));
    let mut of_current = any_recorder(noise, range_a);
    if may_be_off {
        of_current.offset = range_a * noise.uniform(-0.02, 0.02);
    }
    let of_voltage = any_recorder(noise, full_v);
    let (u_current, u_voltage) = (noise.log_uniform(1e-4, 1e-2), noise.log_uniform(1e-4, 1e-2));
    let celsius = noise.uniform(-10.0, 90.0);
    let u_celsius = noise.log_uniform(0.3, 3.0);
    let record = Recording {
        voltage_v: of_voltage.record(&voltage_v, noise),
        current_a: of_current.record(&current_a, noise),
        time_s,
        current_gain: drawn(noise, 1.0, u_current).1,
        voltage_gain: drawn(noise, 1.0, u_voltage).1,
        lead_ohm: lead.1,
        celsius: drawn(noise, celsius, u_celsius).1,
        at_s: None,
    };
    cases(&record, &coil, celsius)
}

fn cases(record: &Recording, coil: &Coil, celsius: f64) -> Vec<Case> {
    let found = record.found();
    let pick = |pick: fn(&CoilFound) -> &Result<stepwell_analysis::Measured, Unmeasured>| {
        found.as_ref().map_err(|reason| *reason).and_then(|found| pick(found).clone())
    };
    vec![
        Case {
            finding: "coil_resistance_20c",
            truth: coil.ohm / (1.0 + ALPHA_PER_K * (celsius - 20.0)),
            measured: pick(|found| &found.resistance_20c),
        },
        Case { finding: "coil_inductance", truth: coil.henry, measured: pick(|found| &found.inductance_h) },
    ]
}

/// A board's dwell: means of ticks of a PWM current whose mean obeys the volt balance.
fn any_dwell(noise: &mut Noise) -> Case {
    let celsius = noise.uniform(0.0, 60.0);
    let ohm_20 = noise.uniform(1.5, 6.0);
    let duty = noise.uniform(0.15, 0.6);
    let ticks = noise.uniform(60.0, 1_000.0) as usize;
    let relative = noise.log_uniform(1e-4, 1e-2);
    let u_celsius = noise.log_uniform(0.3, 3.0);
    dwell(noise, celsius, ohm_20, duty, ticks, relative, u_celsius)
}

fn dwell(
    noise: &mut Noise,
    celsius: f64,
    ohm_20: f64,
    duty: f64,
    ticks: usize,
    relative: f64,
    u_celsius: f64,
) -> Case {
    let ohm = ohm_20 * (1.0 + ALPHA_PER_K * (celsius - 20.0));
    let (drop_v, lead_ohm, switch_ohm) = (0.7, 0.15, 0.03);
    let zero_u_a = 1e-3;
    let zero_a = noise.normal(zero_u_a);
    let loop_ohm = ohm + lead_ohm + duty * switch_ohm;
    let current_a: Vec<f64> = (0..ticks)
        .map(|_| (duty * 12.0 - (1.0 - duty) * drop_v) / loop_ohm + zero_a + noise.normal(2e-3))
        .collect();
    let supply_v: Vec<f64> = (0..ticks).map(|_| 12.0 + noise.normal(5e-3)).collect();
    let circuit = CoilCircuit {
        freewheel_drop_v: drawn(noise, drop_v, 0.05).1,
        lead_ohm: drawn(noise, lead_ohm, 0.01).1,
        switch_on_ohm: drawn(noise, switch_ohm, 0.005).1,
        current_gain: drawn(noise, 1.0, relative).1,
        voltage_gain: drawn(noise, 1.0, relative).1,
    };
    let steady = SteadyDwell {
        current_a: &current_a,
        supply_v: &supply_v,
        duty,
        pwm_period_s: 1e-3,
        ticks_per_pwm_period: 1,
        current_zero_u_a: zero_u_a,
    };
    let temperature = CoilTemperature { celsius: drawn(noise, celsius, u_celsius).1 };
    let measured = resistance_at_20c(&steady, &circuit, Some(temperature)).and_then(|found| {
        found.at_20c.ok_or(Unmeasured::NotGiven { name: "the temperature", what_to_do: "state it" })
    });
    Case { finding: "dwell_resistance_20c", truth: ohm_20, measured }
}

/// A scope's view of 12 V switched on to 3 ohm and 12 mH with 60 ohm of eddy resistance across them.
const SPACING_S: f64 = 20e-6;
const SAMPLES: usize = 2_000;
const BEFORE_S: f64 = 4e-3;

fn on_step(noise: &mut Noise, coil: &Coil, noise_a: f64, noise_v: f64) -> Recording {
    let first_s = -BEFORE_S + noise.uniform(0.0, 1.0) * SPACING_S;
    let time_s: Vec<f64> = (0..SAMPLES).map(|k| first_s + k as f64 * SPACING_S).collect();
    let (voltage_v, current_a) = coil.driven(&Source::step(0.0, 0.0, 12.0), &time_s, 0.0);
    let with = |noise| Recorder { noise, ..Recorder::PERFECT };
    Recording {
        voltage_v: with(noise_v).record(&voltage_v, noise),
        current_a: with(noise_a).record(&current_a, noise),
        time_s,
        current_gain: Input::exact(1.0),
        voltage_gain: Input::exact(1.0),
        lead_ohm: Input::exact(0.0),
        celsius: Input::exact(20.0),
        at_s: None,
    }
}

fn here(noise: &mut Noise) -> Vec<Case> {
    let share = 3.0 / 63.0;
    let coil = Coil { ohm: 3.0, henry: 12e-3, share };
    let celsius = 40.0;
    let mut record = on_step(noise, &coil, 0.04, 0.05);
    record.current_gain = drawn(noise, 1.0, 2e-3).1;
    record.voltage_gain = drawn(noise, 1.0, 2e-3).1;
    record.celsius = drawn(noise, celsius, 0.5).1;
    let mut cases = cases(&record, &coil, celsius);
    cases.push(dwell(noise, 25.0, 3.0, 0.2, 500, 5e-3, 2.0));
    cases
}

fn bounds() -> Vec<Bound> {
    let plain = Coil { ohm: 3.0, henry: 12e-3, share: 0.0 };
    let iron = Coil { ohm: 3.0, henry: 12e-3, share: 3.0 / 63.0 };
    let mut bounds = Vec::new();
    for (coil, noise_a, noise_v, point) in [
        (plain, 0.04, 0.05, "12 V on to 3 ohm, 12 mH, noise 1 % of current, 0.4 % of voltage"),
        (plain, 0.004, 0.05, "the same, noise 0.1 % of current, 0.4 % of voltage"),
        (iron, 0.04, 0.05, "the same with an eddy share of 4.8 %, noise 1 % and 0.4 %"),
    ] {
        let [ohm_sd, henry_sd, tau_sd] = information_bound(&coil, noise_a, noise_v);
        let run = move |noise: &mut Noise| on_step(noise, &coil, noise_a, noise_v).found();
        bounds.push(Bound {
            finding: "coil_resistance_20c",
            point,
            truth: coil.ohm,
            bound_sd: ohm_sd,
            estimate: Box::new(move |noise| Ok(run(noise)?.resistance_20c?.value)),
        });
        bounds.push(Bound {
            finding: "coil_inductance",
            point,
            truth: coil.henry,
            bound_sd: henry_sd,
            estimate: Box::new(move |noise| Ok(run(noise)?.inductance_h?.value)),
        });
        bounds.push(Bound {
            finding: "coil_time_constant",
            point,
            truth: coil.tau_s(),
            bound_sd: tau_sd,
            estimate: Box::new(move |noise| Ok(run(noise)?.tau_s?.value)),
        });
    }
    bounds
}

/// Smallest standard deviations of R, L and tau from the information in both columns. Unknown are the two
/// levels of the voltage, R, tau, the current's zero, the instant of the step (known beforehand to within
/// one interval, variance h^2/12: van Trees, Detection, Estimation, and Modulation Theory I, 1968, from
/// memory) and, for iron, the eddy share.
fn information_bound(coil: &Coil, noise_a: f64, noise_v: f64) -> [f64; 3] {
    let time_s: Vec<f64> = (0..SAMPLES).map(|k| (k as f64 + 0.5) * SPACING_S - BEFORE_S).collect();
    // Parameters: level before, level after, R, tau, zero, instant, share.
    let at = [0.0, 12.0, coil.ohm, coil.tau_s(), 0.0, 0.0, coil.share];
    let unknown = if coil.share > 0.0 { 7 } else { 6 };
    let curve = |p: &[f64; 7]| -> Vec<f64> {
        time_s
            .iter()
            .map(|t| {
                let t = t - p[5];
                let rise = if t < 0.0 { 0.0 } else { 1.0 - (1.0 - p[6]) * (-t / p[3]).exp() };
                p[4] + (p[0] + (p[1] - p[0]) * rise) / p[2]
            })
            .collect()
    };
    let slopes: Vec<Vec<f64>> = (0..unknown)
        .map(|q| {
            let step = if q == 5 { 0.1 * SPACING_S } else { 1e-6 * at[q].abs().max(1e-3) };
            let (mut up, mut down) = (at, at);
            up[q] += step;
            down[q] -= step;
            curve(&up).iter().zip(curve(&down)).map(|(u, d)| (u - d) / (2.0 * step)).collect()
        })
        .collect();
    let mut information = vec![vec![0.0; unknown]; unknown];
    for q in 0..unknown {
        for r in 0..unknown {
            information[q][r] =
                slopes[q].iter().zip(&slopes[r]).map(|(a, b)| a * b).sum::<f64>() / noise_a.powi(2);
        }
    }
    let before = time_s.iter().filter(|t| **t < 0.0).count() as f64;
    information[0][0] += before / noise_v.powi(2);
    information[1][1] += (SAMPLES as f64 - before) / noise_v.powi(2);
    information[5][5] += 12.0 / SPACING_S.powi(2);
    let covariance = inverted(&information);
    let deviation = |by: &[(usize, f64)]| {
        let variance: f64 = by
            .iter()
            .flat_map(|(q, a)| by.iter().map(move |(r, b)| (q, a, r, b)))
            .map(|(q, a, r, b)| a * b * covariance[*q][*r])
            .sum();
        variance.sqrt()
    };
    let slow = 1.0 - coil.share;
    let mut of_henry = vec![(2, coil.tau_s() * slow), (3, coil.ohm * slow)];
    if unknown == 7 {
        of_henry.push((6, -coil.tau_s() * coil.ohm));
    }
    [deviation(&[(2, 1.0)]), deviation(&of_henry), deviation(&[(3, 1.0)])]
}

/// Inverse of a small symmetric positive matrix, by elimination with its own scale taken out.
fn inverted(matrix: &[Vec<f64>]) -> Vec<Vec<f64>> {
    let n = matrix.len();
    let scale: Vec<f64> = (0..n).map(|q| matrix[q][q].sqrt()).collect();
    let mut rows: Vec<Vec<f64>> = (0..n)
        .map(|q| {
            let left = (0..n).map(|r| matrix[q][r] / (scale[q] * scale[r]));
            left.chain((0..n).map(|r| f64::from(u8::from(q == r)))).collect()
        })
        .collect();
    for q in 0..n {
        let pivot = rows[q][q];
        rows[q].iter_mut().for_each(|x| *x /= pivot);
        let pivot_row = rows[q].clone();
        for (r, row) in rows.iter_mut().enumerate() {
            if r != q {
                let factor = row[q];
                row.iter_mut().zip(&pivot_row).for_each(|(x, p)| *x -= factor * p);
            }
        }
    }
    (0..n).map(|q| (0..n).map(|r| rows[q][n + r] / (scale[q] * scale[r])).collect()).collect()
}

#[cfg(test)]
mod tests {
    use super::{KIND, Noise};
    use std::collections::BTreeMap;

    const RECORDINGS: u64 = 400;

    /// At least 400 recordings of each finding; of 330 to 400 intervals of 95 % no fewer hold the truth than the
    /// binomial distribution allows once in 1e4: 0.95 n less 3.72 deviations. All of them may.
    #[test]
    fn stated_intervals_hold_the_truth() {
        let mut counts: BTreeMap<&str, (f64, f64)> = BTreeMap::new();
        for seed in 0..RECORDINGS {
            for case in (KIND.anywhere)(&mut Noise::new(seed)) {
                let (measured, held) = counts.entry(case.finding).or_default();
                if let Ok(found) = case.measured {
                    *measured += 1.0;
                    let holds = (found.value - case.truth).abs() <= found.expanded_uncertainty();
                    *held += f64::from(u8::from(holds));
                }
            }
        }
        assert_eq!(counts.len(), 3);
        for (finding, (measured, held)) in counts {
            // Direct current, 8 % of the recordings, has no inductance; little else is refused.
            assert!(measured >= 0.85 * RECORDINGS as f64, "{finding}: {measured} measured");
            let least = 0.95 * measured - 3.72 * (0.95 * 0.05 * measured).sqrt();
            assert!(
                held >= least,
                "{finding}: {held} of {measured} intervals hold the truth, {least} needed"
            );
        }
    }

    /// The variance of 400 estimates in white noise is at most 1.15 squared times the bound, and the scatter of
    /// a variance about its mean, 3.72 sqrt(2/400) = 26 %, more.
    #[test]
    fn estimates_scatter_little_more_than_they_must() {
        for bound in (KIND.bounds)() {
            let squares: f64 = (0..RECORDINGS)
                .map(|seed| {
                    let value = (bound.estimate)(&mut Noise::new(seed)).expect("a sound recording");
                    (value - bound.truth).powi(2)
                })
                .sum();
            let ratio = squares / RECORDINGS as f64 / bound.bound_sd.powi(2);
            let most = 1.15_f64.powi(2) * (1.0 + 3.72 * (2.0 / RECORDINGS as f64).sqrt());
            assert!(ratio <= most, "{} at {}: {ratio} of the bound's variance", bound.finding, bound.point);
        }
    }
}
