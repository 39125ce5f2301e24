//! A sweep of a valve up and down: hysteresis, dead band and linearity of its output
//! (pressure or flow) over duty, as shares of the output span, the dead band in duty.
//!
//! Words of IEC 61298-2 and IEC 60050 (from memory):
//! - *hysteresis* is the largest difference between the readings at one input on the way up and on
//!   the way down, over the output span;
//! - *dead band* is the finite range of input over which no noticeable change of output takes place,
//!   here in duty itself. A valve with play b rests for b of duty after each reversal; a valve with a
//!   threshold does nothing in a stretch at the low end. The longest such stretch is meant;
//! - *independent linearity*, which is meant where nothing is said, is the largest distance of the
//!   average of both ways from the straight line for which that distance is least; *terminal-based
//!   linearity* is that from the line through both ends; both over the output span;
//!
//! A ramp must be slow against what follows it: a lag between duty and output looks like hysteresis.
//!
//! The largest of several noisy differences is too large on average. Here both ways are smoothed
//! together, a difference that is the same everywhere or changes evenly being preferred until the
//! recording speaks against it. What the largest difference gains from the remaining uncertainty of
//! the curves is found from curves drawn from that uncertainty (parametric bootstrap: Efron and
//! Tibshirani, An Introduction to the Bootstrap, 1993, chapter 10, from memory).

mod corners;
mod legs;
mod line;
mod opened;
mod pairs;
mod penalty;
mod plateau;
mod rests;
mod smooth;
mod spline;

use crate::reason::{Signal, Unmeasured};
use crate::series::{
    check_columns, check_count, check_finite, check_not_clipped, check_not_frozen, noise_sd, resolution,
    spacing_s,
};
use crate::stats::{extremes, mean, standard_deviation};
use crate::uncertainty::Measured;
use corners::{Corner, ends};
use legs::{Gathered, Ways};
use rand_chacha::ChaCha8Rng;
use rand_core::SeedableRng;
use rests::Rests;
use smooth::{Curves, Known, Reading, Smooth};
use std::f64::consts::PI;

/// Fewest readings on each way; an average that may be straight and a difference need five in all.
pub const POINTS_MIN: usize = 2;
const READINGS_MIN: usize = 5;

/// Curves drawn for the uncertainty of what is read off them: their standard deviation is known to
/// 1/sqrt(2 n) = 3.5 %.
const DRAWS: usize = 400;
/// Share of what the largest difference gains that is taken off: all of it where the difference is
/// flat, none where it is peaked, since smoothing lowers a peak by about as much. That it is three tenths of it
/// was chosen by trials over both, not derived.
const GAIN_SHARE: f64 = 0.3;
/// The same sweep gives the same digits.
const SEED: u64 = 1;
/// Duties this share of the sweep apart are one.
const SAME_SHARE: f64 = 0.005;
/// Places of the curves of a recorded ramp.
const PLACES: usize = 100;

/// A recording of a sweep.
#[derive(Clone, Copy, Debug)]
pub struct SweepRecord<'a> {
    /// Time, s, rising; `None` for a table of single points in the order in which they were taken.
    pub time_s: Option<&'a [f64]>,
    /// On-fraction, 0 to 1: up and down again at least once, or down and up.
    pub duty: &'a [f64],
    /// The valve's output: pressure, Pa, or flow, m3/s.
    pub output: &'a [f64],
    /// What the output is.
    pub signal: Signal,
}

/// One settled point of a sweep.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SweepPoint {
    /// On-fraction, 0 to 1.
    pub duty: f64,
    /// Settled output, SI unit.
    pub output: f64,
    /// Its standard uncertainty from scatter, same unit; what up and down share (gain, zero) cancels.
    pub standard_uncertainty: f64,
}

/// What a sweep tells. Shares have unit 1.
#[derive(Clone, Debug, PartialEq)]
pub struct Sweep {
    /// Largest difference between the ways, over the output span.
    pub hysteresis: Measured,
    /// Longest stretch of duty without a change of output, 0 to 1: a share of the whole input span, which
    /// for a duty is 0 to 100 %, whatever part of it was swept.
    pub dead_band: Result<Measured, Unmeasured>,
    /// Independent linearity of the average of both ways, over the output span.
    pub linearity: Measured,
    /// Terminal-based linearity of the same, over the output span.
    pub terminal_linearity: Measured,
    /// Output span, in the unit of the output: how far it goes from the mean of both ways where
    /// the sweep begins to where it first turns back.
    pub span: Measured,
    /// Duty of the largest difference, 0 to 1.
    pub widest_at_duty: f64,
    /// Largest difference, the way back less the first way, in the unit of the output.
    pub widest_difference: f64,
    /// Duties of the curves below, 0 to 1, in the order of the first way.
    pub duty: Vec<f64>,
    /// Output on the first way, up unless the sweep began at the other end.
    pub up: Vec<f64>,
    /// Output on the way back.
    pub down: Vec<f64>,
}

/// Measures a recorded sweep: slow ramps, levels that are held, or a table of points. Several ways up
/// and down are taken together.
///
/// # Errors
/// [`Unmeasured::Unpaired`], [`Unmeasured::NotANumber`], [`Unmeasured::OutOfOrder`],
/// [`Unmeasured::Clipped`], [`Unmeasured::Frozen`], [`Unmeasured::NotSettled`] for levels that were left too early; [`Unmeasured::Opened`] when the pressure falls for good while duty hardly changes;
/// [`Unmeasured::NoOverlap`] unless there is a way up and one down over most of the range;
/// [`Unmeasured::TooFewSamples`], [`Unmeasured::NoStep`] when duty stands still; [`Unmeasured::NoFit`] when the output does not
/// follow the duty.
pub fn sweep(record: &SweepRecord<'_>) -> Result<Sweep, Unmeasured> {
    let (duty, output) = (record.duty, record.output);
    check_columns(duty, output, READINGS_MIN)?;
    if let Some(time_s) = record.time_s {
        check_columns(time_s, output, READINGS_MIN)?;
        spacing_s(time_s)?;
        check_not_clipped(time_s, output, record.signal)?;
        check_not_frozen(time_s, output, record.signal)?;
        if record.signal == Signal::Pressure {
            opened::check_not_opened(time_s, duty, output)?;
        }
    }
    let ways = legs::ways(duty, output, record.signal, record.time_s.is_some())?;
    measured(&ways, Steps { step: resolution(output), noise: noise_sd(output) })
}

/// Measures a sweep of settled points, each way in the order in which they were taken; the way there may
/// go down in duty, where that raises the output.
///
/// # Errors
/// As [`sweep`].
pub fn sweep_of_points(up: &[SweepPoint], down: &[SweepPoint]) -> Result<Sweep, Unmeasured> {
    let mut variances: Vec<f64> = Vec::new();
    for points in [up, down] {
        check_count(points.len(), POINTS_MIN)?;
        for point in points {
            check_finite(&[point.duty, point.output, point.standard_uncertainty])?;
            variances.push(point.standard_uncertainty.powi(2));
        }
    }
    let middle = variances.len() / 2;
    let usual = *variances.select_nth_unstable_by(middle, f64::total_cmp).1;
    let mut readings = Vec::new();
    for (is_up, points) in [(true, up), (false, down)] {
        readings.extend(points.iter().map(|point| Gathered {
            duty: point.duty,
            width: 0.0,
            output: point.output,
            // A point that scatters more than usual counts for less.
            samples: if usual > 0.0 { usual / point.standard_uncertainty.powi(2).max(usual) } else { 1.0 },
            is_up,
            way: usize::from(!is_up),
        }));
    }
    let ends = extremes(readings.iter().map(|r| r.duty));
    let count = readings.len() as f64;
    let noise = if usual > 0.0 { (usual, legs::WEIGHT_OF_SCATTER * count) } else { (0.0, 0.0) };
    let turned = up[up.len() - 1].duty < up[0].duty;
    let mut sweep = measured(
        &Ways { readings, is_points: true, ends, step: 0.0, noise, turned },
        Steps { step: 0.0, noise: 0.0 },
    )?;
    // Of the curves and the points themselves, those that know it better.
    if let Some(of_points) = pairs::hysteresis(up, down)
        && of_points.standard_uncertainty() < sweep.hysteresis.standard_uncertainty()
    {
        sweep.hysteresis = of_points;
    }
    Ok(sweep)
}

/// A ramp that shows nothing over this share of its range of duty cannot be read there.
const MISSING_SHARE_MAX: f64 = 0.15;

/// Whether a stretch of duty is missing on one way of a ramp.
fn is_torn(ways: &Ways) -> bool {
    let range = (ways.ends.1 - ways.ends.0).abs();
    let of_way = |way: usize| {
        let mut duties: Vec<f64> =
            ways.readings.iter().filter(|reading| reading.way == way).map(|reading| reading.duty).collect();
        duties.sort_by(f64::total_cmp);
        duties
    };
    let count = ways.readings.iter().map(|reading| reading.way + 1).max().unwrap_or(0);
    !ways.is_points
        && (0..count)
            .any(|way| of_way(way).windows(2).any(|pair| pair[1] - pair[0] > MISSING_SHARE_MAX * range))
}

fn measured(ways: &Ways, steps: Steps) -> Result<Sweep, Unmeasured> {
    if is_torn(ways) {
        let why = "a stretch of duty is missing on one of its ways; record it again";
        return Err(Unmeasured::NoFit { curve: "curve of output over duty", why });
    }
    let scale = Scale::of(ways)?;
    let readings = scale.readings(ways);
    let dead = ends(ways, &readings);
    // A corner lies anywhere within a step of duty: a rectangular distribution.
    let within_step = ways.step / scale.duty_range.abs() / 12.0_f64.sqrt();
    let rests = Rests::of(&dead);
    let corners = Corner::of(&dead, rests.as_ref().map_or(&[], |rests| &rests.lengths));
    let elsewhere: Vec<Vec<Corner>> = rests
        .iter()
        .flat_map(|rests| rests.moved(within_step))
        .map(|lengths| Corner::of(&dead, &lengths))
        .collect();
    let mut duties: Vec<f64> = readings.iter().map(|reading| reading.at).collect();
    duties.sort_by(f64::total_cmp);
    duties.dedup_by(|b, a| *b - *a < SAME_SHARE);
    let known =
        Known { duties: duties.len(), variance: (ways.noise.0 / scale.output_range.powi(2), ways.noise.1) };
    let found = readings.len();
    let smooth = Smooth::fit(&readings, &corners, known);
    let smooth = smooth.ok_or(if found < READINGS_MIN {
        Unmeasured::TooFewSamples { found, needed: READINGS_MIN }
    } else {
        Unmeasured::NoFit { curve: "curve of output over duty", why: "the readings leave it open" }
    })?;
    let mut places: Vec<f64> = if ways.is_points {
        readings.iter().map(|reading| reading.at).collect()
    } else {
        let even = (0..=PLACES).map(|k| k as f64 / PLACES as f64);
        // A corner shows where it is, and where it may be as well.
        even.chain([&corners].into_iter().chain(&elsewhere).flatten().map(|corner| corner.at)).collect()
    };
    places.sort_by(f64::total_cmp);
    places.dedup_by(|b, a| *b - *a < if ways.is_points { SAME_SHARE } else { 1e-9 });
    let expected = smooth.expected(&places);
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    let draws = smooth.draws(&places, DRAWS, &mut rng);
    let view = View { places: &places, is_points: ways.is_points };
    let span = view.span(&expected);
    if span.abs() <= 5.0 * standard_deviation(&draws.iter().map(|c| view.span(c)).collect::<Vec<_>>()) {
        return Err(Unmeasured::NoFit {
            curve: "curve of output over duty",
            why: "the output does not follow the duty",
        });
    }
    let degrees = smooth.degrees_of_freedom();
    // Curves of the likeliest shape with a corner elsewhere, against the same shape as it is: what other shapes
    // make of the sweep is in the draws.
    let likeliest = smooth.likeliest(&places);
    let moved: Vec<Curves> = elsewhere
        .iter()
        .filter_map(|corners| Some(smooth.with_corners(&readings, corners, known)?.expected(&places)))
        .collect();
    let rounding = if ways.is_points {
        // What levels or points are rounded by shows in their scatter, if that is larger.
        let rounding = steps.step / scale.output_range / 12.0_f64.sqrt();
        if smooth.variance() < rounding * rounding { rounding } else { 0.0 }
    } else {
        // Noise as neighbours show it, or less where the curves come closer than that.
        let noise = steps.noise.min(smooth.variance().sqrt() * scale.output_range);
        Steps { noise, ..steps }.where_it_rests() / scale.output_range
    };
    let duty_u = if ways.is_points && !corners.is_empty() { duty_scatter(&readings) } else { 0.0 };
    let read_off = |what: &dyn Fn(&Curves) -> f64, gain_share: f64| {
        let values: Vec<f64> = draws.iter().map(what).collect();
        let found = what(&expected);
        let gained = mean(&values) - found;
        let value = (found - gain_share * gained).max(0.0);
        Measured::new(value)
            .with_scatter("scatter about the smooth curves", standard_deviation(&values), degrees)
            .with_scatter(
                "where the output begins to move",
                moved.iter().map(|curves| what(curves) - what(&likeliest)).fold(0.0, f64::hypot),
                degrees,
            )
            .with_given("resolution of the recorder", 1.0, rounding)
            // Where the output rests, noise of the duty does not show in it.
            .with_given("scatter of the duty", 0.5, duty_u)
            // A corner that hides within the step next to a turn changes the span by as much.
            .with_given("step of the duty", value, within_step)
    };
    let share = |largest: f64, curves: &Curves| largest / view.span(curves).abs();
    let hysteresis =
        read_off(&|c| share(view.differences(c).fold(0.0, |a, b| a.max(b.abs())), c), GAIN_SHARE);
    // A bent curve loses as much of its bend to smoothing as noise adds to it.
    let linearity = read_off(&|c| share(line::from_best(&places, &view.average(c)), c), 0.0);
    let terminal_linearity = read_off(&|c| share(line::from_ends(&places, &view.average(c)), c), 0.0);
    let widest = view
        .differences(&expected)
        .enumerate()
        .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
        .map_or(0, |(i, _)| i);
    let in_unit = |share: f64| scale.output_from + share * scale.output_range;
    let side = |sign: f64| -> Vec<f64> {
        expected.average.iter().zip(&expected.difference).map(|(f, h)| in_unit(f + sign * 0.5 * h)).collect()
    };
    let places_duty = |at: &f64| scale.duty_from + at * scale.duty_range;
    Ok(Sweep {
        hysteresis,
        dead_band: rests
            .map(|rests| {
                let (longest, u) = rests.longest;
                // One shorter than a step may be hidden in it, from 0 on.
                let is_hidden = longest * scale.duty_range.abs() < 0.5 * ways.step;
                let within_step = if is_hidden { 2.0 * within_step } else { within_step };
                Measured::new(longest)
                    .with_scatter("where the output begins to move", u, rests.degrees_of_freedom)
                    .with_given("resolution of the recorder", 1.0, rounding)
                    .with_given("step of the duty", 1.0, within_step)
                    .scaled(scale.duty_range.abs())
            })
            .ok_or(Unmeasured::TooFewSamples { found: readings.len(), needed: 16 }),
        linearity,
        terminal_linearity,
        span: Measured::new(span.abs() * scale.output_range).with_scatter(
            "scatter about the smooth curves",
            standard_deviation(&draws.iter().map(|c| view.span(c)).collect::<Vec<_>>()) * scale.output_range,
            degrees,
        ),
        widest_at_duty: places_duty(&places[widest]),
        widest_difference: expected.difference[widest] * scale.output_range,
        duty: places.iter().map(places_duty).collect(),
        up: side(-1.0),
        down: side(1.0),
    })
}

/// Steps in which a recorder shows the output, and the noise of a sample, both in its unit.
#[derive(Clone, Copy, Debug)]
struct Steps {
    step: f64,
    noise: f64,
}

impl Steps {
    /// Standard uncertainty of a long mean of an output that rests: whatever lies between two steps, less what
    /// noise carries across them. The mean of a rounded value in normal noise is off by
    /// `step/pi sum (-1)^k/k exp(-2 (pi k noise/step)^2) sin(2 pi k value/step)` (Widrow and Kollar, Quantization
    /// Noise, 2008, chapter on dither, from memory); that is `step/sqrt(12)` without noise.
    fn where_it_rests(self) -> f64 {
        if self.step <= 0.0 {
            return 0.0;
        }
        // What is seen of the noise has the rounding in it.
        let noise = ((self.noise / self.step).powi(2) - 1.0 / 12.0).max(0.0);
        let part = |k: f64| (-4.0 * PI * PI * k * k * noise).exp() / (2.0 * PI * PI * k * k);
        self.step * (1..=50).map(|k| part(f64::from(k))).sum::<f64>().sqrt()
    }
}

/// Standard deviation of duties that were meant to be the same, as a share of the sweep.
fn duty_scatter(readings: &[Reading]) -> f64 {
    let mut at: Vec<f64> = readings.iter().map(|reading| reading.at).collect();
    at.sort_by(f64::total_cmp);
    let steps = at.windows(2).map(|pair| pair[1] - pair[0]).filter(|step| *step < SAME_SHARE);
    let (count, squares) = steps.fold((0.0, 0.0), |(count, sum), step| (count + 1.0, sum + step * step));
    if count > 0.0 { (0.5 * squares / count).sqrt() } else { 0.0 }
}

/// What duty and output are counted in.
struct Scale {
    duty_from: f64,
    duty_range: f64,
    output_from: f64,
    output_range: f64,
}

impl Scale {
    /// The duties that both ways reach.
    fn of(ways: &Ways) -> Result<Scale, Unmeasured> {
        let ends = |is_up: bool| {
            let of_way = || ways.readings.iter().filter(move |r| r.is_up == is_up);
            let least = of_way().map(|r| r.duty - 0.5 * r.width).fold(f64::INFINITY, f64::min);
            let most = of_way().map(|r| r.duty + 0.5 * r.width).fold(f64::NEG_INFINITY, f64::max);
            (of_way().count(), least, most)
        };
        let (up, down) = (ends(true), ends(false));
        let (from, to) = ways.ends;
        let overlap = up.2.min(down.2) - up.1.max(down.1);
        let found = up.0.min(down.0);
        if found < POINTS_MIN || overlap < (1.0 - MISSING_SHARE_MAX) * (to - from) || to <= from {
            return Err(Unmeasured::NoOverlap {
                found: if overlap > 0.0 { found } else { 0 },
                needed: POINTS_MIN,
            });
        }
        let (least, most) = extremes(ways.readings.iter().map(|r| r.output));
        let range = most - least;
        if range <= 0.0 {
            return Err(Unmeasured::NoFit {
                curve: "curve of output over duty",
                why: "the output never changes",
            });
        }
        // Counted from where the first way begins.
        let (duty_from, duty_range) = if ways.turned { (to, from - to) } else { (from, to - from) };
        Ok(Scale { duty_from, duty_range, output_from: least, output_range: range })
    }

    fn readings(&self, ways: &Ways) -> Vec<Reading> {
        ways.readings
            .iter()
            .map(|r| Reading {
                at: (r.duty - self.duty_from) / self.duty_range,
                width: (r.width / self.duty_range).abs(),
                output: (r.output - self.output_from) / self.output_range,
                is_up: r.is_up,
                weight: r.samples,
            })
            .collect()
    }
}

/// How curves are read.
struct View<'a> {
    places: &'a [f64],
    is_points: bool,
}

impl View<'_> {
    /// Of single points the uppermost is the end of the way up and the beginning of the way down.
    fn average(&self, curves: &Curves) -> Vec<f64> {
        let mut average = curves.average.clone();
        if self.is_points {
            let last = average.len() - 1;
            average[last] -= 0.5 * curves.difference[last];
        }
        average
    }

    fn differences<'c>(&self, curves: &'c Curves) -> impl Iterator<Item = f64> + use<'c> {
        let shared = usize::from(self.is_points);
        curves.difference[..curves.difference.len() - shared].iter().copied()
    }

    fn span(&self, curves: &Curves) -> f64 {
        let last = self.places.len() - 1;
        curves.average[last] - 0.5 * curves.difference[last] - curves.average[0]
    }
}
