//! Trials of sweeps: ramps, staircases and tables of points of valves with every kind of hysteresis
//! and with dead stretches, up and down.

use super::{Bound, Case, Kind, Noise};
use std::f64::consts::PI;
use stepwell_analysis::reason::Signal;
use stepwell_analysis::sweep::{Sweep, SweepRecord, sweep};
use stepwell_analysis::{Measured, Unmeasured};

/// Sweeps.
pub const KIND: Kind = Kind { name: "sweep", anywhere, here, bounds };

/// Places at which truths are looked for.
const FINE: usize = 4_000;

/// How the ways differ.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Ways {
    /// By the same everywhere.
    Same(f64),
    /// By more at one end than at the other.
    Sloped(f64, f64),
    /// Most in one place: height, where, how wide, on top of a share that is the same everywhere.
    Peaked(f64, f64, f64, f64),
    /// Because the valve rests after a reversal until duty has changed by this much.
    Play(f64),
}

/// A valve: output over duty, both 0 to 1.
#[derive(Clone, Copy, Debug)]
struct Valve {
    bend: f64,
    wave: f64,
    /// Below, nothing moves.
    threshold: f64,
    ways: Ways,
}

impl Valve {
    fn steady(&self, at: f64) -> f64 {
        let beyond = (at - self.threshold).max(0.0);
        beyond + self.bend * beyond * (1.0 - at) + self.wave * (PI * beyond).sin().powi(2)
    }

    /// Output at a duty of a sweep from 0 to 1 and back; before it, the valve came down to 0.
    fn output(&self, at: f64, is_up: bool) -> f64 {
        let side = if is_up { -0.5 } else { 0.5 };
        match self.ways {
            Ways::Same(d) => self.steady(at) + side * d,
            Ways::Sloped(from, to) => self.steady(at) + side * (from + (to - from) * at),
            Ways::Peaked(height, middle, width, rest) => {
                let z = (at - middle) / width;
                self.steady(at) + side * (rest + height * (-0.5 * z * z).exp())
            }
            Ways::Play(play) if is_up => self.steady((at - 0.5 * play).max(0.5 * play)),
            Ways::Play(play) => self.steady((at + 0.5 * play).min(1.0 - 0.5 * play)),
        }
    }
}

/// How it was recorded.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Form {
    Ramp {
        samples: usize,
        cycles: usize,
    },
    /// A ramp that was computed beforehand: every way ends at a sample, and its ends are held for some.
    Computed {
        per_way: usize,
        held: usize,
        timed: bool,
    },
    Stairs {
        levels: usize,
        hold: usize,
    },
    Points {
        levels: usize,
    },
}

/// A valve and the recording of it.
#[derive(Clone, Copy, Debug)]
struct Scene {
    valve: Valve,
    form: Form,
    noise: f64,
    duty_noise: f64,
    step: f64,
    scale: f64,
    offset: f64,
    /// The output rises as duty falls, and the sweep begins at the highest duty.
    turned: bool,
}

struct Recording {
    time_s: Option<Vec<f64>>,
    duty: Vec<f64>,
    output: Vec<f64>,
}

impl Scene {
    fn anywhere(noise: &mut Noise) -> Scene {
        let size = noise.uniform(0.005, 0.12);
        let pick = |noise: &mut Noise, n: usize| (noise.uniform(0.0, n as f64) as usize).min(n - 1);
        let ways = match pick(noise, 6) {
            0 => Ways::Same(0.0),
            1 | 2 => Ways::Same(size),
            3 => Ways::Sloped(noise.uniform(0.2, 0.8) * size, size),
            4 => {
                Ways::Peaked(size, noise.uniform(0.3, 0.7), noise.uniform(0.1, 0.3), noise.uniform(0.0, size))
            }
            _ => Ways::Play(size),
        };
        // Where nothing moves, the difference does not change either.
        let may_rest = matches!(ways, Ways::Same(_) | Ways::Play(_));
        let threshold = if may_rest && pick(noise, 2) == 0 { noise.uniform(0.03, 0.25) } else { 0.0 };
        let form = match pick(noise, 5) {
            0 | 1 => Form::Ramp {
                samples: noise.log_uniform(300.0, 20_000.0) as usize,
                cycles: 1 + pick(noise, 3),
            },
            2 => Form::Computed {
                per_way: noise.log_uniform(150.0, 3_000.0) as usize,
                held: [1, 1, 2, 3, 10, 50][pick(noise, 6)],
                timed: pick(noise, 2) == 0,
            },
            3 => Form::Stairs { levels: 9 + pick(noise, 13), hold: 20 + pick(noise, 200) },
            _ => Form::Points { levels: 9 + pick(noise, 33) },
        };
        Scene {
            valve: Valve {
                bend: noise.uniform(-0.6, 0.6),
                wave: if pick(noise, 2) == 0 { 0.0 } else { noise.uniform(-0.15, 0.15) },
                threshold,
                ways,
            },
            form,
            noise: noise.log_uniform(2e-4, 0.02),
            duty_noise: if pick(noise, 2) == 0 { 0.0 } else { 1e-3 },
            step: if pick(noise, 3) == 0 { noise.log_uniform(1e-4, 0.01) } else { 0.0 },
            scale: 4.0e7,
            offset: 1.0e6,
            turned: pick(noise, 2) == 0,
        }
    }

    fn recorded(&self, noise: &mut Noise) -> Recording {
        let mut rows: Vec<(f64, f64)> = Vec::new();
        match self.form {
            Form::Ramp { samples, cycles } => {
                for k in 0..=samples {
                    let phase = (k as f64 / samples as f64 * cycles as f64).min(cycles as f64 - 1e-9).fract();
                    let (at, is_up) =
                        if phase < 0.5 { (2.0 * phase, true) } else { (2.0 - 2.0 * phase, false) };
                    rows.push((at, self.valve.output(at, is_up)));
                }
            }
            Form::Computed { per_way, held, .. } => {
                let mut add = |k: usize, is_up: bool| {
                    let at = k as f64 / per_way as f64;
                    let samples = if k == 0 || k == per_way { held } else { 1 };
                    rows.extend(std::iter::repeat_n((at, self.valve.output(at, is_up)), samples));
                };
                (0..=per_way).for_each(|k| add(k, true));
                (0..per_way).rev().for_each(|k| add(k, false));
            }
            Form::Stairs { levels, hold } => {
                let mut output = self.valve.output(0.0, true);
                for (at, is_up) in levels_up_and_down(levels) {
                    let towards = self.valve.output(at, is_up);
                    for k in 0..hold {
                        let left = (-(k as f64) / (0.04 * hold as f64)).exp();
                        rows.push((at, towards + (output - towards) * left));
                    }
                    output = towards;
                }
            }
            Form::Points { levels } => {
                let points = levels_up_and_down(levels);
                rows.extend(points.iter().map(|(at, is_up)| (*at, self.valve.output(*at, *is_up))));
            }
        }
        let mut recording = Recording {
            time_s: (!matches!(self.form, Form::Points { .. } | Form::Computed { timed: false, .. }))
                .then(|| (0..rows.len()).map(|i| i as f64 * 1e-3).collect()),
            duty: Vec::new(),
            output: Vec::new(),
        };
        let round = |value: f64, step: f64| if step > 0.0 { (value / step).round() * step } else { value };
        for (at, output) in rows {
            let at = if self.turned { 1.0 - at } else { at };
            recording.duty.push(0.1 + 0.2 * (at + noise.normal(self.duty_noise)));
            let shown = round(output + noise.normal(self.noise), self.step);
            recording.output.push(self.offset + self.scale * shown);
        }
        recording
    }

    /// Hysteresis, dead band and linearity.
    fn truth(&self) -> [f64; 3] {
        let valve = &self.valve;
        let last = match self.form {
            Form::Ramp { .. } | Form::Computed { .. } => FINE,
            Form::Stairs { levels, .. } | Form::Points { levels } => levels - 1,
        };
        let is_points = last != FINE;
        let places: Vec<f64> = (0..=last).map(|k| k as f64 / last as f64).collect();
        let average = |at: f64| 0.5 * (valve.output(at, true) + valve.output(at, false));
        let span = valve.output(1.0, true) - average(0.0);
        let compared = if is_points { last } else { last + 1 };
        let widest = places[..compared]
            .iter()
            .map(|at| (valve.output(*at, false) - valve.output(*at, true)).abs())
            .fold(0.0, f64::max);
        let mut curve: Vec<f64> = places.iter().map(|at| average(*at)).collect();
        if is_points {
            curve[last] = valve.output(1.0, true);
        }
        let play = if let Ways::Play(play) = valve.ways { play } else { 0.0 };
        let dead = if valve.threshold > 0.0 { (valve.threshold + 0.5 * play).max(play) } else { play };
        // The dead band is one of duty, which goes over 0.2.
        [widest / span, 0.2 * dead, flattest_strip(&places, &curve) / 2.0 / span]
    }

    fn cases(&self, noise: &mut Noise) -> Vec<Case> {
        let recording = self.recorded(noise);
        let found = sweep(&SweepRecord {
            time_s: recording.time_s.as_deref(),
            duty: &recording.duty,
            output: &recording.output,
            signal: Signal::Pressure,
        });
        let [hysteresis, dead_band, linearity] = self.truth();
        let case = |finding, truth, of: fn(&Sweep) -> Result<Measured, Unmeasured>| Case {
            finding,
            truth,
            measured: found.clone().and_then(|sweep| of(&sweep)),
        };
        vec![
            case("hysteresis", hysteresis, |s| Ok(s.hysteresis.clone())),
            case("dead_band", dead_band, |s| s.dead_band.clone()),
            case("linearity", linearity, |s| Ok(s.linearity.clone())),
        ]
    }
}

fn levels_up_and_down(levels: usize) -> Vec<(f64, bool)> {
    let at = |k: usize| k as f64 / (levels - 1) as f64;
    let up = (0..levels).map(|k| (at(k), true));
    up.chain((0..levels - 1).rev().map(|k| (at(k), false))).collect()
}

/// Height of the flattest strip that holds a curve, by golden section over its slope.
fn flattest_strip(at: &[f64], curve: &[f64]) -> f64 {
    let height = |slope: f64| {
        let left = at.iter().zip(curve).map(|(x, y)| y - slope * x);
        let (low, high) =
            left.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (v.min(low), v.max(high)));
        high - low
    };
    let golden = (5.0_f64.sqrt() - 1.0) / 2.0;
    let (mut from, mut to) = (-10.0, 10.0);
    for _ in 0..60 {
        let (a, b) = (to - golden * (to - from), from + golden * (to - from));
        if height(a) < height(b) {
            to = b;
        } else {
            from = a;
        }
    }
    height(f64::midpoint(from, to))
}

fn anywhere(noise: &mut Noise) -> Vec<Case> {
    Scene::anywhere(noise).cases(noise)
}

/// A ramp of 4000 samples with 1 % of noise: play of 6 % and a bend.
fn here(noise: &mut Noise) -> Vec<Case> {
    let scene = Scene {
        valve: Valve { bend: -0.3, wave: 0.0, threshold: 0.0, ways: Ways::Play(0.06) },
        form: Form::Ramp { samples: 4_000, cycles: 1 },
        noise: 0.01,
        duty_noise: 1e-3,
        step: 0.0,
        scale: 4.0e7,
        offset: 1.0e6,
        turned: false,
    };
    scene.cases(noise)
}

fn bounds() -> Vec<Bound> {
    Vec::new()
}

#[cfg(test)]
mod tests {
    use super::anywhere;
    use crate::trials::Noise;

    /// Between the 1e-4 quantiles of 400 draws that succeed in 95 %: 362 to 394.
    #[test]
    fn intervals_hold_the_truth() {
        let mut noise = Noise::new(77);
        let mut held = std::collections::BTreeMap::new();
        for _ in 0..400 {
            for case in anywhere(&mut noise) {
                let measured = case.measured.expect("a whole sweep");
                let is_held = (measured.value - case.truth).abs() <= measured.expanded_uncertainty();
                *held.entry(case.finding).or_insert(0) += u32::from(is_held);
            }
        }
        assert_eq!(held.len(), 3);
        for (finding, held) in held {
            assert!((LEAST..=MOST).contains(&held), "{finding}: {held} of 400");
        }
    }

    const LEAST: u32 = 362;
    const MOST: u32 = 394;
}
