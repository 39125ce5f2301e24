//! Which part of a record is a leak's own.
//!
//! Liquid that was squeezed fast is warm and shrinks as it cools, a valve may still be closing, a pump still
//! turning: what comes first may follow no law, and is left out while most of the pressure is still there.
//! Somebody may open the rail before the recording ends. Both laws fall slower and slower, so a fall that is
//! suddenly much faster than all before is no part of the leak, nor is what follows it, empty or not.

use super::{Fits, LEFT_OUT, LeakDown, MISFIT_SHARE_MAX, SAMPLES_MIN, Samples};
use crate::reason::Unmeasured;
use crate::shape::wander;
use crate::stats::{line, mean};

/// A beginning is only left out while at least this share of the pressure is still there when it ends.
const LEFT_SHARE_MIN: f64 = 0.5;

/// And what comes then must not empty the rail in less than this share of the time that is left: that is a rail
/// which was opened.
const LASTING_SHARE_MIN: f64 = 0.1;

/// Rates of fall are compared over stretches of this share of the record.
const STRETCH_SHARE: f64 = 1.0 / 80.0;
/// Fewest samples of such a stretch.
const STRETCH_SAMPLES_MIN: usize = 3;
/// A fall is another one when it is so many times as fast as the fastest before it,
const FASTER: f64 = 2.0;
/// and by so many standard uncertainties of a stretch's rate: once in some 1e7 stretches of noise.
const FASTER_UNCERTAINTIES: f64 = 5.0;

/// Where nothing follows a law, this first share of the record says how far its rate may be from the whole's.
const EARLY_SHARE: f64 = 1.0 / 3.0;

/// A rail is empty below this share of what it began with.
const EMPTY_SHARE: f64 = 0.02;

/// Neither law describes it.
pub(super) const ANOTHER_WAY: Unmeasured =
    Unmeasured::NoFit { curve: "leak-down", why: "it falls in another way than through a gap or a hole" };

impl Samples {
    /// The laws over the longest part of the record that follows one of them; over all of it, with what that
    /// leaves uncertain, where none does.
    pub(super) fn weighed(&self, record: &LeakDown<'_>) -> Result<Fits, Unmeasured> {
        let n = self.time_s.len();
        let whole = self.fits(record, 0, n)?;
        if self.follows(&whole) {
            return Ok(whole);
        }
        let opened = self.falls_at_once();
        let before = opened.and_then(|to| self.before(record, to));
        // A rail that was opened leaked before; one that does not leak at first may still have been fed.
        if let Some(fits) = &before
            && fits.leaks()
        {
            return Ok(fits.clone());
        }
        if let Some(fits) = self.without_beginning(record, n).or(before) {
            return Ok(fits);
        }
        if let Some(to) = opened
            && to < SAMPLES_MIN
        {
            return Err(Unmeasured::Emptied { at_s: self.time_s[to], found: to, needed: SAMPLES_MIN });
        }
        // An empty rail fits any law: how well they describe the fall itself is what counts.
        let best = &whole.all[0].0;
        let empty_pa = EMPTY_SHARE * best.parameters[0];
        let is_empty = |(pressure, residual): (&f64, &f64)| pressure - residual < empty_pa;
        let falling = self.pressure_pa.iter().zip(&best.residuals).position(is_empty).unwrap_or(n);
        let fall_pa = (best.parameters[0] - self.pressure_pa[n - 1]).abs();
        if wander(&best.residuals[..falling], self.negligible_pa()).rms > MISFIT_SHARE_MAX * fall_pa {
            return Err(ANOTHER_WAY);
        }
        let early_to = ((EARLY_SHARE * falling as f64) as usize).max(SAMPLES_MIN).min(n);
        let early = self.fits(record, 0, early_to)?;
        Ok(Fits { misfit_pa_per_s: (early.rate_pa_per_s() - whole.rate_pa_per_s()).abs(), ..whole })
    }

    /// The laws over the samples before `to`, or the last of them, where they follow one.
    fn before(&self, record: &LeakDown<'_>, to: usize) -> Option<Fits> {
        if to < SAMPLES_MIN {
            return None;
        }
        let all = self.fits(record, 0, to).ok()?;
        if self.follows(&all) { Some(all) } else { self.without_beginning(record, to) }
    }

    /// Of the samples before `to`, the longest last part that follows a law.
    fn without_beginning(&self, record: &LeakDown<'_>, to: usize) -> Option<Fits> {
        let start_pa = mean(&self.pressure_pa[..(to / 20).max(1)]);
        for left_out in LEFT_OUT {
            let from = (left_out * to as f64) as usize;
            if to - from < SAMPLES_MIN {
                break;
            }
            // What is left of the record says less than the whole of it.
            let fits = self.fits(record, from, to).ok()?;
            if self.follows(&fits) {
                let [left_pa, rate, _] = fits.all[0].0.parameters;
                let lasts_s = LASTING_SHARE_MIN * (fits.to_s - fits.from_s);
                return (left_pa >= LEFT_SHARE_MIN * start_pa && rate * lasts_s <= left_pa).then_some(fits);
            }
        }
        None
    }

    fn follows(&self, fits: &Fits) -> bool {
        !wander(&fits.all[0].0.residuals, self.negligible_pa()).is_real
    }

    /// First sample of a stretch that falls suddenly faster than any before.
    fn falls_at_once(&self) -> Option<usize> {
        let n = self.time_s.len();
        let stretch = ((STRETCH_SHARE * n as f64) as usize).max(STRETCH_SAMPLES_MIN);
        let mut fastest = 0.0_f64;
        let rate = |from: usize| {
            let part = from..from + stretch;
            let fall = line(&self.time_s[part.clone()], &self.pressure_pa[part]).ok()?;
            Some((-fall.slope, self.sample_u_pa / fall.x_squares.sqrt()))
        };
        for from in stretch..=n.checked_sub(stretch)? {
            fastest = fastest.max(rate(from - stretch)?.0);
            let (now, u) = rate(from)?;
            if now > FASTER * fastest + FASTER_UNCERTAINTIES * u {
                return Some(from);
            }
        }
        None
    }
}
