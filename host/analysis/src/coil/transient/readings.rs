//! What a recorder makes of a signal: its noise, the steps of its readings, its range.

use super::{CoilRecord, SAMPLES_MIN};
use crate::reason::{Signal, Unmeasured};
use crate::series::{check_columns, check_not_clipped, check_positive, noise_sd, resolution};

/// A level below this share of the largest is rest.
const REST_LEVEL_SHARE_MAX: f64 = 0.1;

/// A record of few levels does not show the recorder's step: it is then at most that of 8 bits over the range
/// (the coarsest recorders in use; common practice, no source).
const LEVELS_MIN: f64 = 256.0;

/// Readings within this share of the range of either end are at one of two levels.
const LEVEL_SHARE: f64 = 0.25;

/// Two levels that differ by less than this share of the largest reading are one with noise.
const LEVELS_APART_SHARE_MIN: f64 = 0.2;

/// The readings of one signal, in its own unit.
#[derive(Clone, Copy, Debug)]
pub(super) struct Readings {
    /// Standard deviation of the noise.
    pub(super) noise: f64,
    /// Step of the readings; 0 when it is lost in the noise.
    pub(super) step: f64,
    pub(super) lowest: f64,
    pub(super) highest: f64,
}

impl Readings {
    pub(super) fn of(values: &[f64]) -> Readings {
        let (lowest, highest) =
            values.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(*v), b.max(*v)));
        let mut readings = Readings { noise: noise_sd(values), step: 0.0, lowest, highest };
        // Where neighbours are equal so often, a recorder's steps are not lost in its noise.
        if values.windows(2).filter(|pair| pair[0] == pair[1]).count() > values.len() / 8 {
            readings.step = resolution(values).min(readings.largest() / LEVELS_MIN);
        }
        readings
    }

    /// The largest reading, whatever its sign.
    pub(super) fn largest(&self) -> f64 {
        self.highest.max(-self.lowest)
    }

    /// The step where the noise is too small to smooth it out, else 0.
    pub(super) fn unsmoothed_step(&self) -> f64 {
        if self.noise < 0.5 * self.step { self.step } else { 0.0 }
    }

    /// How often the signal goes from one end of its range to the other between two samples.
    pub(super) fn switchings(&self, values: &[f64]) -> usize {
        let range = self.highest - self.lowest;
        if range < LEVELS_APART_SHARE_MIN * self.largest() {
            return 0;
        }
        let (low, high) = (self.lowest + LEVEL_SHARE * range, self.highest - LEVEL_SHARE * range);
        let switches = |pair: &&[f64]| pair[0].min(pair[1]) < low && pair[0].max(pair[1]) > high;
        values.windows(2).filter(switches).count()
    }
}

/// Whether a recording can be used at all.
pub(super) fn check(record: &CoilRecord<'_>) -> Result<(), Unmeasured> {
    check_columns(record.time_s, record.current_a, SAMPLES_MIN)?;
    check_columns(record.time_s, record.voltage_v, SAMPLES_MIN)?;
    check_positive("the gain of the current", record.current_gain.value)?;
    check_positive("the gain of the voltage", record.voltage_gain.value)
}

/// As [`check_not_clipped`], but no recorder's range ends at rest: a quiet level there is no cut-off top.
pub(super) fn check_range(
    time_s: &[f64],
    values: &[f64],
    readings: &Readings,
    signal: Signal,
) -> Result<(), Unmeasured> {
    match check_not_clipped(time_s, values, signal) {
        Err(Unmeasured::Clipped { level, .. }) if level.abs() < REST_LEVEL_SHARE_MAX * readings.largest() => {
            Ok(())
        }
        other => other,
    }
}
