//! The ways up and down of a recording, and the readings on them.

use crate::reason::{Signal, Unmeasured};
use crate::series::{check_count, noise_sd};
use crate::stats::{extremes, mean, mean_of_series};

/// A turn counts from this share of the range of duty on: noise of the duty column stays far below.
const TURN_SHARE: f64 = 0.25;
/// A way that covers less than this share of the range is left out.
const WAY_SHARE_MIN: f64 = 0.6;
/// Fewest samples of a level of a staircase.
const LEVEL_SAMPLES_MIN: usize = 8;
/// This much of the travel of duty must happen in jumps for the recording to be a staircase.
const JUMPS_SHARE_MIN: f64 = 0.8;
/// Readings that a way is gathered in.
const READINGS_MAX: usize = 120;

/// So many rows a way, each with its time, may still be single points.
const TIMED_POINTS_MAX: usize = 40;
/// Largest share of a level's step by which the output may still drift over the part that counts.
const DRIFT_SHARE_MAX: f64 = 0.1;

/// Degrees of freedom that the scatter within levels counts for, per level: as levels may scatter more
/// than that, not more than they do themselves.
pub(super) const WEIGHT_OF_SCATTER: f64 = 1.0;

/// Mean of some samples of one way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Gathered {
    pub(super) duty: f64,
    /// Extent of duty that the samples spread over, evenly; 0 for a level or a point.
    pub(super) width: f64,
    pub(super) output: f64,
    pub(super) samples: f64,
    pub(super) is_up: bool,
    /// Which way, counted from 0 in the order of time.
    pub(super) way: usize,
}

/// The readings of a recording.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Ways {
    pub(super) readings: Vec<Gathered>,
    /// Levels were held, or single points given: nothing is known of what lies between.
    pub(super) is_points: bool,
    /// Lowest and highest duty.
    pub(super) ends: (f64, f64),
    /// Step of duty within which nobody knows where on a ramp something happened; 0 without.
    pub(super) step: f64,
    /// Variance of a reading as seen within it, and degrees of freedom; 0 when unknown.
    pub(super) noise: (f64, f64),
    /// The first way goes down in duty.
    pub(super) turned: bool,
}

/// Splits a recording into its ways and gathers readings.
pub(super) fn ways(duty: &[f64], output: &[f64], signal: Signal, is_timed: bool) -> Result<Ways, Unmeasured> {
    let (lowest, highest) = extremes(duty.iter().copied());
    let range = highest - lowest;
    if range <= 0.0 {
        return Err(Unmeasured::NoStep { signal: Signal::Duty });
    }
    // A table of more rows than could be single points is a ramp or a staircase, with times of fewer: nobody
    // records a ramp in so few samples, but points that somebody took one by one have times as well.
    let rows = longest_way(&turns(duty, range));
    let is_ordered = rows > if is_timed { TIMED_POINTS_MAX } else { READINGS_MAX };
    let levels = if is_ordered { levels(duty, range) } else { None };
    let (duties, parts): (Vec<f64>, Vec<(usize, usize)>) = match levels {
        Some(levels) if !is_ramp(&levels, output) => {
            check_settled(&levels, output, signal)?;
            let settled: Vec<_> =
                levels.iter().map(|(from, to)| (usize::midpoint(*from, *to), *to)).collect();
            (settled.iter().map(|(from, to)| mean(&duty[*from..*to])).collect(), settled)
        }
        _ => (duty.to_vec(), Vec::new()),
    };
    let is_points = !is_ordered || !parts.is_empty();
    let mut readings: Vec<Gathered> = Vec::new();
    let mut ramps: Vec<Ramp> = Vec::new();
    let mut way = 0;
    let turns = turns(&duties, range);
    for pair in turns.windows(2) {
        // Of a level at a turn, or a single point there, only the way to it knows. Of a ramp nobody
        // knows to which way the samples around a turn belong.
        let (from, to) = match is_points {
            true if pair[0].middle == 0 => (0, pair[1].middle + 1),
            true => (pair[0].middle + 1, pair[1].middle + 1),
            false => (pair[0].to, pair[1].from),
        };
        let travel = duties[pair[1].middle] - duties[pair[0].middle];
        if travel.abs() < WAY_SHARE_MIN * range || to <= from {
            continue;
        }
        let count = to - from;
        let per_sample = travel.abs() / count as f64;
        let blocks = count.min(READINGS_MAX);
        for k in 0..blocks {
            let (a, b) = (from + count * k / blocks, from + count * (k + 1) / blocks);
            let (c, d) = if parts.is_empty() { (a, b) } else { (parts[a].0, parts[b - 1].1) };
            readings.push(Gathered {
                duty: mean(&duty[c..d]),
                width: if is_points { 0.0 } else { per_sample * extent(b - a) },
                output: mean(&output[c..d]),
                samples: if parts.is_empty() { (b - a) as f64 } else { 1.0 },
                is_up: travel > 0.0,
                way,
            });
        }
        if !is_points {
            ramps.push(Ramp::of(&duties[from..to], from, [pair[0], pair[1]]));
        }
        way += 1;
    }
    check_count(readings.len(), 1)?;
    let ends = if is_points {
        extremes(readings.iter().map(|r| r.duty))
    } else {
        ends_of(&ramps, duty, lowest, lowest + range)
    };
    let step = if is_points { 0.0 } else { step_of(duty, &turns, range) };
    let noise = if parts.is_empty() { (0.0, 0.0) } else { scatter(&parts, output) };
    // From here on the first way is the way up, whichever way it goes.
    let turned = readings.first().is_some_and(|first| !first.is_up);
    for reading in &mut readings {
        reading.is_up ^= turned;
    }
    Ok(Ways { readings, is_points, ends, step, noise, turned })
}

/// Samples from one turn to the next, at most.
fn longest_way(turns: &[Turn]) -> usize {
    turns.windows(2).map(|pair| pair[1].middle - pair[0].middle).max().unwrap_or(0)
}

/// Extent that spreads as much as so many samples one apart do: `(n^2 - 1)/12` is their variance, and
/// `w^2/12` that of an even spread.
fn extent(samples: usize) -> f64 {
    ((samples * samples - 1) as f64).sqrt()
}

/// Step in which the duty rises, if it rests more often than it moves.
fn stairs(duty: &[f64]) -> Option<f64> {
    let moves: Vec<f64> = duty.windows(2).map(|w| (w[1] - w[0]).abs()).filter(|step| *step > 0.0).collect();
    (2 * moves.len() <= duty.len()).then(|| mean(&moves))
}

/// Standard deviation of a sample of the duty. What rests shows no noise, and its steps are none.
fn noise_of(duty: &[f64]) -> f64 {
    if stairs(duty).is_some() { 0.0 } else { noise_sd(duty) }
}

/// Step within which nobody knows where the duty of a ramp was: that in which it rises, if it rests more
/// often than it moves; that of one sample if the uppermost shows twice, which may be a rest or a turn
/// half-way between them; or 0.
fn step_of(duty: &[f64], turns: &[Turn], range: f64) -> f64 {
    let within = &turns[1..turns.len() - 1];
    if let Some(step) = stairs(duty) {
        step
    } else if within.iter().any(|turn| turn.to - turn.from == 2) {
        range / longest_way(turns) as f64
    } else {
        0.0
    }
}

/// The straight lines that a ramp's duty follows near its two ends, over the index of the sample.
struct Ramp {
    /// Index and duty in the middle of each end's part, and duty per sample there.
    near: [(f64, f64, f64); 2],
    turns: [Turn; 2],
}

impl Ramp {
    fn of(duty: &[f64], first_index: usize, turns: [Turn; 2]) -> Ramp {
        let part = (duty.len() / 4).max(1);
        let near = |from: usize| {
            let half = (part / 2).max(1).min(duty.len() - from);
            let (early, late) = (
                mean(&duty[from..from + half]),
                mean(&duty[duty.len().min(from + part) - half..duty.len().min(from + part)]),
            );
            let slope = if part > half { (late - early) / (part - half) as f64 } else { 0.0 };
            ((first_index + from) as f64 + 0.5 * (part as f64 - 1.0), f64::midpoint(early, late), slope)
        };
        Ramp { near: [near(0), near(duty.len() - part)], turns }
    }
}

/// Lowest and highest duty of ramps: where the lines on both sides of a turn meet, at the first and
/// the last sample where the line next to it is there; never more than one sample beyond what was seen.
/// Where the duty was held at the turn, and the lines meet beyond all that was seen, it is what it was
/// held at.
fn ends_of(ramps: &[Ramp], duties: &[f64], lowest: f64, highest: f64) -> (f64, f64) {
    let mut ends = [Vec::new(), Vec::new()];
    let at = |(index, duty, slope): (f64, f64, f64), i: f64| duty + slope * (i - index);
    // Few samples lie close to a turn: by chance all of them may lie short of it.
    let short = 3.0 * noise_of(duties);
    for (k, ramp) in ramps.iter().enumerate() {
        let [begin, end] = ramp.near;
        let rises = end.1 > begin.1;
        let meets = |a: (f64, f64, f64), b: (f64, f64, f64)| {
            let i = (at(b, 0.0) - at(a, 0.0)) / (a.2 - b.2);
            at(a, i)
        };
        let more = begin.2.abs().max(end.2.abs());
        let mut add = |is_high: bool, duty: f64| {
            if duty.is_finite() {
                ends[usize::from(is_high)].push(duty.clamp(lowest - more, highest + more));
            }
        };
        let seen = |turn: Turn, met: f64| {
            let is_beyond = met > highest + short || met < lowest - short;
            if is_beyond && turn.is_held() { turn.held_at(duties) } else { met }
        };
        let [from, to] = ramp.turns;
        if k == 0 {
            add(!rises, seen(from, at(begin, from.middle as f64)));
        }
        match ramps.get(k + 1) {
            Some(next) if next.turns[0] == to => add(rises, seen(to, meets(end, next.near[0]))),
            _ => add(rises, seen(to, at(end, to.middle as f64))),
        }
    }
    (mean(&ends[0]), mean(&ends[1]))
}

/// Variance of the means over settled parts, from the scatter within each, and a weight for it in
/// degrees of freedom: less than that of the readings, because levels may scatter more than that.
fn scatter(parts: &[(usize, usize)], output: &[f64]) -> (f64, f64) {
    let variances: Vec<f64> = parts
        .iter()
        .filter_map(|(from, to)| mean_of_series(&output[*from..*to]).ok())
        .map(|series| series.standard_uncertainty.powi(2))
        .collect();
    (mean(&variances), WEIGHT_OF_SCATTER * variances.len() as f64)
}

/// A turn of the duty: its middle and the samples around it that cannot be told apart.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Turn {
    from: usize,
    pub(super) middle: usize,
    to: usize,
}

impl Turn {
    /// More than one sample was there.
    fn is_held(self) -> bool {
        self.to >= self.from + 2
    }

    /// Duty of the samples there, less those that may be on the way to it or from it.
    fn held_at(self, duty: &[f64]) -> f64 {
        let quarter = (self.to - self.from) / 4;
        mean(&duty[self.from + quarter..self.to - quarter])
    }
}

/// The turns of the duty, with both ends.
pub(super) fn turns(duty: &[f64], range: f64) -> Vec<Turn> {
    let mut turns = Vec::new();
    let (mut low, mut high) = (0, 0);
    let mut rising = None;
    for i in 0..duty.len() {
        if duty[i] > duty[high] {
            high = i;
        }
        if duty[i] < duty[low] {
            low = i;
        }
        let (fallen, risen) = (duty[high] - duty[i], duty[i] - duty[low]);
        if rising != Some(false) && fallen > TURN_SHARE * range {
            turns.push(high);
            (rising, low) = (Some(false), i);
        } else if rising != Some(true) && risen > TURN_SHARE * range {
            turns.push(low);
            (rising, high) = (Some(true), i);
        }
    }
    // Both the extreme and its neighbours scatter.
    let noise = 6.0 * noise_of(duty);
    let around = |turn: usize| {
        // The extreme is off by some of the noise itself: a single sample beyond does not end the turn.
        let is_near = |i: usize| (duty[i] - duty[turn]).abs() <= noise;
        let (mut from, mut to) = (turn, turn);
        while let Some(step) = (1..=2).find(|step| from >= *step && is_near(from - step)) {
            from -= step;
        }
        while let Some(step) = (1..=2).find(|step| to + step < duty.len() && is_near(to + step)) {
            to += step;
        }
        Turn { from, middle: usize::midpoint(from, to), to: to + 1 }
    };
    let mut found: Vec<Turn> = turns.iter().map(|turn| around(*turn)).collect();
    // The first of these is where the first way begins. A lone sample at an end belongs to its way.
    if let Some(first) = found.first_mut()
        && first.from == 0
    {
        *first = Turn { from: 0, middle: 0, to: if first.is_held() { first.to } else { 0 } };
    }
    let last = duty.len() - 1;
    let end = around(last);
    found.push(Turn { from: if end.is_held() { end.from } else { last + 1 }, middle: last, to: last + 1 });
    // In noise as large as the ways themselves, what lies around two turns may overlap: each keeps to its half.
    let at: Vec<usize> = turns.into_iter().chain([last]).collect();
    for (pair, k) in at.windows(2).zip(0..) {
        let half = usize::midpoint(pair[0], pair[1]);
        if found[k].to > found[k + 1].from {
            (found[k].to, found[k].middle) = (found[k].to.min(half + 1), found[k].middle.min(half));
            (found[k + 1].from, found[k + 1].middle) =
                (found[k + 1].from.max(half + 1), found[k + 1].middle.max(half + 1));
        }
    }
    found
}

/// Stretches of one duty each, if the duty moves in jumps.
fn levels(duty: &[f64], range: f64) -> Option<Vec<(usize, usize)>> {
    let allowed = (6.0 * noise_sd(duty)).max(1e-9 * range);
    let mut levels = Vec::new();
    let (mut from, mut sum) = (0, duty[0]);
    for i in 1..=duty.len() {
        let level = sum / (i - from) as f64;
        if i < duty.len() && (duty[i] - level).abs() <= allowed {
            sum += duty[i];
            continue;
        }
        levels.push((from, i));
        if i < duty.len() {
            (from, sum) = (i, duty[i]);
        }
    }
    levels.retain(|(from, to)| to - from >= LEVEL_SAMPLES_MIN);
    if levels.len() < 4 {
        return None;
    }
    let middle = |from: usize, to: usize| mean(&duty[from..to]);
    let jumps: f64 = levels.windows(2).map(|w| (middle(w[1].0, w[1].1) - middle(w[0].0, w[0].1)).abs()).sum();
    let within: f64 = levels
        .iter()
        .map(|(from, to)| {
            let half = usize::midpoint(*from, *to);
            2.0 * (middle(half, *to) - middle(*from, half)).abs()
        })
        .sum();
    let held: usize = levels.iter().map(|(from, to)| to - from).sum();
    let is_staircase = within < (1.0 - JUMPS_SHARE_MIN) * jumps && held as f64 > 0.8 * duty.len() as f64;
    is_staircase.then_some(levels)
}

/// Change of the output over each half of the levels, along the way of the duty, summed, and the
/// whole travel.
fn drifts(levels: &[(usize, usize)], output: &[f64]) -> (f64, f64, f64) {
    let quarter = |level: &(usize, usize), k: usize| {
        let n = level.1 - level.0;
        mean(&output[level.0 + n * k / 4..level.0 + n * (k + 1) / 4])
    };
    let (mut early, mut late, mut travel) = (0.0, 0.0, 0.0);
    for pair in levels.windows(2) {
        let change = quarter(&pair[1], 3) - quarter(&pair[0], 3);
        early += (quarter(&pair[1], 1) - quarter(&pair[1], 0)) * change.signum();
        late += (quarter(&pair[1], 3) - quarter(&pair[1], 2)) * change.signum();
        travel += change.abs();
    }
    (early, late, travel)
}

/// A slow ramp of a coarse duty column also shows levels, but its output never rests.
fn is_ramp(levels: &[(usize, usize)], output: &[f64]) -> bool {
    let (early, late, travel) = drifts(levels, output);
    late > DRIFT_SHARE_MAX * travel && late > 0.6 * early
}

fn check_settled(levels: &[(usize, usize)], output: &[f64], signal: Signal) -> Result<(), Unmeasured> {
    let (_, late, travel) = drifts(levels, output);
    if travel > 0.0 && late > DRIFT_SHARE_MAX * travel {
        return Err(Unmeasured::NotSettled {
            signal,
            drift_percent: 100.0 * late / travel,
            allowed_percent: 100.0 * DRIFT_SHARE_MAX,
        });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::turns;
    use crate::stats::extremes;

    /// Walks that scatter as much as they travel: whichever they are, each turn lies behind the one before it.
    #[test]
    fn turns_come_in_the_order_of_their_samples() {
        // A linear congruential generator (constants from memory: Knuth's MMIX).
        let mut state = 1_u64;
        let mut draw = |below: u64| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) % below
        };
        for _ in 0..100_000 {
            let (rows, levels) = (3 + draw(22), 2 + draw(9));
            let duty: Vec<f64> = (0..rows).map(|_| draw(levels) as f64 / levels as f64).collect();
            let (lowest, highest) = extremes(duty.iter().copied());
            if highest <= lowest {
                continue;
            }
            let found = turns(&duty, highest - lowest);
            let ordered =
                found.windows(2).all(|pair| pair[0].middle < pair[1].middle && pair[0].to <= pair[1].from);
            assert!(ordered, "{duty:?}: {found:?}");
        }
    }
}
